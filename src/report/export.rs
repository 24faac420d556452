//! Readings as CSV: RFC 4180, instants as UTC in RFC 3339, the unit of each signal in its header.

use super::say::rfc3339;
use crate::model::{SignalDef, SignalId, Span, UnixMs};
use crate::store::{Reader, StoreError};
use std::io::{self, Write};

/// Stretch that is read and written at once, so that a night of many signals needs little memory.
const CHUNK: Span = Span::mins(30);

/// What is wished for.
#[derive(Clone, Copy, Debug)]
pub struct Wish<'a> {
    /// First instant.
    pub from: UnixMs,
    /// Last instant (excluded).
    pub to: UnixMs,
    /// Patterns of signal names, `*` for anything, separated by commas.
    pub signals: &'a str,
    /// Means over equal steps; none: every reading.
    pub every: Option<Span>,
}

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Written {
    /// Rows, the header not counted.
    pub rows: usize,
    /// Signals.
    pub signals: usize,
}

/// Why nothing was written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// No signal of that name.
    #[error("no signal fits `{pattern}`; there are: {known}")]
    NoSignal {
        /// What was asked for.
        pattern: String,
        /// Some of those that exist.
        known: String,
    },
    /// Nothing was recorded.
    #[error("there are no readings of these signals between {from} and {to}{hint}")]
    Nothing {
        /// First instant asked for.
        from: String,
        /// Last instant asked for.
        to: String,
        /// The way out, if there is one.
        hint: &'static str,
    },
    /// A step that is too short to be one.
    #[error("`{0}` is no step: expected at least 1 s")]
    Step(Span),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The place it is written to.
    #[error("the data cannot be written: {0}")]
    Write(#[from] io::Error),
}

/// Writes the readings. One column for the time, one for each signal, one row for each instant at which any of them was
/// read; a cell is empty where its signal has no known value at that instant.
///
/// # Errors
/// No such signal, no readings, or the store or the place cannot be read or written.
pub fn csv(reader: &Reader, wish: &Wish, out: &mut impl Write) -> Result<Written, ExportError> {
    let _still = reader.snapshot()?;
    let all = reader.signals()?;
    let chosen: Vec<(SignalId, SignalDef)> =
        all.iter().filter(|(_, d)| fits(wish.signals, d.name.as_str())).cloned().collect();
    if chosen.is_empty() {
        let mut known: Vec<&str> = all.iter().map(|(_, d)| d.name.as_str()).collect();
        known.sort_unstable();
        let more = if known.len() > 12 { ", …" } else { "" };
        known.truncate(12);
        let known = if known.is_empty() { "none yet".into() } else { known.join(", ") + more };
        return Err(ExportError::NoSignal { pattern: wish.signals.into(), known });
    }
    // Signals without a reading in the stretch would only be empty columns.
    let mut kept = vec![];
    for (id, def) in chosen {
        let b = reader.buckets(id, wish.from, wish.to, 1)?;
        if b.iter().any(|b| b.count > 0 || b.unavailable > 0) {
            kept.push((id, def));
        }
    }
    kept.sort_by(|a, b| a.1.name.cmp(&b.1.name));
    let mut w = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(out);
    let mut head = vec!["time [UTC]".to_string()];
    head.extend(kept.iter().map(|(_, d)| format!("{} [{}]", d.name, d.unit.code())));
    let rows = if kept.is_empty() {
        0
    } else {
        w.write_record(&head).map_err(io_error)?;
        match wish.every {
            Some(every) => steps(reader, wish, every, &kept, &mut w)?,
            None => readings(reader, wish, &kept, &mut w)?,
        }
    };
    w.flush()?;
    if rows == 0 {
        let hint = if wish.every.is_none() && !kept.is_empty() {
            "; fine readings that old are no longer kept, but their minutes are: ask with --every '1 min'"
        } else {
            ""
        };
        return Err(ExportError::Nothing { from: rfc3339(wish.from), to: rfc3339(wish.to), hint });
    }
    Ok(Written { rows, signals: kept.len() })
}

