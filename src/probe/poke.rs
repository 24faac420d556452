//! A way to have a probe run before its time: for those who hear of a change (a process ended, a route changed) and want it
//! looked at now.

use std::fmt;
use std::sync::{Arc, OnceLock};

type Run = Box<dyn Fn() + Send + Sync>;

/// Held by a probe and by those who may hasten it. Does nothing until the sampler has bound it.
#[derive(Clone, Default)]
pub struct Poke(Arc<OnceLock<Run>>);

impl Poke {
    /// Asks for a run as soon as possible. Cheap, never blocks; several asked for before the run begins are one.
    pub fn now(&self) {
        if let Some(run) = self.0.get() {
            run();
        }
    }
    /// The sampler says how. Only the first binding holds.
    pub fn bind(&self, run: impl Fn() + Send + Sync + 'static) {
        let _ = self.0.set(Box::new(run));
    }
}

impl fmt::Debug for Poke {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Poke")
    }
}
