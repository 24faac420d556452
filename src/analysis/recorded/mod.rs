//! What was recorded elsewhere: tables of temperature loggers and lists of faults that a person kept, read from text. Pure: bytes
//! in, series and refused rows out. Nothing is left out in silence.

pub mod faults;
pub mod shift;
pub mod signals;
pub mod table;
pub mod times;
pub mod units;

use jiff::tz::TimeZone;

/// A row or cell that was left out, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Line in the file, counted from 1.
    pub line: u64,
    /// Why, in words.
    pub reason: String,
}

/// Why a whole file cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BadFile(pub String);

/// How a file is laid out, as far as the person said.
#[derive(Clone, Debug, Default)]
pub struct Layout {
    /// Lines before the heading.
    pub skip_lines: usize,
    /// How times are written (strftime-like, as the `jiff` library reads them); none: RFC 3339 and its near relatives.
    pub time_format: Option<String>,
    /// Zone of times without an offset; none: UTC, which is then said.
    pub zone: Option<TimeZone>,
    /// Added to every time, for a clock that ran off; milliseconds.
    pub shift_ms: i64,
    /// Columns and the signals that they hold.
    pub maps: Vec<signals::Mapping>,
}

#[cfg(test)]
mod tests;
