//! Fine readings and figures over stretches of time, from pieces and from the journal's unsealed rest.

use super::column::{Column, Slot};
use super::errors::StoreError;
use super::journal;
use super::keys::{START_MASK, WINDOW_MS, WINDOW_S, key, start_in, window_of};
use super::piece::{self, Figures, Gather};
use super::query_long::each_minute;
use super::reader::Reader;
use crate::model::rows::Bucket;
use crate::model::{SignalId, UnixMs, Value, Why, WhyCode};
use rusqlite::{Connection, OptionalExtension};
use std::collections::HashMap;

/// What one pass over a signal's stretch meets, in no strict order between pieces and journal.
trait Sink {
    /// Whether the figures of a whole window will do. Otherwise its entries are handed over.
    fn whole(&mut self, window_ms: i64, figures: &Figures) -> bool;
    /// Entries; instants in milliseconds since 1970.
    fn entries(&mut self, base_ms: i64, at: &[i64], column: &Column);
}

impl Reader {
    /// All readings of a signal in `from..to`, in order of time.
    pub fn fine(&self, signal: SignalId, from: UnixMs, to: UnixMs) -> Result<Vec<(UnixMs, Value)>, StoreError> {
        struct All(Vec<(i64, Slot)>, i64, i64);
        impl Sink for All {
            fn whole(&mut self, _: i64, _: &Figures) -> bool {
                false
            }
            fn entries(&mut self, base: i64, at: &[i64], column: &Column) {
                let range = self.1..self.2;
                self.0.extend(at.iter().map(|a| base + a).zip(column.slots()).filter(|(a, _)| range.contains(a)));
            }
        }
        let mut all = All(vec![], from.0, to.0);
        let reasons = self.ask(|c| {
            walk(c, signal, from.0, to.0, &mut all)?;
            reasons(c)
        })?;
        // Pieces come in order, and the journal's rest is nearly in order: this is cheap.
        all.0.sort_by_key(|(a, _)| *a);
        let unknown = Why::new(WhyCode::Failed, "the reason is not recorded");
        Ok(all
            .0
            .into_iter()
            .map(|(at, s)| {
                let v = match s {
                    Slot::Known(v) => Value::Known(v),
                    Slot::Gone(n) => Value::Unavailable(reasons.get(&n).unwrap_or(&unknown).clone()),
                };
                (UnixMs(at), v)
            })
            .collect())
    }

    /// Minimum, mean, maximum and counts of a signal in `points` equal stretches of `from..to`. Pieces that lie in one stretch
    /// are not unpacked. Where fine readings are no longer kept, minutes stand in for them.
    pub fn buckets(
        &self,
        signal: SignalId,
        from: UnixMs,
        to: UnixMs,
        points: usize,
    ) -> Result<Vec<Bucket>, StoreError> {
        let points = points.clamp(1, 1 << 20);
        if to <= from {
            return Ok(vec![]);
        }
        let mut sink = Buckets::new(from.0, to.0, points);
        self.ask(|c| {
            walk(c, signal, from.0, to.0, &mut sink)?;
            let covered = oldest_piece(c, signal)?;
            fill_from_minutes(c, signal, from.0, to.0.min(covered), &mut sink)
        })?;
        Ok(sink.finish())
    }
}

pub(super) fn bucket(from: i64, to: i64, f: &Figures) -> Bucket {
    let [min, mean, max] = f.of_known.unwrap_or([f64::NAN; 3]);
    Bucket { from: UnixMs(from), to: UnixMs(to), min, mean, max, count: f.count, unavailable: f.unavailable }
}

