//! Drives the built binary as a person would: starts it, breaks things, looks at what it says.
#![allow(clippy::unwrap_used)]
#![cfg(target_os = "linux")]

mod api;
mod browser;
mod by_itself;
mod cascade;
mod cli;
mod clock_step;
mod drops;
mod evidence;
mod fixtures;
mod frames;
mod full_disk;
mod fuzz;
mod graphics;
mod hangs;
#[allow(dead_code)]
mod harness;
mod import;
mod links;
mod look;
mod morning;
mod mqtt;
#[allow(dead_code)]
mod orchard;
mod page;
mod phone;
mod power;
mod programs;
mod real_load;
mod rehearse;
mod season;
mod service;
mod torture;
mod units;
mod usb;
mod users;
