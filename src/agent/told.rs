//! What the system and the person at the terminal tell the agent: stop, or load the configuration anew.
//!
//! The listeners are made before anything else is, so that a signal that comes in the first moments is kept until the loop
//! runs, and does not end the process by its default action.

#[cfg(unix)]
use tokio::signal::unix::{Signal, SignalKind, signal};

/// The listeners.
pub struct Told {
    #[cfg(unix)]
    term: Option<Signal>,
    #[cfg(unix)]
    int: Option<Signal>,
    #[cfg(unix)]
    hup: Option<Signal>,
}

/// What was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Word {
    /// Stop, and who said so.
    Stop(&'static str),
    /// Load the configuration anew.
    #[cfg_attr(not(unix), allow(dead_code, reason = "only Unix has a signal for it"))]
    Reload,
}

impl Told {
    /// Begins to listen. Must be called inside the runtime.
    pub fn listen() -> Told {
        Told {
            #[cfg(unix)]
            term: heard(SignalKind::terminate()),
            #[cfg(unix)]
            int: heard(SignalKind::interrupt()),
            #[cfg(unix)]
            hup: heard(SignalKind::hangup()),
        }
    }

    /// Waits for the next word.
    #[cfg(unix)]
    pub async fn recv(&mut self) -> Word {
        tokio::select! {
            biased;
            () = next(&mut self.term) => Word::Stop("told by the system (SIGTERM)"),
            () = next(&mut self.int) => Word::Stop("told by the person (Ctrl-C)"),
            () = next(&mut self.hup) => Word::Reload,
        }
    }

    /// Waits for the next word.
    #[cfg(not(unix))]
    pub async fn recv(&mut self) -> Word {
        match tokio::signal::ctrl_c().await {
            Ok(()) => Word::Stop("told by the person (Ctrl-C)"),
            Err(_) => std::future::pending().await,
        }
    }
}

/// Without a listener the default action ends the process, which a next start records as a crash: still defined.
#[cfg(unix)]
fn heard(kind: SignalKind) -> Option<Signal> {
    signal(kind).inspect_err(|e| tracing::error!("cannot listen for signal {}: {e}", kind.as_raw_value())).ok()
}

#[cfg(unix)]
async fn next(s: &mut Option<Signal>) {
    if let Some(s) = s
        && s.recv().await.is_some()
    {
        return;
    }
    std::future::pending().await
}
