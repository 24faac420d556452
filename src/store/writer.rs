//! The handle to the writer's thread.

use super::commit::Job;
use super::errors::StoreError;
use super::inbox::{Inbox, Item, Write};
use super::rows_in::{GapIn, LeadUp, Rows};
use super::scribe::Scribe;
use crate::model::live::StoreNow;
use crate::model::rows::{GapRow, RemedyRow};
use crate::model::{BootMs, Span};
use rusqlite::params;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tokio::sync::oneshot;

/// A receiver of what came of a request.
pub type Later<T> = oneshot::Receiver<Result<T, StoreError>>;

/// Cheap handle to the one thread that writes. No call waits for the disk, [`Writer::close`] and [`Writer::write_patiently`] excepted.
#[derive(Clone)]
pub struct Writer(Arc<Handle>);

struct Handle(Arc<Inbox>);

impl Drop for Handle {
    fn drop(&mut self) {
        self.0.abandon();
    }
}

impl Writer {
    pub(super) fn start(scribe: Scribe) -> Result<Writer, StoreError> {
        let inbox = scribe.inbox.clone();
        std::thread::Builder::new()
            .name("store".into())
            .spawn(move || scribe.run())
            .map_err(|e| StoreError::Internal(format!("the writer's thread could not be started: {e}")))?;
        Ok(Writer(Arc::new(Handle(inbox))))
    }

    /// Hands over one cycle. What holds a transition, event, session, incident or mark is committed at once, in one transaction
    /// with all readings before it, and the receiver tells when; the rest is committed with the next interval.
    ///
    /// Never blocks. When the queue is full, the oldest fine readings in it are dropped, counted and recorded as a gap.
    /// An error in the answer means *not yet saved*: it is kept in memory and tried again.
    pub fn write(&self, w: Write) -> Option<Later<()>> {
        self.0.0.push_write(w)
    }

    /// The same, but waits while the queue is more than half full: for rehearsals and imports, which make data faster than any night.
    pub fn write_patiently(&self, w: Write) -> Option<Later<()>> {
        self.0.0.wait_for_room();
        self.0.0.push_write(w)
    }

    /// Whether the engine's state is wanted with the next quiet write. With a transition it always is.
    pub fn wants_engine_state(&self) -> bool {
        self.0.0.wants_state.load(Ordering::Relaxed)
    }

    /// How the store does.
    pub fn health(&self) -> StoreNow {
        self.0.0.now()
    }

    /// Commits everything now.
    pub fn flush(&self) -> Later<()> {
        self.job(|_| Ok(Ok(())))
    }

    /// Records a stretch that was not watched, other than those that a start records itself (a stall, a suspend).
    pub fn gap(&self, gap: GapRow, from_boot: BootMs, to_boot: BootMs) -> Later<()> {
        self.rows(Rows { gaps: vec![GapIn { gap, from_boot: Some(from_boot), to_boot }], ..Rows::default() })
    }

    /// Keeps a part (`before`, `after`) of the detailed record around an incident.
    pub fn leadup(&self, incident: i64, part: &str, body: Vec<u8>) -> Later<()> {
        self.rows(Rows { leadups: vec![LeadUp { incident, part: part.into(), body }], ..Rows::default() })
    }

    /// Keeps what is known of the installation, in place of what was kept before.
    pub fn installed(&self, facts: &BTreeMap<String, String>) -> Later<()> {
        let body = serde_json::to_vec(facts).unwrap_or_default();
        self.job(move |tx| {
            tx.execute("INSERT OR REPLACE INTO state (key, value) VALUES ('installed', ?)", [body])?;
            Ok(Ok(()))
        })
    }

    /// Adds a remedy; its number comes back. `id` of the row is not looked at.
    pub fn remedy_add(&self, r: RemedyRow) -> Later<i64> {
        self.job(move |tx| insert_remedy(tx, &r).map(Ok))
    }

    /// Removes a remedy.
    pub fn remedy_remove(&self, id: i64) -> Later<()> {
        self.job(move |tx| {
            let gone = remove_remedy_row(tx, id)?;
            Ok(if gone { Ok(()) } else { Err(StoreError::NotFound(format!("remedy {id}"))) })
        })
    }

    /// Writes everything, marks this run as ended in an orderly way and ends the thread. Waits at most `deadline`.
    ///
    /// # Errors
    /// [`StoreError::TooLate`], or why the last commit failed.
    pub fn close(&self, deadline: Span) -> Result<(), StoreError> {
        let (s, r) = std::sync::mpsc::channel();
        self.0.0.push(Item::Close(s))?;
        match r.recv_timeout(deadline.to_std()) {
            Ok(done) => done,
            Err(std::sync::mpsc::RecvTimeoutError::Timeout) => Err(StoreError::TooLate),
            Err(std::sync::mpsc::RecvTimeoutError::Disconnected) => Err(StoreError::Closed),
        }
    }

    pub(super) fn inbox(&self) -> &Inbox {
        &self.0.0
    }

    fn rows(&self, rows: Rows) -> Later<()> {
        let (s, r) = oneshot::channel();
        if let Err(e) = self.0.0.push(Item::Rows(Box::new(rows), s)) {
            let (s, r) = oneshot::channel();
            let _ = s.send(Err(e));
            return r;
        }
        r
    }

    pub(super) fn job<T: Send + 'static>(
        &self,
        f: impl FnOnce(&rusqlite::Transaction) -> rusqlite::Result<Result<T, StoreError>> + Send + 'static,
    ) -> Later<T> {
        let (s, r) = oneshot::channel();
        let job = Job::new(f, move |done| drop(s.send(done)));
        if let Err((e, Item::Job(job))) = self.0.0.try_push(Item::Job(job)) {
            job.refuse(e);
        }
        r
    }
}

/// Adds a remedy; its number comes back.
pub(super) fn insert_remedy(tx: &rusqlite::Transaction, r: &RemedyRow) -> rusqlite::Result<i64> {
    let nights = serde_json::to_string(&r.only_nights).unwrap_or_else(|_| "[]".into());
    let hard = r.hard_when.as_ref().and_then(|h| serde_json::to_string(h).ok());
    tx.execute(
        "INSERT INTO remedies (name, added, since, until, only_nights, hard_when, record_before, hindsight)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        params![r.name, r.added.0, r.since.0, r.until.map(|u| u.0), nights, hard, r.record_before.0, r.hindsight],
    )?;
    Ok(tx.last_insert_rowid())
}

/// Removes a remedy; whether there was one.
pub(super) fn remove_remedy_row(tx: &rusqlite::Transaction, id: i64) -> rusqlite::Result<bool> {
    Ok(tx.execute("DELETE FROM remedies WHERE id = ?", [id])? > 0)
}