/// Hands all pieces and unsealed entries of a signal that may lie in `from..to` to the sink. Damaged pieces are left out.
fn walk(c: &Connection, signal: SignalId, from: i64, to: i64, sink: &mut dyn Sink) -> rusqlite::Result<()> {
    if to <= from {
        return Ok(());
    }
    let (first, last) = (window_of(UnixMs(from)), window_of(UnixMs(to - 1)) + WINDOW_S - 1);
    let mut q = c.prepare_cached(
        "SELECT id, min, mean, max, count, unavailable, crc, body FROM pieces WHERE id BETWEEN ? AND ?",
    )?;
    let mut list = c.prepare_cached("SELECT body FROM times WHERE id = ?")?;
    let mut rows = q.query([key(signal, first), key(signal, last.min(START_MASK))])?;
    while let Some(r) = rows.next()? {
        let id: i64 = r.get(0)?;
        let f = figures(r, 1)?;
        if f.crc(id) != r.get::<_, i64>(6)? {
            continue;
        }
        let window_s = start_in(id) / WINDOW_S * WINDOW_S;
        if sink.whole(window_s * 1000, &f) {
            continue;
        }
        let body = r.get_ref(7)?.as_blob().unwrap_or_default();
        let opened = piece::open(id, body, |n| {
            let id = times_id(window_s, n);
            let mut rows = list.query([id]).ok()?;
            piece::open_instants(id, rows.next().ok()??.get_ref(0).ok()?.as_blob().ok()?)
        });
        if let Some(p) = opened {
            sink.entries(window_s * 1000, &p.at, &p.column);
        }
    }
    drop(rows);
    each_unsealed(c, signal, first, last, &mut |window_s, at, column| sink.entries(window_s * 1000, at, column))
}

/// Key of a list of instants.
pub(super) fn times_id(window_s: i64, n: u64) -> i64 {
    (window_s << super::keys::TIMES_BITS) | (n as i64 & ((1 << super::keys::TIMES_BITS) - 1))
}

/// Entries of a signal that are still in the journal, for windows that start in `first..=last`.
pub(super) fn each_unsealed(
    c: &Connection,
    signal: SignalId,
    first: i64,
    last: i64,
    f: &mut dyn FnMut(i64, &[i64], &Column),
) -> rusqlite::Result<()> {
    every_unsealed(c, &|s| s == signal, first, last, &mut |_, w, at, column| f(w, at, column))
}

/// Is told each stretch of entries: signal, window, instants, values.
type Told<'a> = &'a mut dyn FnMut(SignalId, i64, &[i64], &Column);

/// The same for all signals that are wanted.
pub(super) fn every_unsealed(
    c: &Connection,
    want: &dyn Fn(SignalId) -> bool,
    first: i64,
    last: i64,
    f: Told<'_>,
) -> rusqlite::Result<()> {
    let (row, through): (i64, i64) = c
        .prepare_cached("SELECT through_row, through_signal FROM sealing")?
        .query_row([], |r| Ok((r.get(0)?, r.get(1)?)))?;
    let mut q =
        c.prepare_cached("SELECT id, window_s, body FROM journal WHERE window_s BETWEEN ? AND ? ORDER BY id")?;
    let mut rows = q.query([first, last])?;
    while let Some(r) = rows.next()? {
        let (id, window_s): (i64, i64) = (r.get(0)?, r.get(1)?);
        let body = r.get_ref(2)?.as_blob().unwrap_or_default();
        let Some(mut packed) = journal::open(body, window_s) else { continue };
        // What the sealing that goes on has already moved is found in the pieces.
        let here = |s: SignalId| want(s) && !(id <= row && i64::from(s.0) <= through);
        while let Some(Some((s, at, column))) = packed.next(here) {
            f(s, window_s, at, &column);
        }
    }
    Ok(())
}

/// Figures in columns `i..i + 5`.
pub(super) fn figures(r: &rusqlite::Row, i: usize) -> rusqlite::Result<Figures> {
    let of_known = match (r.get::<_, Option<f64>>(i)?, r.get::<_, Option<f64>>(i + 1)?, r.get::<_, Option<f64>>(i + 2)?)
    {
        (Some(a), Some(b), Some(c)) => Some([a, b, c]),
        _ => None,
    };
    Ok(Figures { of_known, count: r.get(i + 3)?, unavailable: r.get(i + 4)? })
}

