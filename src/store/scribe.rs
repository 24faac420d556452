//! The writer's thread: takes what the agent hands over, commits it, and keeps house in small slices in between.

use super::commit::{self, SavedSignals};
use super::errors::StoreError;
use super::health;
use super::inbox::{Answer, Inbox, Item, Write};
use super::lock::{StoreLock, beside};
use super::open::{self, Attached, Glimpse};
use super::options::Options;
use super::pending::{Pending, Reasons};
use super::redate::Dating;
use super::rows_in::{GapIn, NumberShift, Rows};
use crate::model::rows::GapRow;
use crate::model::{BootMs, Event, EventKind, Name, Signals, Span, Stamp};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Shortest and longest wait before a disk in trouble is tried again.
const RETRY: (Span, Span) = (Span::secs(2), Span::secs(60));

pub(super) struct Scribe {
    pub(super) path: PathBuf,
    pub(super) options: Options,
    inbox: Arc<Inbox>,
    pub(super) signals: Signals,
    saved: SavedSignals,
    pub(super) reasons: Reasons,
    pub(super) store: Option<Disk>,
    started: Stamp,
    pub(super) run: i64,
    shift: NumberShift,
    pub(super) pending: Pending,
    pub(super) dating: Dating,
    trouble: Option<Trouble>,
    last_commit: BootMs,
    last_state: BootMs,
    saved_state: Vec<u8>,
}

/// An open store.
pub(super) struct Disk {
    pub c: Connection,
    _lock: StoreLock,
}

