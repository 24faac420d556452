//! Talking to the service manager: ready, stopping, and the watchdog that is fed only while the sampling loop truly advances.

use crate::model::{BootMs, Span};

/// The service manager's side. On systems without one, or outside a service, every call is quiet.
#[derive(Debug)]
pub struct ServiceManager {
    feed_every: Option<Span>,
    last_fed: Option<BootMs>,
    ready: bool,
}

impl ServiceManager {
    /// Asks the environment whether there is a watchdog to feed.
    pub fn new() -> ServiceManager {
        ServiceManager { feed_every: watchdog().map(|w| Span(w.0 / 3)), last_fed: None, ready: false }
    }

    /// Told once, after the store is migrated, the page answers and the first full cycle is judged.
    pub fn ready(&mut self, status: &str) {
        if !self.ready {
            self.ready = true;
            send(&format!("READY=1\nSTATUS={status}\n"));
        }
    }

    /// Called after each cycle that carried fresh readings; feeds the watchdog at a third of its limit.
    pub fn advanced(&mut self, now: BootMs) {
        let Some(every) = self.feed_every else { return };
        if self.last_fed.is_none_or(|t| now - t >= every) {
            self.last_fed = Some(now);
            send("WATCHDOG=1\n");
        }
    }

    /// One line of state for the service manager's own status.
    pub fn status(&self, line: &str) {
        send(&format!("STATUS={}\n", line.replace('\n', " ")));
    }

    /// A new configuration is being loaded.
    pub fn reloading(&self) {
        let now = crate::clock::monotonic_us();
        send(&format!("RELOADING=1\nMONOTONIC_USEC={now}\n"));
    }

    /// Loading is over, well or not.
    pub fn reloaded(&self) {
        send("READY=1\n");
    }

    /// The agent stops.
    pub fn stopping(&self) {
        send("STOPPING=1\n");
    }
}

impl Default for ServiceManager {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(target_os = "linux")]
fn send(text: &str) {
    use sd_notify::NotifyState;
    let states: Vec<NotifyState> = text.lines().map(NotifyState::Custom).collect();
    if let Err(e) = sd_notify::notify(&states) {
        tracing::debug!(error = %e, "the service manager could not be told");
    }
}

#[cfg(target_os = "linux")]
fn watchdog() -> Option<Span> {
    sd_notify::watchdog_enabled().map(Span::from)
}

#[cfg(not(target_os = "linux"))]
fn send(_text: &str) {}

#[cfg(not(target_os = "linux"))]
fn watchdog() -> Option<Span> {
    None
}
