//! Putting entries into pieces and minutes, joined with what is already there.

use super::column::{Grid, Slot};
use super::keys::{HOUR_S, START_MASK, TIMES_BITS, WINDOW_MS, WINDOW_S, hour_of, key};
use super::minutes::{self, Hour};
use super::piece::{self, Figures, Gather, Instants};
use super::query_fine::times_id;
use super::query_long::hour_row;
use crate::model::{SignalId, Signals};
use rusqlite::{OptionalExtension, Transaction, params};
use std::collections::HashMap;

/// Lists of instants per window, with their numbers.
#[derive(Default)]
pub(super) struct Lines(HashMap<i64, HashMap<Vec<i64>, u64>>);

/// Pieces and minutes being written in one transaction.
pub(super) struct Put<'a> {
    tx: &'a Transaction<'a>,
    signals: &'a Signals,
    lines: &'a mut Lines,
    /// The hour that is being filled; written when another one begins.
    hour: Option<(i64, SignalId, Hour)>,
    /// What is done with an entry at an instant that has one already.
    pub on_same: OnSame,
    /// Entries taken.
    pub taken: u64,
}

/// Whether two entries of one signal may have the same instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum OnSame {
    /// Both are kept (the agent's own readings).
    Keep,
    /// What is there stays (imports: the same content twice changes nothing).
    Leave,
}

impl<'a> Put<'a> {
    pub fn new(tx: &'a Transaction<'a>, signals: &'a Signals, lines: &'a mut Lines) -> Put<'a> {
        Put { tx, signals, lines, hour: None, on_same: OnSame::Keep, taken: 0 }
    }

    fn grid(&self, signal: SignalId) -> Option<Grid> {
        self.signals.def(signal).and_then(|d| Grid::of(d.resolution))
    }

    /// Writes what is still open.
    pub fn finish(&mut self) -> rusqlite::Result<()> {
        let Some((id, signal, hour)) = self.hour.take() else { return Ok(()) };
        let row = minutes::pack(id, &hour, self.grid(signal));
        if row.all == Figures::default() {
            // Everything in it was taken back.
            self.tx.prepare_cached("DELETE FROM hours WHERE id = ?")?.execute([id])?;
            return Ok(());
        }
        let [min, mean, max] = split(&row.all);
        self.tx
            .prepare_cached(
                "INSERT OR REPLACE INTO hours (id, min, mean, max, count, unavailable, base, times, per, mins, means, maxs, counts,
                 unavailables, crc) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                id,
                min,
                mean,
                max,
                row.all.count,
                row.all.unavailable,
                row.base,
                row.times,
                row.per,
                row.mins,
                row.means,
                row.maxs,
                row.counts,
                row.unavailables,
                row.crc()
            ])?;
        Ok(())
    }

    /// The hour of a window, from the store or new.
    fn hour(&mut self, signal: SignalId, window_s: i64) -> rusqlite::Result<&mut Hour> {
        let id = key(signal, hour_of(window_s));
        if self.hour.as_ref().is_none_or(|h| h.0 != id) {
            self.finish()?;
            let row = self
                .tx
                .prepare_cached(
                    "SELECT id, min, mean, max, count, unavailable, base, times, per, mins, means, maxs, counts, unavailables, crc
                     FROM hours WHERE id = ?",
                )?
                .query_row([id], |r| Ok((hour_row(r)?, r.get::<_, i64>(14)?)))
                .optional()?;
            let kept = row.filter(|(r, crc)| r.crc() == *crc).and_then(|(r, _)| minutes::open(&r));
            self.hour = Some((id, signal, kept.unwrap_or_default()));
        }
        // Set just above if it was not there.
        Ok(&mut self.hour.get_or_insert_with(|| (id, signal, Hour::default())).2)
    }

    /// The number of a list of instants in its window, stored now if it is new; none if the window has too many.
    fn line(&mut self, window_s: i64, at: &[i64]) -> rusqlite::Result<Option<u64>> {
        let known = match self.lines.0.entry(window_s) {
            std::collections::hash_map::Entry::Occupied(e) => e.into_mut(),
            std::collections::hash_map::Entry::Vacant(e) => {
                let mut known = HashMap::new();
                let mut q = self.tx.prepare_cached("SELECT id, body FROM times WHERE id BETWEEN ? AND ?")?;
                let mut rows = q.query([times_id(window_s, 0), times_id(window_s, (1 << TIMES_BITS) - 1)])?;
                while let Some(r) = rows.next()? {
                    let id: i64 = r.get(0)?;
                    let number = (id & ((1 << TIMES_BITS) - 1)) as u64;
                    // A damaged list keeps its number, so that nothing else is taken for it.
                    let list = piece::open_instants(id, r.get_ref(1)?.as_blob().unwrap_or_default());
                    known.insert(list.unwrap_or_else(|| vec![i64::MIN, number as i64]), number);
                }
                e.insert(known)
            }
        };
        if let Some(&n) = known.get(at) {
            return Ok(Some(n));
        }
        let n = known.values().max().map_or(0, |m| m + 1);
        if n >= 1 << TIMES_BITS {
            return Ok(None);
        }
        let id = times_id(window_s, n);
        self.tx
            .prepare_cached("INSERT INTO times (id, body) VALUES (?, ?)")?
            .execute(params![id, piece::pack_instants(id, at)])?;
        known.insert(at.to_vec(), n);
        Ok(Some(n))
    }
}

