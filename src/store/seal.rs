//! Sealing: readings move from the journal into pieces of ten minutes and into minutes.
//!
//! A pass covers all journal rows up to one of a finished window. It goes signal by signal in small transactions, so that an alarm never
//! waits for it; how far it has come is in the table `sealing`, in the same transactions, so that readers count nothing twice
//! and a crash in the middle loses nothing.

use super::column::Slot;
use super::journal;
use super::keys::{WINDOW_S, window_of};
use super::merge::{Lines, Put, merge};
use crate::model::{SignalId, Signals, UnixMs};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use std::collections::{BTreeMap, BTreeSet};

/// Signals in one slice.
const SIGNALS: usize = 8;
/// Journal rows in one pass at most: bounds the memory of a slice.
const ROWS: i64 = 420;

/// A pass under way.
#[derive(Debug)]
pub(super) struct Pass {
    through_row: i64,
    /// Signals still to be done, in order of their numbers.
    left: Vec<SignalId>,
}

/// The pass that was interrupted, or a new one if the journal's oldest row is at least `behind_s` older than the present window.
pub(super) fn begin(c: &Connection, now: UnixMs, behind_s: i64) -> rusqlite::Result<Option<Pass>> {
    pass(c, now, behind_s, ROWS)
}

/// Seals all windows before the present one, each as a whole, however long that takes.
pub(super) fn everything(c: &mut Connection, now: UnixMs, signals: &Signals) -> rusqlite::Result<()> {
    while let Some(mut p) = pass(c, now, 0, i64::MAX)? {
        while !step(c, &mut p, signals)? {}
    }
    Ok(())
}

fn pass(c: &Connection, now: UnixMs, behind_s: i64, most: i64) -> rusqlite::Result<Option<Pass>> {
    let (mut through_row, through_signal): (i64, i64) =
        c.query_row("SELECT through_row, through_signal FROM sealing", [], |r| Ok((r.get(0)?, r.get(1)?)))?;
    if through_row == 0 {
        let window = window_of(now);
        let oldest: Option<(i64, i64)> = c
            .query_row("SELECT id, window_s FROM journal ORDER BY id LIMIT 1", [], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()?;
        // A clock that was set back leaves rows of the future; they are as finished as those of the past.
        let Some((_, w)) = oldest.filter(|(_, w)| (window - w).abs() >= behind_s.max(WINDOW_S)) else {
            return Ok(None);
        };
        debug_assert_ne!(w, window);
        // The newest row stays: it tells when the agent was last seen.
        let until: i64 = c.query_row(
            "SELECT min((SELECT max(id) FROM journal),
                        coalesce((SELECT min(id) FROM journal WHERE window_s = ?1), 9223372036854775807),
                        coalesce((SELECT id FROM journal ORDER BY id LIMIT 1 OFFSET ?2), 9223372036854775807))",
            [window, most],
            |r| r.get(0),
        )?;
        through_row = until - 1;
    }
    let mut all: BTreeSet<SignalId> = BTreeSet::new();
    let mut q = c.prepare_cached("SELECT window_s, body FROM journal WHERE id <= ?")?;
    let mut rows = q.query([through_row])?;
    let mut any = false;
    while let Some(r) = rows.next()? {
        any = true;
        journal::signals(r.get_ref(1)?.as_blob().unwrap_or_default(), r.get(0)?, &mut all);
    }
    if !any {
        return Ok(None);
    }
    let left = all.into_iter().filter(|s| i64::from(s.0) > through_signal).collect();
    Ok(Some(Pass { through_row, left }))
}

/// One slice. Tells whether the pass is over.
pub(super) fn step(c: &mut Connection, pass: &mut Pass, signals: &Signals) -> rusqlite::Result<bool> {
    let now: Vec<SignalId> = pass.left.iter().copied().take(SIGNALS).collect();
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let mut entries: BTreeMap<(SignalId, i64), Vec<(i64, Slot)>> = BTreeMap::new();
    if !now.is_empty() {
        let mut q = tx.prepare_cached("SELECT window_s, body FROM journal WHERE id <= ? ORDER BY id")?;
        let mut rows = q.query([pass.through_row])?;
        while let Some(r) = rows.next()? {
            let window_s: i64 = r.get(0)?;
            let body = r.get_ref(1)?.as_blob().unwrap_or_default();
            let Some(mut packed) = journal::open(body, window_s) else { continue };
            while let Some(Some((signal, at, column))) = packed.next(|s| now.binary_search(&s).is_ok()) {
                entries.entry((signal, window_s)).or_default().extend(at.iter().copied().zip(column.slots()));
            }
        }
    }
    let mut lines = Lines::default();
    let mut put = Put::new(&tx, signals, &mut lines);
    for ((signal, window_s), list) in entries {
        merge(&mut put, signal, window_s, list)?;
    }
    put.finish()?;
    let over = pass.left.len() <= SIGNALS;
    if over {
        tx.execute("DELETE FROM journal WHERE id <= ?", [pass.through_row])?;
        tx.execute("UPDATE sealing SET through_row = 0, through_signal = 0", [])?;
    } else {
        let last = now.last().map_or(0, |s| i64::from(s.0));
        tx.execute("UPDATE sealing SET through_row = ?, through_signal = ?", [pass.through_row, last])?;
    }
    tx.commit()?;
    pass.left.drain(..now.len());
    Ok(over)
}
