//! `tilldawn export`: takes the readings of a night out, for any spreadsheet or script.

use super::report::Place;
use super::{Done, Failure, WELL, say};
use crate::config::human;
use crate::model::Span;
use crate::report::export::{self, Wish};
use clap::{Args, ValueEnum};
use std::io::Write;
use std::path::PathBuf;

/// Take the readings of a night out as CSV (RFC 4180, UTC, units in the header)
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn export --night last --out night.csv\n  tilldawn export --night 2026-01-12 --signals 'temperature.*' --every '1 min'\n\nAn empty cell means that the value is not known at that instant: not read then, or not readable."
)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// The evening's date, such as `2026-01-12`, or `last` or `tonight`
    #[arg(long, value_name = "DATE", default_value = "last")]
    night: String,
    /// How it is written
    #[arg(long = "as", value_enum, default_value = "csv")]
    form: Form,
    /// Signals by name, `*` for anything; several are separated by commas
    #[arg(long, value_name = "PATTERN", default_value = "*")]
    signals: String,
    /// Means over equal steps, such as `1 min`, instead of every reading
    #[arg(long, value_name = "TIME", value_parser = human::span)]
    every: Option<Span>,
    /// Write into this file instead of to the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Forms of the data.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// Comma-separated values, RFC 4180
    Csv,
}

/// Takes it out.
pub fn run(a: Arguments) -> Done {
    let record = a.place.open()?;
    let (night, _) = record.night(&a.night)?;
    let Form::Csv = a.form;
    let wish = Wish { from: night.from, to: night.to, signals: &a.signals, every: a.every };
    let done = match &a.out {
        Some(file) => {
            let cannot = |e: std::io::Error| {
                Failure::new(format!("`{}` cannot be written: {e}; name another place with --out", file.display()))
            };
            let mut whole = crate::report::WholeFile::begin(file).map_err(cannot)?;
            let done = export::csv(&record.reader, &wish, &mut whole).map_err(|e| Failure::new(e.to_string()))?;
            whole.finish().map_err(cannot)?;
            done
        }
        None => {
            let mut out = std::io::BufWriter::new(std::io::stdout().lock());
            let done = export::csv(&record.reader, &wish, &mut out);
            let _ = out.flush();
            match done {
                // A reader that has gone away (`| head`) is no error of ours.
                Err(export::ExportError::Write(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => return Ok(WELL),
                other => other.map_err(|e| Failure::new(e.to_string()))?,
            }
        }
    };
    if a.out.is_some() {
        say::say(&format!(
            "{} of {}, night of {night}",
            crate::report::say::count(done.rows, "row"),
            crate::report::say::count(done.signals, "signal")
        ));
    }
    Ok(WELL)
}