fn split(f: &Figures) -> [Option<f64>; 3] {
    f.of_known.map_or([None; 3], |v| v.map(Some))
}

/// What is in the pieces of a window.
struct There {
    /// The first piece that can be read.
    id: Option<i64>,
    /// Further ones, which join the first.
    spare: Vec<i64>,
    /// A number that no piece of the window has.
    next: i64,
    entries: Vec<(i64, Slot)>,
}

fn there(tx: &Transaction, signal: SignalId, window_s: i64) -> rusqlite::Result<There> {
    let mut t = There { id: None, spare: vec![], next: key(signal, window_s), entries: vec![] };
    let mut q = tx.prepare_cached("SELECT id, body FROM pieces WHERE id BETWEEN ? AND ? ORDER BY id")?;
    let mut one = tx.prepare_cached("SELECT body FROM times WHERE id = ?")?;
    let mut rows = q.query([t.next, key(signal, (window_s + WINDOW_S - 1).min(START_MASK))])?;
    while let Some(r) = rows.next()? {
        let pid: i64 = r.get(0)?;
        t.next = pid + 1;
        let opened = piece::open(pid, r.get_ref(1)?.as_blob().unwrap_or_default(), |n| {
            let tid = times_id(window_s, n);
            let body: Option<Vec<u8>> = one.query_row([tid], |r| r.get(0)).optional().ok()?;
            piece::open_instants(tid, &body?)
        });
        // A piece that cannot be read is left as it is; what is new goes beside it.
        if let Some(p) = opened {
            t.entries.extend(p.at.iter().copied().zip(p.column.slots()));
            match t.id {
                None => t.id = Some(pid),
                Some(_) => t.spare.push(pid),
            }
        }
    }
    Ok(t)
}

