//! Checks of the main job against published values. Each module names its sources beside the checks.
#![allow(clippy::unwrap_used)]

mod data;

mod binomial;
mod fisher;
mod gamma_poisson;
mod logistic;
mod poisson;
mod sun;
