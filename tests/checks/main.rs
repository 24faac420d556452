//! Checks of the main job against published values. Each module names its sources beside the checks.
#![allow(clippy::unwrap_used)]

mod data;

mod alarms;
mod best_cut;
mod binomial;
mod dew;
mod fisher;
mod gamma_poisson;
mod laws;
mod libraries;
mod logistic;
mod network;
mod poisson;
mod sun;
mod survival;
mod thermal;
