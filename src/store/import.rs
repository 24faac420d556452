//! Bringing in what was recorded elsewhere: readings at their own times, faults, and the note of the file. The same content twice
//! changes nothing; what was brought in by mistake can be taken back.
//!
//! Used by the agent through [`Writer`] while it runs, and by [`Import`] on a store that no agent holds.

use super::column::Slot;
use super::commit::{put_reasons, put_signal};
use super::errors::{At, StoreError};
use super::inbox::Item;
use super::keys::{LATEST_MS, window_of};
use super::lock::{self, StoreLock};
use super::merge::{Lines, OnSame, Put, merge, take_out};
use super::open::{open_for_import, read_reasons};
use super::pending::Reasons;
use super::reader::read_signals;
use super::scribe::Scribe;
use super::writer::{Later, Writer};
use crate::model::rows::ImportedFault;
use crate::model::{SignalDef, SignalId, Signals, UnixMs, Value, Why, WhyCode};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Readings of one signal from elsewhere, in any order.
#[derive(Clone, Debug, PartialEq)]
pub struct Foreign {
    /// What the signal is. One of the same name in the store keeps its number and definition.
    pub signal: SignalDef,
    /// Instants and values.
    pub readings: Vec<(UnixMs, Value)>,
}

/// Into the store, or out of it again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// What is there already stays as it is.
    In,
    /// Taken back: what is there at the same instant with the same value goes. Of a time of which only minutes are left, those go that
    /// hold nothing else.
    Out,
}

/// What came of an import.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Taken {
    /// Readings or faults that are new in the store, or were taken out of it.
    pub new: u64,
    /// Those that were as they should be already: there, or not there.
    pub known: u64,
}

/// A store opened for an import while no agent holds it.
pub struct Import {
    c: Connection,
    path: PathBuf,
    signals: Signals,
    reasons: Reasons,
    _lock: StoreLock,
}

/// Readings written in one transaction at most: keeps the log of the database small.
const PORTION: usize = 50_000;

impl Import {
    /// Opens the store at `path`, creating it if there is none. It must not hold invented data.
    ///
    /// # Errors
    /// As [`super::open`]; and the disk's own, since an import has nothing to go on with in memory.
    pub fn open(path: &Path, created: UnixMs) -> Result<Import, StoreError> {
        let lock = lock::take(path)?;
        let c = open_for_import(path, &lock, created)?;
        let signals = Signals::from_rows(read_signals(&c).at(path)?);
        let reasons = read_reasons(&c).at(path)?;
        Ok(Import { c, path: path.into(), signals, reasons, _lock: lock })
    }

    /// Brings in readings, or takes them back, a portion at a time; `progress` is told how many were looked at so far.
    pub fn readings(
        &mut self,
        mut all: Vec<Foreign>,
        way: Way,
        mut progress: impl FnMut(u64),
    ) -> Result<Taken, StoreError> {
        let (mut taken, mut done) = (Taken::default(), 0);
        for f in &mut all {
            check(f)?;
            f.readings.sort_by_key(|r| r.0);
            for portion in std::mem::take(&mut f.readings).chunks(PORTION) {
                let tx = self.c.transaction_with_behavior(TransactionBehavior::Immediate).at(&self.path)?;
                let part = Foreign { signal: f.signal.clone(), readings: portion.to_vec() };
                let t = put_readings(&tx, &self.signals, &mut self.reasons, &part, way).at(&self.path)?;
                tx.commit().at(&self.path)?;
                self.reasons.unsaved.clear();
                taken = Taken { new: taken.new + t.new, known: taken.known + t.known };
                done += portion.len() as u64;
                progress(done);
            }
        }
        Ok(taken)
    }

    /// Brings in faults, or takes them back.
    pub fn faults(&mut self, faults: &[ImportedFault], way: Way) -> Result<Taken, StoreError> {
        let tx = self.c.transaction_with_behavior(TransactionBehavior::Immediate).at(&self.path)?;
        let t = put_faults(&tx, faults, way).at(&self.path)?;
        tx.commit().at(&self.path)?;
        Ok(t)
    }

    /// Notes a file; whether one of this content was brought in before.
    pub fn note(
        &mut self,
        at: UnixMs,
        source: &str,
        digest: &str,
        summary: &serde_json::Value,
    ) -> Result<bool, StoreError> {
        put_note(&self.c, at, source, digest, summary).at(&self.path)
    }

    /// Forgets the note of a file; whether there was one.
    pub fn forget(&mut self, digest: &str) -> Result<bool, StoreError> {
        drop_note(&self.c, digest).at(&self.path)
    }
}

impl Writer {
    /// Brings in readings of one signal, or takes them back, while the agent runs: at most some ten thousand at a time, so that no alarm
    /// waits.
    pub fn import_readings(&self, f: Foreign, way: Way) -> Later<Taken> {
        let (s, r) = tokio::sync::oneshot::channel();
        if let Err((e, Item::Import(_, _, s))) = self.inbox().try_push(Item::Import(Box::new(f), way, s)) {
            let _ = s.send(Err(e));
        }
        r
    }

    /// Brings in faults, or takes them back, while the agent runs.
    pub fn import_faults(&self, faults: Vec<ImportedFault>, way: Way) -> Later<Taken> {
        self.job(move |tx| put_faults(tx, &faults, way).map(Ok))
    }

    /// Notes a file while the agent runs; whether one of this content was brought in before.
    pub fn import_note(&self, at: UnixMs, source: String, digest: String, summary: serde_json::Value) -> Later<bool> {
        self.job(move |tx| put_note(tx, at, &source, &digest, &summary).map(Ok))
    }

