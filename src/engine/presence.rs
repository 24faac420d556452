//! Whether a watched thing is there, from what the kernel told and what was polled.

use super::exit::Exit;
use crate::model::{BootMs, Span, Stamp, UnixMs};
use serde::{Deserialize, Serialize};

/// What is known of one thing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Presence {
    /// There or not; none: never read.
    pub up: Option<bool>,
    /// Since when.
    pub since: Option<Stamp>,
    /// Last known reading.
    pub read: Option<BootMs>,
    /// Last event about it; older readings say nothing new.
    pub event: Option<BootMs>,
    /// Since when it cannot be read, and why.
    pub unread: Option<(Stamp, String)>,
    /// Signs of life that are missing: their names, with since when.
    pub missing: Vec<(String, Stamp)>,
    /// How it ended.
    pub exit: Option<Exit>,
    /// On a slower bus than it should be: the words.
    pub slow: Option<String>,
    /// Broken according to its own log: the words and since when.
    pub log: Option<(UnixMs, String)>,
    /// Was there in the present session.
    pub seen: bool,
    /// Nothing was heard of it for too long.
    pub old: bool,
}

impl Presence {
    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        let stamps = self.since.iter_mut().chain(self.missing.iter_mut().map(|m| &mut m.1));
        stamps.for_each(|t| t.boot = t.boot + by);
        for t in [&mut self.read, &mut self.event].into_iter().flatten() {
            *t = *t + by;
        }
        if let Some((t, _)) = &mut self.unread {
            t.boot = t.boot + by;
        }
    }

    /// Whether anything is known now.
    pub fn known(&self) -> bool {
        self.up.is_some() && self.unread.is_none() && !self.old
    }
}
