//! The writer's thread: takes what the agent hands over and commits it. What it does about a disk in trouble is in `disk.rs`, the
//! housekeeping in between in `upkeep.rs`.

use super::commit::{self, Job, SavedSignals};
use super::disk::{Disk, Trouble};
use super::errors::StoreError;
use super::inbox::{Answer, Inbox, Item, Write};
use super::lock::beside;
use super::open::{self, Attached, Glimpse};
use super::options::Options;
use super::pending::{Pending, Reasons};
use super::redate::Dating;
use super::rows_in::{NumberShift, Rows};
use super::seal;
use super::upkeep::Upkeep;
use crate::model::{BootMs, Event, EventKind, Name, SignalId, Signals, Stamp};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

pub(super) struct Scribe {
    pub(super) path: PathBuf,
    pub(super) options: Options,
    pub(super) inbox: Arc<Inbox>,
    /// The table that the agent uses.
    pub(super) signals: Signals,
    /// The table with the store's numbers: the same one, unless the agent began without knowing the store.
    pub(super) stored: Signals,
    /// Whether the two differ; then the store's number of each signal.
    pub(super) adopted: bool,
    pub(super) numbers: HashMap<SignalId, SignalId>,
    pub(super) saved: SavedSignals,
    pub(super) reasons: Reasons,
    pub(super) store: Option<Disk>,
    pub(super) started: Stamp,
    pub(super) run: i64,
    pub(super) shift: NumberShift,
    /// False while what stands at the path could not be read at all, so that numbers may meet those in it.
    pub(super) continues: bool,
    pub(super) pending: Pending,
    pub(super) dating: Dating,
    pub(super) trouble: Option<Trouble>,
    pub(super) upkeep: Upkeep,
    last_commit: BootMs,
    pub(super) last_state: BootMs,
    pub(super) saved_state: Vec<u8>,
    /// The engine's latest state, not yet due to be written.
    offered_state: Option<serde_json::Value>,
}

/// What a commit came to.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// Done, or kept for later.
    Over,
    /// There is a new store that it should be tried with.
    Anew,
}

impl Scribe {
    pub fn new(
        path: &Path,
        options: Options,
        signals: Signals,
        started: Stamp,
        attached: Option<Attached>,
        away: Option<(StoreError, Option<Glimpse>)>,
        set_aside: Option<PathBuf>,
    ) -> Scribe {
        let mut s = Scribe {
            path: path.into(),
            inbox: Arc::new(Inbox::new(&options)),
            upkeep: Upkeep::new(&options, started),
            options,
            stored: signals.clone(),
            signals,
            adopted: false,
            numbers: HashMap::new(),
            saved: SavedSignals::default(),
            reasons: Reasons::default(),
            store: None,
            started,
            run: 0,
            shift: NumberShift::default(),
            continues: true,
            pending: Pending::default(),
            dating: Dating::new(started, None),
            trouble: None,
            last_commit: started.boot,
            last_state: BootMs(i64::MIN / 2),
            saved_state: vec![],
            offered_state: None,
        };
        if let Some(aside) = set_aside {
            s.tell("set_aside", open::said_aside(&aside));
        }
        if let Some(a) = attached {
            s.dating = Dating::new(started, a.begun.last_seen);
            s.take_over(a);
        }
        if let Some((why, glimpse)) = away {
            s.continues = glimpse.is_some();
            if let Some(g) = glimpse {
                s.reasons = g.reasons;
            }
            s.in_trouble(why);
        }
        s
    }

    /// Runs until it is closed or no handle is left.
    pub fn run(mut self) {
        let patience = self.options.commit_every.to_std().clamp(Duration::from_millis(50), Duration::from_secs(10));
        let mut more_to_do = false;
        loop {
            let taken = self.inbox.take(if more_to_do { Duration::ZERO } else { patience });
            if let Some(d) = taken.dropped {
                self.pending.lost(d);
            }
            let mut urgent = false;
            for item in taken.items {
                match item {
                    Item::Write(w, answer) => urgent |= self.hand_over(*w, answer),
                    Item::Rows(rows, answer) => {
                        self.pending.rows.append(*rows);
                        self.pending.answers.push(answer);
                        urgent = true;
                    }
                    Item::Job(job) => {
                        self.commit();
                        urgent = false;
                        self.work(job);
                    }
                    Item::Import(f, way, answer) => {
                        let _ = answer.send(self.import(*f, way));
                        urgent = false;
                    }
                    Item::Checked(found) => self.checked(found),
                    Item::Close(done) => {
                        let result = self.close();
                        self.publish();
                        self.inbox.end();
                        let _ = done.send(result);
                        return;
                    }
                }
            }
            let now = self.options.clock.now();
            if urgent || (!self.pending.is_empty() && now.boot >= self.last_commit + self.options.commit_every) {
                self.commit();
            }
            if taken.abandoned {
                self.commit();
                self.inbox.end();
                return;
            }
            more_to_do = self.keep_house(now);
            self.publish();
        }
    }

