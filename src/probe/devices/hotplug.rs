//! The system's hot-plug messages: they say *when*; what is there is read from the bus.

use crate::clock::SharedClock;
use crate::model::{Name, SignalId, Stamp, Why, WhyCode};
use crate::probe::{Outlet, Poke, Roots, Running, Source};
use futures_util::StreamExt;
use std::sync::{Arc, Mutex, PoisonError};

/// The time of the first message that has not been looked after.
#[derive(Clone, Default)]
pub struct LastHeard(Arc<Mutex<Option<Stamp>>>);

impl LastHeard {
    /// A message came.
    pub fn hear(&self, at: Stamp) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(at);
    }
    /// The time, once.
    pub fn take(&self) -> Option<Stamp> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// Listens and hastens the probe.
pub struct Watch {
    name: Name,
    roots: Roots,
    clock: SharedClock,
    heard: LastHeard,
    poke: Poke,
}

impl Watch {
    /// For the probe behind `poke`.
    pub fn new(roots: Roots, clock: SharedClock, heard: LastHeard, poke: Poke) -> Watch {
        Watch { name: crate::probe::literal("probe.devices-hot-plug"), roots, clock, heard, poke }
    }

    async fn listen(&mut self) -> Why {
        // Without a device manager the library's watch is silent for ever; the reading every second does without it.
        if cfg!(target_os = "linux") && !self.roots.path("run/udev/control").exists() {
            tracing::debug!("no device manager: USB devices are read every second, without hot-plug messages");
            return std::future::pending().await;
        }
        let mut watch = match nusb::watch_devices() {
            Ok(w) => w,
            Err(e) => return Why::new(WhyCode::Failed, format!("no hot-plug messages: {e}")),
        };
        while watch.next().await.is_some() {
            self.heard.hear(self.clock.now());
            self.poke.now();
        }
        Why::new(WhyCode::Failed, "the hot-plug messages have ended")
    }
}

impl Source for Watch {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, _out: Outlet) -> Running<'_> {
        Box::pin(self.listen())
    }
}
