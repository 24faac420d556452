//! `tilldawn check`: what would be watched, in words, or every error.

use super::{Done, WELL, say};
use crate::config::{Config, words};
use clap::Args;

/// Say in words what would be watched and what would wake somebody, or list every error
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  tilldawn check")]
pub struct Arguments {}

/// Checks.
pub fn run(_: Arguments) -> Done {
    say::say(&words::whole(&Config::default()));
    Ok(WELL)
}
