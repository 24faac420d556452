//! One commit: everything that waits, in one immediate transaction.

use super::errors::StoreError;
use super::pending::{Pending, Reasons};
use super::redate;
use super::rows_in::{GapIn, NumberShift, put_gap};
use crate::model::rows::GapRow;
use crate::model::{BySignal, SignalDef, SignalId, Signals, Stamp};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::path::Path;
use std::sync::Arc;

/// Gives the answer, once it is known whether the commit succeeded.
type Done = Box<dyn FnOnce(Result<(), StoreError>) + Send>;
/// Writes; an error is rolled back.
type Work = dyn FnOnce(Result<&Transaction, StoreError>, &Path) -> Result<Done, (Done, StoreError)> + Send;

/// A piece of writing that is not the engine's (a remedy, an import), done in a transaction of its own.
pub(super) struct Job(Box<Work>);

impl Job {
    /// `f` writes and makes the answer, which is given once the commit has succeeded, or the error if anything failed.
    pub fn new<T: Send + 'static>(
        f: impl FnOnce(&Transaction) -> rusqlite::Result<Result<T, StoreError>> + Send + 'static,
        answer: impl FnOnce(Result<T, StoreError>) + Send + 'static,
    ) -> Job {
        Job(Box::new(move |tx, path| {
            let outcome = tx.and_then(|tx| f(tx).map_err(|e| StoreError::from_sql(path, &e)).flatten());
            match outcome {
                Ok(v) => Ok(Box::new(move |committed: Result<(), StoreError>| answer(committed.map(|()| v)))),
                Err(e) => {
                    let said = e.clone();
                    Err((Box::new(move |_| answer(Err(said))), e))
                }
            }
        }))
    }

    /// Answers without doing anything.
    pub fn refuse(self, e: StoreError) {
        match (self.0)(Err(e.clone()), Path::new("")) {
            Ok(done) | Err((done, _)) => done(Err(e)),
        }
    }

    /// Does it; an error of the disk is handed back too, for the writer to act on.
    pub fn run(self, c: &mut Connection, path: &Path) -> Result<(), StoreError> {
        let tx = match c.transaction_with_behavior(TransactionBehavior::Immediate) {
            Ok(tx) => tx,
            Err(e) => {
                let e = StoreError::from_sql(path, &e);
                self.refuse(e.clone());
                return Err(e);
            }
        };
        match (self.0)(Ok(&tx), path) {
            Ok(done) => {
                let committed = tx.commit().map_err(|e| StoreError::from_sql(path, &e));
                done(committed.clone());
                committed
            }
            Err((done, e)) => {
                drop(tx);
                done(Err(e.clone()));
                if e.is_damage() || e.is_passing() { Err(e) } else { Ok(()) }
            }
        }
    }
}

/// Which definitions of signals the store already holds.
#[derive(Debug, Default)]
pub(super) struct SavedSignals(BySignal<Arc<SignalDef>>);

impl SavedSignals {
    /// Those that are new or were defined anew.
    pub fn fresh(&self, signals: &Signals) -> Vec<(SignalId, Arc<SignalDef>)> {
        let mut all = signals.all();
        all.retain(|(id, def)| self.0.get(id).is_none_or(|d| !Arc::ptr_eq(d, def)));
        all
    }

    /// They are stored now.
    pub fn saved(&mut self, fresh: Vec<(SignalId, Arc<SignalDef>)>) {
        self.0.extend(fresh);
    }
}

/// Journal rows are numbered so far apart, so that one can fall into two windows in place when it is dated anew.
pub(super) const ROW_SPACING: i64 = 16;

/// What goes into one commit.
pub(super) struct What<'a> {
    pub run: i64,
    pub fresh: &'a [(SignalId, Arc<SignalDef>)],
    pub reasons: &'a Reasons,
    pub pending: &'a Pending,
    pub shift: NumberShift,
    /// The wall time that an instant is stored under.
    pub date: &'a dyn Fn(Stamp) -> i64,
    pub signals: &'a Signals,
}

/// Writes all that waits. On success the caller clears it.
pub(super) fn put_all(c: &mut Connection, what: &What) -> rusqlite::Result<()> {
    let What { run, pending, .. } = *what;
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for fix in &pending.fixes {
        redate::apply(&tx, run, *fix, what.signals)?;
    }
    for (id, def) in what.fresh {
        put_signal(&tx, *id, def)?;
    }
    put_reasons(&tx, what.reasons)?;
    for p in &pending.packed {
        tx.prepare_cached(
            "INSERT INTO journal (id, run, window_s, at, boot_offset, body)
             VALUES ((SELECT coalesce(max(id), 0) + ?1 FROM journal) / ?1 * ?1, ?, ?, ?, ?, ?)",
        )?
        .execute(params![ROW_SPACING, run, p.window_s, p.at.0, p.boot_offset, p.body])?;
    }
    if let Some(d) = pending.dropped {
        let gap = GapRow { from: d.from.wall, to: d.to.wall, why: "dropped".into() };
        put_gap(&tx, run, what.date, &GapIn { gap, from_boot: Some(d.from.boot), to_boot: d.to.boot })?;
    }
    pending.rows.put(&tx, run, what.shift, what.date)?;
    if let Some(s) = &pending.state {
        tx.prepare_cached("INSERT OR REPLACE INTO state (key, value) VALUES ('engine', ?)")?.execute([s])?;
    }
    tx.commit()
}

pub(super) fn put_reasons(tx: &Transaction, reasons: &Reasons) -> rusqlite::Result<()> {
    for (id, why) in &reasons.unsaved {
        tx.prepare_cached("INSERT OR IGNORE INTO reasons (id, code, text) VALUES (?, ?, ?)")?.execute(params![
            id,
            why.code as u8,
            why.text.as_ref()
        ])?;
    }
    Ok(())
}

pub(super) fn put_signal(tx: &Transaction, id: SignalId, def: &SignalDef) -> rusqlite::Result<()> {
    tx.prepare_cached(
        "INSERT INTO signals (id, name, unit, resolution, low, high, what, place) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
         ON CONFLICT (id) DO UPDATE SET name = excluded.name, unit = excluded.unit, resolution = excluded.resolution,
         low = excluded.low, high = excluded.high, what = excluded.what, place = excluded.place",
    )?
    .execute(params![
        id.0,
        def.name.as_str(),
        def.unit.code(),
        def.resolution,
        def.low,
        def.high,
        def.what,
        def.place
    ])?;
    Ok(())
}
