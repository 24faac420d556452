//! What every handler shares.

use super::auth::keys::KeyFile;
use super::auth::slow::Slow;
use super::page::Pictures;
use super::{Serving, readers};
use crate::config::Config;
use crate::model::{Live, UnixMs};
use std::sync::{Arc, Mutex};
use tokio::sync::{Semaphore, watch};

/// At most so many open event streams.
pub const STREAMS: usize = 16;

/// Shared by all handlers; cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Inner>);

pub struct Inner {
    /// What the agent gave.
    pub serving: Serving,
    /// True once the stop signal came.
    pub stop: watch::Receiver<bool>,
    /// Permits for event streams.
    pub streams: Arc<Semaphore>,
    /// Permits for reading the store.
    pub readers: Arc<Semaphore>,
    /// One report at a time is made in a process of its own.
    pub reports: Arc<Semaphore>,
    /// Tokens, paired browsers and codes.
    pub keys: KeyFile,
    /// Failed tries by address.
    pub slow: Mutex<Slow>,
    /// The pictures of the night so far.
    pub pictures: Pictures,
}

impl std::ops::Deref for App {
    type Target = Inner;
    fn deref(&self) -> &Inner {
        &self.0
    }
}

impl App {
    /// The shared state of one server.
    pub fn new(serving: Serving, stop: watch::Receiver<bool>) -> App {
        let keys = KeyFile::in_dir(&serving.state_dir);
        App(Arc::new(Inner {
            serving,
            stop,
            streams: Arc::new(Semaphore::new(STREAMS)),
            readers: Arc::new(Semaphore::new(readers::AT_ONCE)),
            reports: Arc::new(Semaphore::new(1)),
            keys,
            slow: Mutex::new(Slow::default()),
            pictures: Pictures::default(),
        }))
    }
    /// The present as last published.
    pub fn live(&self) -> Arc<Live> {
        self.serving.live.borrow().clone()
    }
    /// The configuration in force.
    pub fn config(&self) -> Arc<Config> {
        self.serving.config.borrow().clone()
    }
    /// The wall clock.
    pub fn now(&self) -> UnixMs {
        self.serving.clock.now().wall
    }
    /// How old the published present is, in milliseconds, measured since boot so that a stepped wall clock does not
    /// matter. None before the first cycle.
    pub fn age_ms(&self, live: &Live) -> Option<i64> {
        (live.cycle > 0).then(|| (self.serving.clock.now().boot - live.at.boot).0.max(0))
    }
}
