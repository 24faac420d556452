//! Wires probes, engine and store together; owns start, shutdown and the watchdog.
//!
//! One cycle: collect what the probes sent, `engine.step(batch)`, hand both to the writer, publish the present. A transition
//! is announced after its commit; if the commit fails or does not come in time it is announced all the same, marked unsaved.

mod acting;
mod changes;
mod chores;
mod cycle;
mod darkness;
mod imports;
mod leadup;
mod pending;
mod present;
mod remedies;
mod start;
mod told;

pub mod derived;
pub mod notify;
pub mod sampler;

pub use start::without_file;

use crate::model::Span;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

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

/// Runs the agent until it is told to stop. 0 after an orderly end, 2 when it could not start or its store was lost.
///
/// # Errors
/// Why it could not start, for the person: configuration errors are all told at once.
pub fn watch(arguments: &WatchArguments) -> Result<ExitCode, String> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .thread_name("agent")
        .build()
        .map_err(|e| format!("cannot start the agent's runtime: {e}"))?;
    let ended = runtime.block_on(async {
        let ready = start::prepare(arguments)?;
        // As a task: what its own thread sends it then needs no call to the kernel to wake it.
        let run = tokio::spawn(ready.run(arguments.lasting));
        run.await.map_err(|e| format!("the agent failed inside: {e}"))
    });
    // A sensor that hangs must not hold up the stop.
    runtime.shutdown_timeout(std::time::Duration::from_millis(200));
    ended
}
