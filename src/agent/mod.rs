//! Wires probes, engine and store together; owns start, shutdown and the watchdog.

pub mod notify;
pub mod sampler;

use crate::model::Span;
use std::net::SocketAddr;
use std::path::PathBuf;

/// What the agent is asked to do when it starts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WatchArguments {
    /// Configuration file; none: the built-in defaults.
    pub config: Option<PathBuf>,
    /// Store file; none: the configured one, else the state folder's.
    pub store: Option<PathBuf>,
    /// Address to listen on; none: the configured one.
    pub listen: Option<SocketAddr>,
    /// End by itself after this time; none: when told to stop.
    pub lasting: Option<Span>,
}
