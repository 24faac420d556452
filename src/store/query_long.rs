//! Long ranges: minutes and hours of many signals over many nights, from the kept minutes. No fine reading is unpacked but those of the
//! last half hour, which are not sealed yet.

use super::errors::StoreError;
use super::keys::{HOUR_S, hour_of, key, start_in, window_of};
use super::minutes::{self, HourRow};
use super::piece::{Figures, Gather};
use super::query_fine::{bucket, every_unsealed, figures};
use super::reader::Reader;
use crate::model::rows::Bucket;
use crate::model::{SignalId, Span, UnixMs};
use rusqlite::{Connection, Row};
use std::collections::{BTreeMap, HashMap};

const MINUTE: i64 = 60_000;

impl Reader {
    /// The minutes of a signal that begin in `from..to` and have a reading, in order.
    pub fn minutes(&self, signal: SignalId, from: UnixMs, to: UnixMs) -> Result<Vec<Bucket>, StoreError> {
        let mut out = vec![];
        self.series_minutes(&[signal], from, to, Span(MINUTE), |_, b| out = b)?;
        Ok(out)
    }

    /// The hours of a signal (whole UTC hours that begin in `from..to`) that have a reading, in order. Reads no lists of minutes.
    pub fn hours(&self, signal: SignalId, from: UnixMs, to: UnixMs) -> Result<Vec<Bucket>, StoreError> {
        let mut hours: BTreeMap<i64, Gather> = BTreeMap::new();
        if to <= from {
            return Ok(vec![]);
        }
        let first = from.0.div_euclid(1000) + i64::from(from.0.rem_euclid(1000) > 0);
        let (first, last) = (hour_of(first + HOUR_S - 1), hour_of((to.0 - 1).div_euclid(1000)));
        self.ask(|c| {
            let mut q =
                c.prepare_cached("SELECT id, min, mean, max, count, unavailable FROM hours WHERE id BETWEEN ? AND ?")?;
            let mut rows = q.query([key(signal, first), key(signal, last)])?;
            while let Some(r) = rows.next()? {
                hours.entry(start_in(r.get(0)?)).or_default().add(&figures(r, 1)?);
            }
            every_unsealed(c, &|s| s == signal, first, last + HOUR_S - 1, &mut |_, w, _, column| {
                let hour = hours.entry(hour_of(w)).or_default();
                column.slots().for_each(|s| hour.slot(s));
            })
        })?;
        Ok(hours.into_iter().map(|(h, g)| bucket(h * 1000, (h + HOUR_S) * 1000, &g.figures())).collect())
    }

    /// For each of many signals: its minutes in `from..to`, joined into stretches of `step` (whole minutes, counted from 1970), those with
    /// a reading, in order. `f` is called once for each signal, in the order given. 60 nights of 60 signals take well under a second.
    pub fn series_minutes(
        &self,
        signals: &[SignalId],
        from: UnixMs,
        to: UnixMs,
        step: Span,
        mut f: impl FnMut(SignalId, Vec<Bucket>),
    ) -> Result<(), StoreError> {
        let step = (step.0 / MINUTE).max(1) * MINUTE;
        self.ask(|c| {
            let mut rest = unsealed(c, signals, from.0, to.0)?;
            for &signal in signals {
                let mut out: Vec<Bucket> = vec![];
                let mut now: Option<(i64, Gather)> = None;
                let mut take = |at: i64, f: &Figures| {
                    let start = at.div_euclid(step) * step;
                    match &mut now {
                        Some((s, g)) if *s == start => g.add(f),
                        other => {
                            if let Some((s, g)) = other.take() {
                                out.push(bucket(s, s + step, &g.figures()));
                            }
                            let mut g = Gather::default();
                            g.add(f);
                            *other = Some((start, g));
                        }
                    }
                };
                let mut more = rest.remove(&signal).unwrap_or_default();
                each_minute(c, signal, from.0, to.0, &mut |at, f| {
                    // A minute may be half sealed, and minutes before it may be unsealed if the clock was set back.
                    while let Some(e) = more.first_entry().filter(|e| *e.key() < at) {
                        let (at, g) = e.remove_entry();
                        take(at, &g.figures());
                    }
                    match more.remove(&at) {
                        Some(mut g) => {
                            g.add(f);
                            take(at, &g.figures());
                        }
                        None => take(at, f),
                    }
                })?;
                for (at, g) in more {
                    take(at, &g.figures());
                }
                if let Some((s, g)) = now {
                    out.push(bucket(s, s + step, &g.figures()));
                }
                f(signal, out);
            }
            Ok(())
        })
    }