    /// Forgets the note of a file while the agent runs; whether there was one.
    pub fn import_forget(&self, digest: String) -> Later<bool> {
        self.job(move |tx| drop_note(tx, &digest).map(Ok))
    }
}

impl Scribe {
    /// Brings in readings with the numbers of signals and reasons that the agent uses, so that the two never meet; or takes them back.
    pub(super) fn import(&mut self, mut f: Foreign, way: Way) -> Result<Taken, StoreError> {
        check(&f)?;
        f.readings.sort_by_key(|r| r.0);
        self.commit();
        if let Some(t) = &self.trouble {
            return Err(t.why.clone());
        }
        let Some(disk) = &mut self.store else { return Err(StoreError::Closed) };
        let taken = (|| {
            let tx = disk.c.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let taken = put_readings(&tx, &self.stored, &mut self.reasons, &f, way)?;
            tx.commit().map(|()| taken)
        })();
        match taken {
            Ok(t) => {
                self.reasons.unsaved.clear();
                Ok(t)
            }
            Err(e) => {
                let e = StoreError::from_sql(&self.path, &e);
                self.fail(e.clone());
                Err(e)
            }
        }
    }
}

/// Instants that no store can hold are the caller's mistake, and are not bent into ones that it can.
fn check(f: &Foreign) -> Result<(), StoreError> {
    match f.readings.iter().find(|(at, _)| !(0..=LATEST_MS).contains(&at.0)) {
        Some((at, _)) => Err(StoreError::Refused(format!(
            "a reading of `{}` at {} ms since 1970 cannot be stored: readings before 1970 are not taken",
            f.signal.name, at.0
        ))),
        None => Ok(()),
    }
}

/// Writes readings in order of time, or takes them out. New signals and reasons take the next numbers of the tables given.
fn put_readings(
    tx: &Transaction,
    signals: &Signals,
    reasons: &mut Reasons,
    f: &Foreign,
    way: Way,
) -> rusqlite::Result<Taken> {
    let id = match (signals.id(&f.signal.name), way) {
        (Some(id), _) => id,
        (None, Way::In) => signals.register(f.signal.clone()),
        (None, Way::Out) => return Ok(Taken { new: 0, known: f.readings.len() as u64 }),
    };
    if let (Some(def), Way::In) = (signals.def(id), way) {
        put_signal(tx, id, &def)?;
    }
    let mut windows: BTreeMap<i64, Vec<(i64, Slot)>> = BTreeMap::new();
    for (at, v) in &f.readings {
        let slot = match v {
            Value::Known(v) if v.is_finite() => Slot::Known(v + 0.0),
            Value::Known(_) => Slot::Gone(reasons.number(&Why::new(WhyCode::Garbled, "not a number"))),
            Value::Unavailable(why) => Slot::Gone(reasons.number(why)),
        };
        let w = window_of(*at);
        windows.entry(w).or_default().push((at.0 - w * 1000, slot));
    }
    put_reasons(tx, reasons)?;
    let mut lines = Lines::default();
    let mut put = Put::new(tx, signals, &mut lines);
    put.on_same = OnSame::Leave;
    for (w, list) in windows {
        match way {
            Way::In => merge(&mut put, id, w, unsealed(tx, id, w, list)?)?,
            Way::Out => take_out(&mut put, id, w, &list)?,
        }
    }
    put.finish()?;
    Ok(Taken { new: put.taken, known: f.readings.len() as u64 - put.taken })
}

/// Leaves out what the journal holds already and is not sealed yet.
fn unsealed(
    tx: &Transaction,
    id: SignalId,
    window_s: i64,
    mut list: Vec<(i64, Slot)>,
) -> rusqlite::Result<Vec<(i64, Slot)>> {
    let mut there = std::collections::HashSet::new();
    super::query_fine::each_unsealed(tx, id, window_s, window_s, &mut |_, at, _| there.extend(at.iter().copied()))?;
    list.retain(|(at, _)| !there.contains(at));
    Ok(list)
}

fn put_faults(tx: &Transaction, faults: &[ImportedFault], way: Way) -> rusqlite::Result<Taken> {
    let mut q = tx.prepare_cached(match way {
        Way::In => "INSERT OR IGNORE INTO imported_faults (from_at, to_at, name, kind) VALUES (?, ?, ?, ?)",
        Way::Out => "DELETE FROM imported_faults WHERE from_at = ? AND to_at IS ? AND name = ? AND kind IS ?",
    })?;
    let mut t = Taken::default();
    for f in faults {
        let n = q.execute(params![f.from.0, f.to.map(|t| t.0), f.name, f.kind.map(|k| k.word())])? as u64;
        t = Taken { new: t.new + n, known: t.known + 1 - n };
    }
    Ok(t)
}

fn drop_note(c: &Connection, digest: &str) -> rusqlite::Result<bool> {
    c.execute("DELETE FROM imports WHERE digest = ?", [digest]).map(|n| n > 0)
}

fn put_note(
    c: &Connection,
    at: UnixMs,
    source: &str,
    digest: &str,
    summary: &serde_json::Value,
) -> rusqlite::Result<bool> {
    let before: bool = c.query_row("SELECT EXISTS (SELECT 1 FROM imports WHERE digest = ?)", [digest], |r| r.get(0))?;
    if !before {
        c.execute(
            "INSERT INTO imports (at, source, digest, summary) VALUES (?, ?, ?, ?)",
            params![at.0, source, digest, summary.to_string()],
        )?;
    }
    Ok(before)
}
