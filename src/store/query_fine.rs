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
            let body: Option<Vec<u8>> = list.query_row([id], |r| r.get(0)).optional().ok()?;
            piece::open_instants(id, &body?)
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
    from: i64,
    to: i64,
    all: Vec<Gather>,
}

impl Buckets {
    fn new(from: i64, to: i64, points: usize) -> Buckets {
        Buckets { from, to, all: vec![Gather::default(); points] }
    }
    fn edge(&self, i: usize) -> i64 {
        self.from + ((self.to - self.from) as i128 * i as i128 / self.all.len() as i128) as i64
    }
    fn index(&self, at: i64) -> Option<usize> {
        if !(self.from..self.to).contains(&at) {
            return None;
        }
        // Edges are rounded down, so the quotient may be one too small at an edge.
        let n = self.all.len() as i128;
        let i = ((at - self.from) as i128 * n / (self.to - self.from) as i128) as usize;
        Some(if i + 1 < self.all.len() && at >= self.edge(i + 1) { i + 1 } else { i })
    }
    fn add(&mut self, at: i64, f: &Figures) {
        if let Some(i) = self.index(at) {
            self.all[i].add(f);
        }
    }
    fn finish(self) -> Vec<Bucket> {
        (0..self.all.len()).map(|i| bucket(self.edge(i), self.edge(i + 1), &self.all[i].figures())).collect()
    }
}

impl Sink for Buckets {
    fn whole(&mut self, window_ms: i64, f: &Figures) -> bool {
        match (self.index(window_ms), self.index(window_ms + WINDOW_MS - 1)) {
            (Some(a), Some(b)) if a == b => {
                self.all[a].add(f);
                true
            }
            _ => false,
        }
    }
    fn entries(&mut self, base: i64, at: &[i64], column: &Column) {
        // Instants are in order, so the bucket is looked up only when one is left.
        let (mut i, mut until) = (None, i64::MIN);
        for (a, s) in at.iter().map(|a| base + a).zip(column.slots()) {
            if a >= until || a < self.from || i.is_some_and(|i| a < self.edge(i)) {
                i = self.index(a);
                until = i.map_or(i64::MIN, |i| self.edge(i + 1));
            }
            if let Some(i) = i {
                self.all[i].slot(s);
            }
        }
    }
}