/// All reasons, by number.
pub(super) fn reasons(c: &Connection) -> rusqlite::Result<HashMap<u32, Why>> {
    c.prepare_cached("SELECT id, code, text FROM reasons")?
        .query_map([], |r| {
            let code = WhyCode::from_number(r.get(1)?).unwrap_or(WhyCode::Failed);
            Ok((r.get(0)?, Why::new(code, r.get::<_, String>(2)?)))
        })?
        .collect()
}

/// First instant of which fine readings are kept.
fn oldest_piece(c: &Connection, signal: SignalId) -> rusqlite::Result<i64> {
    let id: Option<i64> = c
        .prepare_cached("SELECT id FROM pieces WHERE id BETWEEN ? AND ? ORDER BY id LIMIT 1")?
        .query_row([key(signal, 0), key(signal, START_MASK)], |r| r.get(0))
        .optional()?;
    Ok(id.map_or(i64::MAX, |id| start_in(id) / WINDOW_S * WINDOW_MS))
}

fn fill_from_minutes(c: &Connection, signal: SignalId, from: i64, to: i64, sink: &mut Buckets) -> rusqlite::Result<()> {
    each_minute(c, signal, from, to, &mut |at, f| sink.add(at, f))
}

/// Equal stretches of time that gather figures.
struct Buckets {
    /// One more than there are buckets; rounded down to whole milliseconds.
    edges: Vec<i64>,
    all: Vec<Gather>,
}

impl Buckets {
    fn new(from: i64, to: i64, points: usize) -> Buckets {
        let n = points as i64;
        let edges = match (to - from).checked_mul(n) {
            Some(_) => (0..=n).map(|i| from + (to - from) * i / n).collect(),
            None => (0..=n).map(|i| from + ((to as i128 - from as i128) * i as i128 / n as i128) as i64).collect(),
        };
        Buckets { edges, all: vec![Gather::default(); points] }
    }

    /// The bucket of an instant. `guess` is tried first, then the one after it.
    fn index(&self, at: i64, guess: usize) -> Option<usize> {
        for i in [guess, guess + 1] {
            if self.edges.get(i).is_some_and(|&e| at >= e) && self.edges.get(i + 1).is_some_and(|&e| at < e) {
                return Some(i);
            }
        }
        let i = self.edges.partition_point(|&e| e <= at);
        (1..self.edges.len()).contains(&i).then(|| i - 1)
    }

    fn add(&mut self, at: i64, f: &Figures) {
        if let Some(i) = self.index(at, 0) {
            self.all[i].add(f);
        }
    }

    fn finish(self) -> Vec<Bucket> {
        let ends = self.edges.iter().zip(&self.edges[1..]);
        ends.zip(&self.all).map(|((&a, &b), g)| bucket(a, b, &g.figures())).collect()
    }

    /// Entries with a value, bucket by bucket: instants are in order all but always.
    fn known(&mut self, base: i64, at: &[i64], values: &[f64]) {
        let (mut k, mut guess) = (0, 0);
        while k < at.len() {
            let Some(i) = self.index(base + at[k], guess) else {
                k += 1;
                continue;
            };
            guess = i;
            let (from, to) = (self.edges[i] - base, self.edges[i + 1] - base);
            let len = at[k..].iter().take_while(|&&a| a >= from && a < to).count();
            self.all[i].many(&values[k..k + len]);
            k += len;
        }
    }
}

impl Sink for Buckets {
    fn whole(&mut self, window_ms: i64, f: &Figures) -> bool {
        match (self.index(window_ms, 0), self.index(window_ms + WINDOW_MS - 1, 0)) {
            (Some(a), Some(b)) if a == b => {
                self.all[a].add(f);
                true
            }
            _ => false,
        }
    }

    fn entries(&mut self, base: i64, at: &[i64], column: &Column) {
        if column.gone.is_empty() && column.known.len() == at.len() {
            return self.known(base, at, &column.known);
        }
        let mut guess = 0;
        for (a, s) in at.iter().zip(column.slots()) {
            if let Some(i) = self.index(base + a, guess) {
                guess = i;
                self.all[i].slot(s);
            }
        }
    }
}