struct Trouble {
    why: StoreError,
    retry_at: BootMs,
    wait: Span,
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
            options,
            signals,
            saved: SavedSignals::default(),
            reasons: Reasons::default(),
            store: None,
            started,
            run: 0,
            shift: NumberShift::default(),
            pending: Pending::default(),
            dating: Dating::default(),
            trouble: None,
            last_commit: started.boot,
            last_state: BootMs(i64::MIN / 2),
            saved_state: vec![],
        };
        if let Some(aside) = set_aside {
            s.tell("set_aside", open::said_aside(&aside));
        }
        if let Some(a) = attached {
            s.take_over(a);
        }
        if let Some((why, glimpse)) = away {
            if let Some(g) = glimpse {
                s.reasons = g.reasons;
            }
            s.in_trouble(why);
        }
        s
    }

    pub fn inbox(&self) -> Arc<Inbox> {
        self.inbox.clone()
    }

    fn take_over(&mut self, a: Attached) {
        self.run = a.begun.run;
        self.reasons = a.reasons;
        self.store = Some(Disk { c: a.c, _lock: a.lock });
    }

    /// Runs until it is closed or no handle is left.
    pub fn run(mut self) {
        let patience = self.options.commit_every.to_std().clamp(Duration::from_millis(50), Duration::from_secs(10));
        loop {
            let taken = self.inbox.take(patience);
            if let Some(d) = taken.dropped {
                self.pending.lost(d);
            }
            let mut urgent = false;
            for item in taken.items {
                match item {
                    Item::Write(w, answer) => urgent |= self.hand_over(*w, answer),
                    Item::Rows(rows, answer) => {
                        self.add_rows(*rows);
                        self.pending.answers.push(answer);
                        urgent = true;
                    }
                    Item::Job(job) => {
                        self.commit();
                        urgent = false;
                        self.work(job);
                    }
                    Item::Checked(Err(e)) if e.is_damage() => self.fail(e),
                    Item::Checked(_) => {}
                    Item::Close(done) => {
                        let result = self.close();
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
            self.publish();
        }
    }

    /// Takes one cycle; whether it must be committed at once.
    fn hand_over(&mut self, w: Write, answer: Option<Answer>) -> bool {
        let Write { batch, outcome, engine_state } = w;
        let urgent = answer.is_some();
        self.pending.push(batch.at, batch.readings, &self.signals, &mut self.reasons);
        let mut events = batch.events;
        events.extend(outcome.events.into_iter().filter(|e| !events.contains(e)).collect::<Vec<_>>());
        self.add_rows(Rows {
            transitions: outcome.transitions,
            events,
            sessions: outcome.sessions.into_iter().map(|s| (s.id, s)).collect(),
            incidents: outcome.incidents.into_iter().map(|i| (i.id, i)).collect(),
            marks: outcome.marks,
            ..Rows::default()
        });
        self.pending.answers.extend(answer);
        if let Some(state) = engine_state {
            let quiet_due = batch.at.boot >= self.last_state + self.options.state_every;
            if urgent || quiet_due {
                if let Ok(body) = serde_json::to_vec(&state) {
                    self.pending.state = (body != self.saved_state).then_some(body);
                }
                self.last_state = batch.at.boot;
            }
        }
        urgent
    }

    fn add_rows(&mut self, mut more: Rows) {
        let r = &mut self.pending.rows;
        r.transitions.append(&mut more.transitions);
        r.events.append(&mut more.events);
        r.sessions.append(&mut more.sessions);
        r.incidents.append(&mut more.incidents);
        r.marks.append(&mut more.marks);
        r.gaps.append(&mut more.gaps);
        r.leadups.append(&mut more.leadups);
    }

    /// An event about the store itself.
    fn tell(&mut self, state: &str, text: String) {
        if let Ok(thing) = Name::new("store.this") {
            let e = Event::new(self.options.clock.now(), thing, EventKind::StoreState, text)
                .with("state", state)
                .with("dropped", self.pending.dropped_total);
            self.pending.rows.events.push(e);
        }
    }

    /// Writes all that waits, or keeps it.
    fn commit(&mut self) {
        let now = self.options.clock.now();
        self.last_commit = now.boot;
        self.inbox.next_commit.store((now.boot + self.options.commit_every).0, Ordering::Relaxed);
        self.inbox.wants_state.store(now.boot >= self.last_state + self.options.state_every, Ordering::Relaxed);
        self.pending.pack(&self.signals, &mut self.reasons);
        if let Some(t) = &self.trouble {
            if now.boot < t.retry_at {
                return self.keep(t.why.clone());
            }
        }
        if self.store.is_none() {
            match open::attach(&self.path, &self.options, self.started) {
                Ok(a) => self.take_over(a),
                Err(e) => return self.fail(e),
            }
        }
        if let Some(d) = self.pending.dropped.take() {
            self.pending.rows.gaps.push(GapIn {
                gap: GapRow { from: d.from.wall, to: d.to.wall, why: "dropped".into() },
                from_boot: Some(d.from.boot),
                to_boot: d.to.boot,
            });
        }
        let fresh = self.saved.fresh(&self.signals);
        let Some(disk) = &mut self.store else { return };
        let dating = &self.dating;
        let put = commit::put_all(&mut disk.c, self.run, &fresh, &self.reasons, &self.pending, self.shift, &|at| {
            dating.wall(at)
        });
        match put {
            Ok(()) => {
                self.saved.saved(fresh);
                self.reasons.unsaved.clear();
                self.pending.packed.clear();
                self.pending.rows = Rows::default();
                if let Some(s) = self.pending.state.take() {
                    self.saved_state = s;
                }
                for a in self.pending.answers.drain(..) {
                    let _ = a.send(Ok(()));
                }
                self.inbox.set_now(|n| n.last_commit = Some(now.wall));
                if let Some(t) = self.trouble.take() {
                    self.tell("well", format!("the store can be written again; it could not because {}", t.why));
                }
            }
            Err(e) => self.fail(StoreError::from_sql(&self.path, &e)),
        }
    }

    fn work(&mut self, job: commit::Job) {
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

    /// A commit failed: sorts out what to do, and keeps what waits.
    fn fail(&mut self, e: StoreError) {
        if e.is_damage() {
            self.store = None;
            match health::set_aside(&self.path, self.options.clock.now().wall) {
                Ok(aside) => self.tell("set_aside", open::said_aside(&aside)),
                Err(io) => return self.in_trouble(StoreError::from_io(&self.path, &io)),
            }
            self.saved = SavedSignals::default();
            self.reasons.forget_saved();
            match open::attach(&self.path, &self.options, self.started) {
                Ok(a) => {
                    let reasons = std::mem::take(&mut self.reasons);
                    self.take_over(a);
                    self.reasons = reasons;
                    return;
                }
                Err(e) => return self.in_trouble(e),
            }
        }
        // A full disk or a lock passes, and the connection stays good; anything else needs the path to be opened anew.
        if !matches!(e, StoreError::Full { .. } | StoreError::Busy { .. }) {
            self.store = None;
        }
        self.in_trouble(e);
    }

    fn in_trouble(&mut self, why: StoreError) {
        let now = self.options.clock.now().boot;
        let wait = match &self.trouble {
            None => RETRY.0,
            Some(t) => Span((t.wait.0 * 2).min(RETRY.1.0)),
        };
        if self.trouble.is_none() {
            self.tell("trouble", why.to_string());
        }
        self.trouble = Some(Trouble { why: why.clone(), retry_at: now + wait, wait });
        self.keep(why);
    }

    /// Answers those who wait, and keeps what waits within its bound.
    fn keep(&mut self, why: StoreError) {
        for a in self.pending.answers.drain(..) {
            let _ = a.send(Err(why.clone()));
        }
        self.pending.bound(self.options.waiting_bytes);
    }

    fn close(&mut self) -> Result<(), StoreError> {
        if let Some(t) = &mut self.trouble {
            t.retry_at = BootMs(i64::MIN);
        }
        self.commit();
        if let Some(t) = &self.trouble {
            return Err(t.why.clone());
        }
        let now = self.options.clock.now();
        let Some(disk) = self.store.take() else { return Err(StoreError::Closed) };
        let clean =
            disk.c.execute("UPDATE runs SET ended = 'clean', last_seen = ? WHERE id = ?", [now.wall.0, self.run]);
        clean.map_err(|e| StoreError::from_sql(&self.path, &e))?;
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