    /// Takes one cycle; whether it must be committed at once.
    fn hand_over(&mut self, w: Write, answer: Option<Answer>) -> bool {
        let Write { mut batch, outcome, engine_state } = w;
        let urgent = answer.is_some();
        for fix in self.dating.look(&batch, &self.signals) {
            self.pending.redate(fix, &self.stored, &mut self.reasons);
        }
        if self.adopted {
            self.renumber();
        }
        for r in &mut batch.readings {
            r.at.wall.0 = self.dating.wall(r.at);
            if let Some(&n) = self.numbers.get(&r.signal) {
                r.signal = n;
            }
        }
        self.pending.push(batch.at, batch.readings, &self.stored, &mut self.reasons);
        let mut events = batch.events;
        // The engine may hand an event of the batch on; it is stored once.
        let own: Vec<Event> = outcome.events.into_iter().filter(|e| !events.contains(e)).collect();
        events.extend(own);
        self.pending.rows.append(Rows {
            transitions: outcome.transitions,
            events,
            sessions: outcome.sessions.into_iter().map(|s| (s.id, s)).collect(),
            incidents: outcome.incidents.into_iter().map(|i| (i.id, i)).collect(),
            marks: outcome.marks,
            ..Rows::default()
        });
        self.pending.answers.extend(answer);
        if engine_state.is_some() {
            self.offered_state = engine_state;
        }
        if urgent || batch.at.boot >= self.last_state + self.options.state_every {
            self.take_state(batch.at.boot);
        }
        urgent
    }

    /// Has the engine's latest state written with the next commit, if it differs from what is stored.
    fn take_state(&mut self, at: BootMs) {
        let Some(state) = self.offered_state.take() else { return };
        if let Ok(body) = serde_json::to_vec(&state) {
            self.pending.state = (body != self.saved_state).then_some(body);
        }
        self.last_state = at;
    }

    /// An event about the store itself.
    pub(super) fn tell(&mut self, state: &str, text: String) {
        if let Ok(thing) = Name::new("store.this") {
            let e = Event::new(self.options.clock.now(), thing, EventKind::StoreState, text)
                .with("state", state)
                .with("dropped", self.pending.dropped_total);
            self.pending.rows.events.push(e);
        }
    }

    /// Writes all that waits, or keeps it.
    pub(super) fn commit(&mut self) {
        // A damaged store is set aside and a new one begun: then what waits goes there at once.
        if self.try_commit() == Outcome::Anew {
            self.try_commit();
        }
    }

    fn try_commit(&mut self) -> Outcome {
        let now = self.options.clock.now();
        self.last_commit = now.boot;
        self.inbox.next_commit.store((now.boot + self.options.commit_every).0, Ordering::Relaxed);
        self.inbox.wants_state.store(now.boot >= self.last_state + self.options.state_every, Ordering::Relaxed);
        self.pending.pack(&self.stored, &mut self.reasons);
        if let Err(why) = self.ready(now) {
            self.keep(&why);
            return Outcome::Over;
        }
        let fresh = self.saved.fresh(&self.stored);
        let Some(disk) = &mut self.store else { return Outcome::Over };
        let dating = &self.dating;
        let what = commit::What {
            run: self.run,
            fresh: &fresh,
            reasons: &self.reasons,
            pending: &self.pending,
            shift: self.shift,
            date: &|at| dating.wall(at),
            signals: &self.stored,
        };
        match commit::put_all(&mut disk.c, &what) {
            Ok(()) => {
                self.saved.saved(fresh);
                self.reasons.unsaved.clear();
                self.pending.written();
                if let Some(s) = self.pending.state.take() {
                    self.saved_state = s;
                }
                self.inbox.set_now(|n| (n.last_commit, n.well) = (Some(now.wall), true));
                for a in self.pending.answers.drain(..) {
                    let _ = a.send(Ok(()));
                }
                self.well_again();
                Outcome::Over
            }
            Err(e) => {
                self.fail(StoreError::from_sql(&self.path, &e));
                if self.store.is_some() && self.trouble.is_none() { Outcome::Anew } else { Outcome::Over }
            }
        }
    }

    fn work(&mut self, job: Job) {
        match (&mut self.store, &self.trouble) {
            (Some(disk), None) => {
                if let Err(e) = job.run(&mut disk.c, &self.path) {
                    self.fail(e);
                }
            }
            (_, Some(t)) => job.refuse(t.why.clone()),
            (None, None) => job.refuse(StoreError::Closed),
        }
    }

    fn close(&mut self) -> Result<(), StoreError> {
        if let Some(t) = &mut self.trouble {
            t.retry_at = BootMs(i64::MIN);
        }
        self.take_state(self.options.clock.now().boot);
        self.commit();
        if let Some(t) = &self.trouble {
            return Err(t.why.clone());
        }
        let now = self.options.clock.now();
        let Some(mut disk) = self.store.take() else { return Err(StoreError::Closed) };
        if self.options.seal_every.is_none() {
            seal::everything(&mut disk.c, now.wall, &self.stored).map_err(|e| StoreError::from_sql(&self.path, &e))?;
        }
        disk.c
            .execute(
                "UPDATE runs SET ended = 'clean', last_seen = ?, last_seen_boot = ? WHERE id = ?",
                [self.dating.wall(now), now.boot.0, self.run],
            )
            .map_err(|e| StoreError::from_sql(&self.path, &e))?;
        // Tidying up must not wait for somebody who reads; the next start does it then.
        let _ = disk.c.busy_timeout(Duration::ZERO);
        let _ = disk.c.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)");
        disk.c.close().map_err(|(_, e)| StoreError::from_sql(&self.path, &e))
    }

    fn publish(&mut self) {
        let bytes = ["", "-wal", "-shm"]
            .iter()
            .filter_map(|end| std::fs::metadata(beside(&self.path, end)).ok())
            .map(|m| m.len())
            .sum();
        let (waiting, dropped) = (self.pending.readings(), self.pending.dropped_total);
        let because = self.trouble.as_ref().map(|t| t.why.to_string());
        self.inbox.set_now(|n| {
            n.well = because.is_none();
            n.because = because.unwrap_or_default();
            n.waiting = waiting;
            n.dropped = dropped;
            n.bytes = bytes;
        });
    }
}