    /// First and last instant of which there is a reading of any signal, to the minute; none in an empty store.
    pub fn first_and_last(&self) -> Result<Option<(UnixMs, UnixMs)>, StoreError> {
        let signals = self.signals()?;
        self.ask(|c| {
            let mut q = c.prepare_cached("SELECT min(id), max(id) FROM hours WHERE id BETWEEN ? AND ?")?;
            let (mut first, mut last) = (i64::MAX, i64::MIN);
            for (signal, _) in signals {
                let ends: (Option<i64>, Option<i64>) =
                    q.query_row([key(signal, 0), key(signal, i64::MAX)], |r| Ok((r.get(0)?, r.get(1)?)))?;
                if let (Some(a), Some(b)) = ends {
                    let (a, b) = (start_in(a) * 1000, start_in(b) * 1000);
                    // Only an hour that may move an end is taken apart.
                    if a < first {
                        each_minute(c, signal, a, a + HOUR_S * 1000, &mut |at, _| first = first.min(at))?;
                    }
                    if b + HOUR_S * 1000 > last {
                        each_minute(c, signal, b, b + HOUR_S * 1000, &mut |at, _| last = last.max(at + MINUTE))?;
                    }
                }
            }
            every_unsealed(c, &|_| true, 0, i64::MAX, &mut |_, w, at, _| {
                if let (Some(a), Some(b)) = (at.first(), at.last()) {
                    first = first.min(w * 1000 + a);
                    last = last.max(w * 1000 + b + 1);
                }
            })?;
            Ok((first < last).then_some((UnixMs(first), UnixMs(last))))
        })
    }
}

/// Minutes that are not sealed yet.
fn unsealed(
    c: &Connection,
    signals: &[SignalId],
    from: i64,
    to: i64,
) -> rusqlite::Result<HashMap<SignalId, BTreeMap<i64, Gather>>> {
    let mut all: HashMap<SignalId, BTreeMap<i64, Gather>> = HashMap::new();
    if to <= from {
        return Ok(all);
    }
    let (first, last) = (window_of(UnixMs(from)), window_of(UnixMs(to - 1)));
    let wanted: std::collections::HashSet<SignalId> = signals.iter().copied().collect();
    every_unsealed(c, &|s| wanted.contains(&s), first, last, &mut |signal, w, at, column| {
        let minutes = all.entry(signal).or_default();
        for (a, s) in at.iter().zip(column.slots()) {
            let minute = (w * 1000 + a).div_euclid(MINUTE) * MINUTE;
            if (from..to).contains(&minute) {
                minutes.entry(minute).or_default().slot(s);
            }
        }
    })?;
    Ok(all)
}

/// Kept minutes of a signal that begin in `from..to` and have a reading, in order. Damaged rows are left out.
pub(super) fn each_minute(
    c: &Connection,
    signal: SignalId,
    from: i64,
    to: i64,
    f: &mut dyn FnMut(i64, &Figures),
) -> rusqlite::Result<()> {
    if to <= from {
        return Ok(());
    }
    let hour = |ms: i64| hour_of(ms.div_euclid(1000));
    let mut q = c.prepare_cached(
        "SELECT id, min, mean, max, count, unavailable, base, times, per, mins, means, maxs, counts, unavailables, crc
         FROM hours WHERE id BETWEEN ? AND ?",
    )?;
    let mut rows = q.query([key(signal, hour(from)), key(signal, hour(to - 1))])?;
    while let Some(r) = rows.next()? {
        let row = hour_row(r)?;
        let Some(h) = (row.crc() == r.get::<_, i64>(14)?).then(|| minutes::open(&row)).flatten() else { continue };
        for (i, m) in h.minutes.iter().enumerate() {
            let at = start_in(row.id) * 1000 + i as i64 * MINUTE;
            if (m.count > 0 || m.unavailable > 0) && (from..to).contains(&at) {
                f(at, m);
            }
        }
    }
    Ok(())
}

/// An hour as it is stored, from columns in the order of the table.
pub(super) fn hour_row(r: &Row) -> rusqlite::Result<HourRow> {
    Ok(HourRow {
        id: r.get(0)?,
        all: figures(r, 1)?,
        base: r.get(6)?,
        times: r.get(7)?,
        per: r.get(8)?,
        mins: r.get(9)?,
        means: r.get(10)?,
        maxs: r.get(11)?,
        counts: r.get(12)?,
        unavailables: r.get(13)?,
    })
}
