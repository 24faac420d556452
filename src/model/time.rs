//! Time as the program stores it: integer milliseconds, in three kinds that cannot be mixed up.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, Sub};

/// Wall time: milliseconds since 1970-01-01T00:00:00Z. What is stored and shown; it may step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct UnixMs(pub i64);

/// Milliseconds since the machine started, suspend included. Never steps; what durations are measured by.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct BootMs(pub i64);

/// A length of time in milliseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(pub i64);

/// One instant on both clocks. Rules measure by `boot`, views show `wall`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Stamp {
    /// What the wall clock said.
    pub wall: UnixMs,
    /// The same instant since boot.
    pub boot: BootMs,
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);
    /// A span of whole seconds.
    pub const fn secs(s: i64) -> Span {
        Span(s * 1000)
    }
    /// A span of whole minutes.
    pub const fn mins(m: i64) -> Span {
        Span(m * 60_000)
    }
    /// A span of whole hours.
    pub const fn hours(h: i64) -> Span {
        Span(h * 3_600_000)
    }
    /// The span in seconds.
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1000.0
    }
    /// The span in hours.
    pub fn as_hours_f64(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
    /// For the standard library; a negative span is zero.
    pub fn to_std(self) -> std::time::Duration {
        std::time::Duration::from_millis(self.0.max(0) as u64)
    }
}

impl From<std::time::Duration> for Span {
    fn from(d: std::time::Duration) -> Span {
        Span(i64::try_from(d.as_millis()).unwrap_or(i64::MAX))
    }
}

/// Spoken length, at most two parts: `420 ms`, `11 s`, `6 min 10 s`, `3 h 48 min`, `2 d 4 h`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "−" } else { "" };
        let ms = self.0.unsigned_abs();
        let two = |f: &mut fmt::Formatter<'_>, a: u64, au: &str, b: u64, bu: &str| {
            if b == 0 { write!(f, "{sign}{a} {au}") } else { write!(f, "{sign}{a} {au} {b} {bu}") }
        };
        match ms {
            0 => write!(f, "0 s"),
            1..1000 => write!(f, "{sign}{ms} ms"),
            1000..60_000 => write!(f, "{sign}{} s", (ms + 500) / 1000),
            60_000..3_600_000 => {
                let s = (ms + 500) / 1000;
                two(f, s / 60, "min", s % 60, "s")
            }
            3_600_000..172_800_000 => {
                let m = (ms + 30_000) / 60_000;
                two(f, m / 60, "h", m % 60, "min")
            }
            _ => {
                let h = (ms + 1_800_000) / 3_600_000;
                two(f, h / 24, "d", h % 24, "h")
            }
        }
    }
}

macro_rules! instant {
    ($t:ident) => {
        impl Add<Span> for $t {
            type Output = $t;
            fn add(self, s: Span) -> $t {
                $t(self.0.saturating_add(s.0))
            }
        }
        impl Sub<Span> for $t {
            type Output = $t;
            fn sub(self, s: Span) -> $t {
                $t(self.0.saturating_sub(s.0))
            }
        }
        impl Sub<$t> for $t {
            type Output = Span;
            fn sub(self, o: $t) -> Span {
                Span(self.0.saturating_sub(o.0))
            }
        }
    };
}
instant!(UnixMs);
instant!(BootMs);

impl Add for Span {
    type Output = Span;
    fn add(self, o: Span) -> Span {
        Span(self.0.saturating_add(o.0))
    }
}
impl Sub for Span {
    type Output = Span;
    fn sub(self, o: Span) -> Span {
        Span(self.0.saturating_sub(o.0))
    }
}

impl Stamp {
    /// Both clocks at once.
    pub const fn new(wall: UnixMs, boot: BootMs) -> Stamp {
        Stamp { wall, boot }
    }
    /// The same step on both clocks.
    pub fn plus(self, s: Span) -> Stamp {
        Stamp { wall: self.wall + s, boot: self.boot + s }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_spoken_in_two_parts() {
        for (ms, said) in [
            (0, "0 s"),
            (420, "420 ms"),
            (11_000, "11 s"),
            (370_000, "6 min 10 s"),
            (13_680_000, "3 h 48 min"),
            (187_200_000, "2 d 4 h"),
            (-3000, "−3 s"),
        ] {
            assert_eq!(Span(ms).to_string(), said);
        }
    }
}
