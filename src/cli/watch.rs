//! `tilldawn watch`: the agent itself.

use super::{Done, Failure};
use crate::agent;
use crate::config::human;
use crate::model::Span;
use clap::Args;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Watch this machine until told to stop (the agent itself)
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn watch\n  tilldawn watch --config tilldawn.toml\n  tilldawn watch --for 20s"
)]
pub struct Arguments {
    /// Configuration file; without one: this machine, its gateway, its root disk and the built-in rules
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Store file; without one: in the state folder
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
    /// Address on which the page and the API are served
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<SocketAddr>,
    /// End by itself after this time, such as `20s` or `8 h`
    #[arg(long = "for", value_name = "TIME", value_parser = human::span)]
    lasting: Option<Span>,
}

/// What the agent is asked to do.
impl From<Arguments> for agent::WatchArguments {
    fn from(a: Arguments) -> agent::WatchArguments {
        agent::WatchArguments { config: a.config, store: a.store, listen: a.listen, lasting: a.lasting }
    }
}

/// Runs the agent.
pub fn run(a: Arguments) -> Done {
    agent::watch(&a.into()).map_err(Failure::new)
}
