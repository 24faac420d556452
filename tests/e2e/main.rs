//! Drives the built binary as a person would: starts it, breaks things, looks at what it says.
#![allow(clippy::unwrap_used)]
#![cfg(target_os = "linux")]

mod cli;
#[allow(dead_code)]
mod harness;
mod units;
