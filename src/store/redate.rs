//! Rows written before the clock was right, and how they are dated afterwards.
//!
//! A small board without a battery wakes with a wrong time. The time since boot is right all the same, and every row keeps it beside
//! the wall time. While the clock is in doubt, readings stay in the journal unsealed. Once the time is known, every row of this
//! boot that was written by the old clock is moved by the same amount, and stamps that come later but were taken before
//! (an incident that goes on) are moved as they are written.
//!
//! In doubt: the time is before this program was made, or before the last instant in the store, or `clock.synchronised` says no.
//! Known: `clock.synchronised` says yes, an event says so, or a step took the clock out of the first two. A step of a
//! clock that was not in doubt moves nothing: rows keep what the clock said.

use super::column::{Grid, Slot};
use super::journal::{self, Group};
use super::keys::window_of;
use super::pending::offset;
use crate::model::incident::Member;
use crate::model::{Batch, BootMs, EventKind, Name, Signals, Span, Stamp, UnixMs};
use rusqlite::{Transaction, params};
use std::collections::BTreeMap;

/// Wall-minus-boot offsets of one clock agree to within this: a clock is slewed by up to half a second per
/// thousand, for hours.
const SAME_CLOCK: i64 = 60_000;
/// Smaller corrections move nothing.
const WORTH_MOVING: i64 = 1000;
/// A step, as against slewing.
const STEP: i64 = 500;
/// No reading of this program is older: 2026-01-01T00:00:00Z.
pub const EARLIEST: UnixMs = UnixMs(1_767_225_600_000);
/// Rows are held undated at most this long; then they are sealed under what the clock said.
pub const LONGEST_DOUBT: Span = Span::hours(24);

/// A correction of the clock: what was stamped before `until` by a clock with offset `old` belongs `by` later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fix {
    pub until: BootMs,
    pub old: i64,
    pub by: Span,
}

impl Fix {
    /// Whether a stamp was made by the wrong clock.
    pub fn applies(&self, at: Stamp) -> bool {
        self.applies_to(offset(at), at.boot)
    }

    fn applies_to(&self, offset: i64, boot: BootMs) -> bool {
        let to_old = (offset - self.old).abs();
        boot <= self.until && to_old < SAME_CLOCK && to_old < (offset - self.old - self.by.0).abs()
    }
}

/// What is known of this boot's clock.
#[derive(Debug, Default)]
pub struct Dating {
    /// Every correction of this run.
    fixes: Vec<Fix>,
    /// Since when the clock has been in doubt; none if it is not.
    doubt_since: Option<BootMs>,
    /// The time has been known since this boot.
    known: bool,
    /// Offsets of the clock since the start, each with the last instant at which it held.
    clocks: Vec<(i64, BootMs)>,
    /// No instant of the store is later than this, before this run.
    last_seen: Option<UnixMs>,
}

impl Dating {
    /// At the start of a run.
    pub fn new(started: Stamp, last_seen: Option<UnixMs>) -> Dating {
        let mut d = Dating { last_seen, clocks: vec![(offset(started), started.boot)], ..Dating::default() };
        if !d.plausible(started) {
            d.doubt_since = Some(started.boot);
        }
        d
    }

    fn plausible(&self, at: Stamp) -> bool {
        at.wall >= EARLIEST && self.last_seen.is_none_or(|s| at.wall >= s)
    }

    /// Whether rows should be held undated.
    pub fn holds(&self, now: BootMs) -> bool {
        self.doubt_since.is_some_and(|since| now - since < LONGEST_DOUBT)
    }

    /// Looks at a batch before it is stored; corrections to be made to what is stored already.
    pub fn look(&mut self, batch: &Batch, signals: &Signals) -> Vec<Fix> {
        let now = offset(batch.at);
        let stepped = self.clocks.last().is_none_or(|c| (c.0 - now).abs() > STEP);
        match self.clocks.last_mut() {
            Some(c) if !stepped => c.1 = batch.at.boot,
            _ => self.clocks.push((now, batch.at.boot)),
        }
        let said = self.said(batch, signals);
        if said == Some(false) && !self.known {
            self.doubt_since.get_or_insert(batch.at.boot);
        }
        let out_of_doubt = self.doubt_since.is_some() && stepped && self.plausible(batch.at) && said != Some(false);
        if self.known || !(said == Some(true) || out_of_doubt) {
            return vec![];
        }
        // The time is known from here on: every earlier clock of this run is measured against the present one.
        self.doubt_since = None;
        self.known = said == Some(true);
        let fixes: Vec<Fix> = self
            .clocks
            .iter()
            .filter(|c| (c.0 - now).abs() >= WORTH_MOVING)
            .map(|&(old, _)| Fix { until: batch.at.boot, old, by: Span(now - old) })
            .collect();
        self.clocks = vec![(now, batch.at.boot)];
        self.fixes.extend(&fixes);
        fixes
    }

    /// Whether the batch says that the clock is synchronised.
    fn said(&self, batch: &Batch, signals: &Signals) -> Option<bool> {
        if batch.events.iter().any(|e| e.kind == EventKind::ClockSynchronised) {
            return Some(true);
        }
        let id = Name::new("clock.synchronised").ok().and_then(|n| signals.id(&n))?;
        batch.readings.iter().rev().filter(|r| r.signal == id).find_map(|r| r.value.known()).map(|v| v > 0.5)
    }

    /// The wall time under which an instant is stored.
    pub fn wall(&self, mut at: Stamp) -> i64 {
        for f in &self.fixes {
            if f.applies(at) {
                at.wall = at.wall + f.by;
            }
        }
        super::inbox::sane(at.wall).0
    }
}

