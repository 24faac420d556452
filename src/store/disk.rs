//! A disk in trouble: what is kept, when it is tried again, and what happens to a damaged or vanished store.
//!
//! Full or locked: the connection stays and the next try may succeed. Anything else (read-only, input/output errors, a mount
//! that went away): the store is closed and opened again by its path. Damaged: set aside, a new one is begun. Vanished: written anew
//! from the connection that still has it.

use super::commit::SavedSignals;
use super::errors::StoreError;
use super::lock::StoreLock;
use super::open::{self, Attached};
use super::scribe::Scribe;
use super::{health, journal};
use crate::model::{BootMs, SignalDef, SignalId, Signals, Span, Stamp};
use rusqlite::Connection;
use std::path::Path;

/// Shortest and longest wait before a disk in trouble is tried again.
const RETRY: (Span, Span) = (Span::secs(2), Span::secs(60));

/// An open store.
pub(super) struct Disk {
    pub c: Connection,
    _lock: StoreLock,
    /// What tells the file from another one of the same name.
    file: Option<FileId>,
}

pub(super) struct Trouble {
    pub why: StoreError,
    pub retry_at: BootMs,
    wait: Span,
}

/// Which file stands at a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FileId(u64, u64);

#[cfg(unix)]
fn file_id(path: &Path) -> Option<FileId> {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).ok().map(|m| FileId(m.dev(), m.ino()))
}

/// An open file cannot be removed or replaced there.
#[cfg(not(unix))]
fn file_id(_: &Path) -> Option<FileId> {
    None
}

impl Scribe {
    pub(super) fn take_over(&mut self, a: Attached) {
        self.run = a.begun.run;
        let file = file_id(&self.path);
        if self.continues {
            // What this run met before it had the store keeps its numbers; they continue those in it.
            if self.reasons.is_empty() {
                self.reasons = a.reasons;
            }
        } else {
            self.adopt(&a);
        }
        self.continues = true;
        self.store = Some(Disk { c: a.c, _lock: a.lock, file });
    }

    /// Fits what was gathered without knowing the store to the numbers that are in it.
    fn adopt(&mut self, a: &Attached) {
        self.stored = Signals::from_rows(a.signals.clone());
        self.adopted = true;
        self.renumber();
        let mine = std::mem::take(&mut self.reasons).by_number();
        self.reasons = a.reasons.again();
        for p in &mut self.pending.packed {
            let signal = |s: SignalId| self.numbers.get(&s).copied().unwrap_or(s);
            let reasons = &mut self.reasons;
            let mut reason = |n: u32| mine.get(&n).map_or(0, |w| reasons.number(w));
            if let Some(body) = journal::renumber(&p.body, p.window_s, signal, &mut reason, &self.signals) {
                p.body = body;
            }
        }
        self.shift = a.latest;
    }

    /// Gives every signal in memory its number in the store.
    pub(super) fn renumber(&mut self) {
        for (id, def) in self.signals.all() {
            let there = self.stored.register(SignalDef::clone(&def));
            self.numbers.insert(id, there);
        }
    }

    /// Makes sure that there is a store to write to, or says why not.
    pub(super) fn ready(&mut self, now: Stamp) -> Result<(), StoreError> {
        if let Some(t) = self.trouble.as_ref().filter(|t| now.boot < t.retry_at) {
            return Err(t.why.clone());
        }
        if self.store.is_some() && !self.stands() {
            self.rescue();
        }
        if self.store.is_none() {
            match open::attach(&self.path, &self.options, self.started) {
                Ok(a) => self.take_over(a),
                Err(e) => {
                    self.fail(e.clone());
                    if self.store.is_none() {
                        return Err(e);
                    }
                }
            }
        }
        Ok(())
    }

    /// Whether the file at the path is still the one that is open.
    fn stands(&self) -> bool {
        self.store.as_ref().is_some_and(|d| d.file.is_none() || d.file == file_id(&self.path))
    }

    /// The file was deleted or another one put in its place under the running agent. A deleted one is written anew from the
    /// connection that still has it; one put in its place (a copy brought back) is used as it is.
    fn rescue(&mut self) {
        let Some(disk) = self.store.take() else { return };
        self.forget();
        if self.path.exists() {
            self.tell("replaced", "another file was put in place of the store; the agent goes on in that one".into());
            return;
        }
        let saved = disk.c.backup(rusqlite::MAIN_DB, &self.path, None);
        let how = match saved {
            Ok(()) => "it was written anew with all that was in it".to_string(),
            Err(e) => format!("it could not be written anew ({e}), so a new one was begun"),
        };
        self.tell("vanished", format!("the store was deleted while the agent ran; {how}"));
    }

    /// Nothing that was stored before is known to be in the store that comes next.
    fn forget(&mut self) {
        self.saved = SavedSignals::default();
        self.reasons.forget_saved();
        self.saved_state = vec![];
        self.last_state = BootMs(i64::MIN / 2);
        self.upkeep.forget();
    }

    /// Something failed: sorts out what to do, and keeps what waits.
    pub(super) fn fail(&mut self, e: StoreError) {
        if e.is_damage() {
            self.store = None;
            let now = self.options.clock.now().wall;
            match health::set_aside(&self.path, now) {
                Ok(aside) => self.tell("set_aside", open::said_aside(&aside)),
                Err(io) => return self.in_trouble(StoreError::from_io(&self.path, &io)),
            }
            self.forget();
            match open::attach(&self.path, &self.options, self.started) {
                Ok(a) => return self.take_over(a),
                Err(e) => return self.in_trouble(e),
            }
        }
        if !matches!(e, StoreError::Full { .. } | StoreError::Busy { .. }) {
            self.store = None;
            self.upkeep.forget();
        }
        self.in_trouble(e);
    }

    pub(super) fn in_trouble(&mut self, why: StoreError) {
        let now = self.options.clock.now().boot;
        let wait = match &self.trouble {
            None => RETRY.0,
            Some(t) => Span((t.wait.0 * 2).min(RETRY.1.0)),
        };
        if self.trouble.is_none() {
            self.tell("trouble", why.to_string());
        }
        self.inbox.set_now(|n| (n.well, n.because) = (false, why.to_string()));
        self.keep(&why);
        self.trouble = Some(Trouble { why, retry_at: now + wait, wait });
    }

    /// Answers those who wait, and keeps what waits within its bound.
    pub(super) fn keep(&mut self, why: &StoreError) {
        for a in self.pending.answers.drain(..) {
            let _ = a.send(Err(why.clone()));
        }
        self.pending.bound(self.options.waiting_bytes);
    }

    /// A commit succeeded.
    pub(super) fn well_again(&mut self) {
        if let Some(t) = self.trouble.take() {
            self.tell("well", format!("the store can be written again (it could not: {})", t.why));
        }
    }
}
