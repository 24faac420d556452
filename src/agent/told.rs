//! What the system and the person at the terminal tell the agent: stop, or load the configuration anew.
//!
//! The listeners are made before anything else is, so that a signal that comes in the first moments is kept until the loop
//! runs, and does not end the process by its default action.

#[cfg(unix)]
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc;

/// So many words wait at most; a person who presses more often says nothing new.
const WAITING: usize = 8;

/// What was told, in order. A task of its own hears it, so that the loop asks one queue and not every signal at each turn.
pub struct Told(mpsc::Receiver<Word>);

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
        let (tell, told) = mpsc::channel(WAITING);
        let mut heard = Heard::listen();
        tokio::spawn(async move { while tell.send(heard.next().await).await.is_ok() {} });
        Told(told)
    }

    /// Waits for the next word. Cancel safe.
    pub async fn recv(&mut self) -> Word {
        match self.0.recv().await {
            Some(word) => word,
            // Nobody listens any more: nothing will ever be told.
            None => std::future::pending().await,
        }
    }
}

/// The listeners.
struct Heard {
    #[cfg(unix)]
    term: Option<Signal>,
    #[cfg(unix)]
    int: Option<Signal>,
    #[cfg(unix)]
    hup: Option<Signal>,
}

impl Heard {
    fn listen() -> Heard {
        Heard {
            #[cfg(unix)]
            term: heard(SignalKind::terminate()),
            #[cfg(unix)]
            int: heard(SignalKind::interrupt()),
            #[cfg(unix)]
            hup: heard(SignalKind::hangup()),
        }
    }

    #[cfg(unix)]
    async fn next(&mut self) -> Word {
        tokio::select! {
            biased;
            () = next(&mut self.term) => Word::Stop("told by the system (SIGTERM)"),
            () = next(&mut self.int) => Word::Stop("told by the person (Ctrl-C)"),
            () = next(&mut self.hup) => Word::Reload,
        }
    }

    #[cfg(not(unix))]
    async fn next(&mut self) -> Word {
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