type Out<'a, W> = csv::Writer<&'a mut W>;

fn readings<W: Write>(
    reader: &Reader,
    wish: &Wish,
    kept: &[(SignalId, SignalDef)],
    w: &mut Out<W>,
) -> Result<usize, ExportError> {
    let mut rows = 0;
    let mut from = wish.from;
    while from < wish.to {
        let to = (from + CHUNK).min(wish.to);
        // Instant, column, value: sorted, each run of one instant is a row.
        let mut cells: Vec<(UnixMs, usize, Option<f64>)> = vec![];
        for (column, (id, _)) in kept.iter().enumerate() {
            cells.extend(reader.fine(*id, from, to)?.into_iter().map(|(at, v)| (at, column, v.known())));
        }
        cells.sort_by_key(|c| (c.0, c.1));
        for row in cells.chunk_by(|a, b| a.0 == b.0) {
            let mut record = vec![String::new(); kept.len() + 1];
            record[0] = rfc3339(row[0].0);
            for (_, column, value) in row {
                record[column + 1] = value.map(|v| cell(v, &kept[*column].1)).unwrap_or_default();
            }
            w.write_record(&record).map_err(io_error)?;
            rows += 1;
        }
        from = to;
    }
    Ok(rows)
}

fn steps<W: Write>(
    reader: &Reader,
    wish: &Wish,
    every: Span,
    kept: &[(SignalId, SignalDef)],
    w: &mut Out<W>,
) -> Result<usize, ExportError> {
    if every < Span::secs(1) {
        return Err(ExportError::Step(every));
    }
    let points = ((wish.to - wish.from).0 / every.0).max(1);
    let to = wish.from + Span(points * every.0);
    let points = usize::try_from(points).unwrap_or(1);
    let mut columns = vec![];
    for (id, _) in kept {
        columns.push(reader.buckets(*id, wish.from, to, points)?);
    }
    let mut rows = 0;
    for i in 0..points {
        let at = wish.from + Span(every.0 * i as i64);
        let mut record = vec![rfc3339(at)];
        for (list, (_, def)) in columns.iter().zip(kept) {
            let known = list.get(i).filter(|b| b.count > 0);
            // A mean has one more digit than its readings.
            record.push(known.map(|b| trim(b.mean, super::say::decimals_for(def.resolution) + 1)).unwrap_or_default());
        }
        // A step in which nothing was recorded at all (the machine was off) is no row.
        if record.iter().skip(1).any(|c| !c.is_empty()) {
            w.write_record(&record).map_err(io_error)?;
            rows += 1;
        }
    }
    Ok(rows)
}

fn io_error(e: csv::Error) -> ExportError {
    match e.into_kind() {
        csv::ErrorKind::Io(e) => ExportError::Write(e),
        other => ExportError::Write(io::Error::other(format!("{other:?}"))),
    }
}

/// A reading at its own resolution, without needless digits.
fn cell(v: f64, def: &SignalDef) -> String {
    let v = def.round(v);
    // Rust prints the shortest text that gives the same number back, and never an exponent.
    if v == 0.0 { "0".into() } else { format!("{v}") }
}

fn trim(v: f64, decimals: usize) -> String {
    let t = format!("{v:.decimals$}");
    let t = if t.contains('.') { t.trim_end_matches('0').trim_end_matches('.') } else { &t };
    if t == "-0" { "0".into() } else { t.into() }
}

/// Whether a name fits one of the patterns, in which `*` stands for anything.
pub fn fits(patterns: &str, name: &str) -> bool {
    patterns.split(',').map(str::trim).any(|p| {
        let mut parts = p.split('*');
        let first = parts.next().unwrap_or_default();
        let Some(mut rest) = name.strip_prefix(first) else { return false };
        let parts: Vec<&str> = parts.collect();
        let Some((last, middle)) = parts.split_last() else { return rest.is_empty() };
        for m in middle {
            match rest.find(m) {
                Some(i) => rest = &rest[i + m.len()..],
                None => return false,
            }
        }
        rest.ends_with(last)
    })
}

#[cfg(test)]
mod tests;