/// Columns that hold an instant, each with the column of its time since boot.
const INSTANTS: [(&str, &str, &str); 12] = [
    ("transitions", "at", "at_boot"),
    ("transitions", "announced", "announced_boot"),
    ("events", "at", "at_boot"),
    ("sessions", "started", "started_boot"),
    ("sessions", "ended", "ended_boot"),
    ("incidents", "opened", "opened_boot"),
    ("incidents", "closed", "closed_boot"),
    ("marks", "at", "at_boot"),
    ("gaps", "from_at", "from_boot"),
    ("gaps", "to_at", "to_boot"),
    ("runs", "started", "started_boot"),
    ("runs", "last_seen", "last_seen_boot"),
];

/// Moves what this boot has stored under the old clock.
pub(super) fn apply(tx: &Transaction, run: i64, fix: Fix, signals: &Signals) -> rusqlite::Result<()> {
    let of_boot = "(SELECT id FROM runs WHERE id = :run OR boot_id <> '' AND boot_id = (SELECT boot_id FROM runs WHERE id = :run))";
    for (table, at, boot) in INSTANTS {
        let run_column = if table == "runs" { "id" } else { "run" };
        let off = format!("({at} - {boot} - :old)");
        let sql = format!(
            "UPDATE {table} SET {at} = max({at} + :by, 0) WHERE {run_column} IN {of_boot} AND {boot} IS NOT NULL AND {boot} <= :until
             AND abs{off} < {SAME_CLOCK} AND abs{off} < abs({off} - :by)"
        );
        tx.prepare_cached(&sql)?.execute(rusqlite::named_params! {
            ":run": run, ":old": fix.old, ":by": fix.by.0, ":until": fix.until.0
        })?;
    }
    members(tx, run, fix, of_boot)?;
    journal_rows(tx, run, fix, of_boot, signals)
}

fn members(tx: &Transaction, run: i64, fix: Fix, of_boot: &str) -> rusqlite::Result<()> {
    let rows: Vec<(i64, String)> = tx
        .prepare(&format!("SELECT id, members FROM incidents WHERE run IN {of_boot}"))?
        .query_map(rusqlite::named_params! { ":run": run }, |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    for (id, text) in rows {
        let Ok(mut list) = serde_json::from_str::<Vec<Member>>(&text) else { continue };
        let moved = |s: &mut Stamp| {
            if fix.applies(*s) {
                s.wall = s.wall + fix.by;
            }
        };
        for m in &mut list {
            moved(&mut m.at);
            m.until.iter_mut().for_each(moved);
        }
        if let Ok(text) = serde_json::to_string(&list) {
            tx.execute("UPDATE incidents SET members = ? WHERE id = ?", params![text, id])?;
        }
    }
    Ok(())
}

/// Journal rows change their window, and a row may fall into two.
fn journal_rows(tx: &Transaction, run: i64, fix: Fix, of_boot: &str, signals: &Signals) -> rusqlite::Result<()> {
    let ids: Vec<(i64, i64, i64)> = tx
        .prepare(&format!("SELECT id, at, boot_offset FROM journal WHERE run IN {of_boot}"))?
        .query_map(rusqlite::named_params! { ":run": run }, |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?
        .collect::<rusqlite::Result<_>>()?;
    for (id, at, boot_offset) in ids {
        if !fix.applies_to(boot_offset, BootMs(at - boot_offset)) {
            continue;
        }
        let (row_run, window_s, body): (i64, i64, Vec<u8>) = tx
            .prepare_cached("SELECT run, window_s, body FROM journal WHERE id = ?")?
            .query_row([id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
        let Some(parts) = moved(&body, window_s, fix.by.0, signals) else { continue };
        tx.prepare_cached("DELETE FROM journal WHERE id = ?")?.execute([id])?;
        for (i, (window_s, body)) in parts.into_iter().enumerate() {
            // Numbers are spaced so that a row can fall apart in place; see `ROW_SPACING`.
            tx.prepare_cached(
                "INSERT INTO journal (id, run, window_s, at, boot_offset, body) VALUES (?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                id + i as i64,
                row_run,
                window_s,
                (at + fix.by.0).max(0),
                boot_offset + fix.by.0,
                body
            ])?;
        }
    }
    Ok(())
}

/// The content of a row, moved; one part for each window. None if the row is damaged.
pub(super) fn moved(body: &[u8], window_s: i64, by: i64, signals: &Signals) -> Option<Vec<(i64, Vec<u8>)>> {
    let mut packed = journal::open(body, window_s)?;
    let mut parts: BTreeMap<i64, Vec<(crate::model::SignalId, Option<Grid>, Group)>> = BTreeMap::new();
    while let Some((signal, at, column)) = packed.next(|_| true)? {
        let grid = signals.def(signal).and_then(|d| Grid::of(d.resolution));
        let entries: Vec<(i64, Slot)> = at.iter().map(|a| window_s * 1000 + a + by).zip(column.slots()).collect();
        for of_window in entries.chunk_by(|a, b| window_of(UnixMs(a.0)) == window_of(UnixMs(b.0))) {
            let w = window_of(UnixMs(of_window[0].0));
            let list = parts.entry(w).or_default();
            let g = match list.last_mut() {
                Some((s, _, g)) if *s == signal => g,
                _ => {
                    list.push((signal, grid, Group::default()));
                    &mut list.last_mut()?.2
                }
            };
            g.at.extend(of_window.iter().map(|e| e.0 - w * 1000));
            g.slots.extend(of_window.iter().map(|e| e.1));
        }
    }
    if parts.is_empty() {
        parts.insert(window_of(UnixMs(window_s * 1000 + by)), vec![]);
    }
    Some(parts.into_iter().map(|(w, groups)| (w, journal::pack(&groups, w))).collect())
}