/// Writes a piece of these entries, in order of time; the spare ones are in it.
fn write(put: &mut Put, signal: SignalId, window_s: i64, t: &There) -> rusqlite::Result<()> {
    let id = t.id.unwrap_or(t.next);
    let (at, slots): (Vec<i64>, Vec<Slot>) = t.entries.iter().copied().unzip();
    let instants = match piece::regular(&at) {
        Some(_) => Instants::Here(&at),
        None => match put.line(window_s, &at)? {
            Some(n) => Instants::List(n),
            None => Instants::Here(&at),
        },
    };
    let body = piece::pack(id, instants, &slots, put.grid(signal));
    let f = Figures::of(slots.iter().copied());
    let [min, mean, max] = split(&f);
    put.tx
        .prepare_cached(
            "INSERT OR REPLACE INTO pieces (id, min, mean, max, count, unavailable, crc, body) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        )?
        .execute(params![id, min, mean, max, f.count, f.unavailable, f.crc(id), body])?;
    drop_pieces(put.tx, &t.spare)
}

fn drop_pieces(tx: &Transaction, ids: &[i64]) -> rusqlite::Result<()> {
    for id in ids {
        tx.prepare_cached("DELETE FROM pieces WHERE id = ?")?.execute([id])?;
    }
    Ok(())
}

/// Joins entries (milliseconds after the window's start, in any order) with the piece of that window, and brings its minutes up to date.
pub(super) fn merge(
    put: &mut Put,
    signal: SignalId,
    window_s: i64,
    mut list: Vec<(i64, Slot)>,
) -> rusqlite::Result<()> {
    let mut t = there(put.tx, signal, window_s)?;
    if put.on_same == OnSame::Leave {
        let there: std::collections::HashSet<i64> = t.entries.iter().map(|(a, _)| *a).collect();
        let mut seen = std::collections::HashSet::new();
        list.retain(|(a, _)| !there.contains(a) && seen.insert(*a));
    }
    let had_piece = t.id.is_some();
    if !had_piece && put.on_same == OnSame::Leave {
        // Only minutes are left of that time: one that has something stays as it is.
        let hour = put.hour(signal, window_s)?.clone();
        list.retain(|(a, _)| {
            let m = &hour.minutes[minute_of(window_s, *a)];
            m.count == 0 && m.unavailable == 0
        });
    }
    if list.is_empty() {
        return Ok(());
    }
    put.taken += list.len() as u64;
    t.entries.append(&mut list);
    t.entries.sort_by_key(|(a, _)| *a); // stable: equal instants keep their order
    write(put, signal, window_s, &t)?;
    // Minutes: anew from the whole piece, or added to what is left of an earlier one.
    let fresh = by_minute(window_s, &t.entries);
    let hour = put.hour(signal, window_s)?;
    for (i, mut g) in fresh {
        if !had_piece {
            g.add(&hour.minutes[i]);
        }
        hour.minutes[i] = g.figures();
    }
    Ok(())
}

fn by_minute(window_s: i64, entries: &[(i64, Slot)]) -> HashMap<usize, Gather> {
    let mut all: HashMap<usize, Gather> = HashMap::new();
    for (a, s) in entries {
        all.entry(minute_of(window_s, *a)).or_default().slot(*s);
    }
    all
}

/// Takes entries out of the piece of a window where instant and value are the same, and brings its minutes up to date. Where only
/// minutes are left, those that hold nothing but these entries go.
pub(super) fn take_out(put: &mut Put, signal: SignalId, window_s: i64, list: &[(i64, Slot)]) -> rusqlite::Result<()> {
    let mut t = there(put.tx, signal, window_s)?;
    let Some(id) = t.id else {
        let hour = put.hour(signal, window_s)?;
        let mut taken = 0;
        for (i, g) in by_minute(window_s, list) {
            let f = g.figures();
            if same_figures(&f, &hour.minutes[i]) {
                hour.minutes[i] = Figures::default();
                taken += u64::from(f.count + f.unavailable);
            }
        }
        put.taken += taken;
        return Ok(());
    };
    t.entries.sort_by_key(|(a, _)| *a);
    let before = t.entries.len();
    let mut touched = std::collections::BTreeSet::new();
    for (at, slot) in list {
        let from = t.entries.partition_point(|(a, _)| a < at);
        let same = t.entries[from..].iter().take_while(|(a, _)| a == at).position(|(_, s)| same_slot(*s, *slot));
        if let Some(n) = same {
            t.entries.remove(from + n);
            touched.insert(minute_of(window_s, *at));
        }
    }
    if touched.is_empty() {
        return Ok(());
    }
    put.taken += (before - t.entries.len()) as u64;
    if t.entries.is_empty() {
        drop_pieces(put.tx, &[id])?;
        drop_pieces(put.tx, &t.spare)?;
    } else {
        write(put, signal, window_s, &t)?;
    }
    let left = by_minute(window_s, &t.entries);
    let hour = put.hour(signal, window_s)?;
    for i in touched {
        hour.minutes[i] = left.get(&i).map_or_else(Figures::default, Gather::figures);
    }
    Ok(())
}

/// The store keeps values to the resolution of their signal or as they are; either way what was put in comes out to this.
fn same_value(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * (1.0 + a.abs())
}

fn same_slot(a: Slot, b: Slot) -> bool {
    match (a, b) {
        (Slot::Known(a), Slot::Known(b)) => same_value(a, b),
        _ => a == b,
    }
}

/// Lowest, highest and how many; the mean of a minute is kept to a tenth of the resolution only.
fn same_figures(a: &Figures, b: &Figures) -> bool {
    let ends = match (a.of_known, b.of_known) {
        (Some(a), Some(b)) => same_value(a[0], b[0]) && same_value(a[2], b[2]),
        (a, b) => a.is_none() && b.is_none(),
    };
    ends && (a.count, a.unavailable) == (b.count, b.unavailable)
}

/// Which minute of its hour an entry belongs to. Instants outside their window (a clock gone mad) count to its nearest end.
fn minute_of(window_s: i64, at: i64) -> usize {
    let in_window = at.clamp(0, WINDOW_MS - 1);
    ((window_s.rem_euclid(HOUR_S) * 1000 + in_window) / 60_000) as usize
}
