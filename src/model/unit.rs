//! Units of signals. Stored values are always in these units; people may see others (°F).

use serde::{Deserialize, Serialize};

/// Unit of a signal, as stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Degrees Celsius (a temperature).
    Celsius,
    /// Kelvin (a difference of temperatures).
    Kelvin,
    /// Per cent, 0 to 100 (processor shares of one program may exceed 100 on several cores).
    Percent,
    /// Bytes.
    Bytes,
    /// Bytes per second.
    BytesPerSecond,
    /// Events per second.
    PerSecond,
    /// A plain count.
    Count,
    /// Seconds.
    Seconds,
    /// Milliseconds.
    Milliseconds,
    /// 1 is yes, 0 is no.
    Truth,
    /// Decibels relative to one milliwatt.
    Dbm,
    /// Megabits per second.
    MegabitsPerSecond,
    /// Volts.
    Volts,
    /// Watts.
    Watts,
    /// Hours.
    Hours,
    /// Days.
    Days,
    /// Kelvin per hour.
    KelvinPerHour,
    /// Degrees of arc.
    Degrees,
    /// No unit.
    None,
}

impl Unit {
    /// The symbol shown behind a number; empty for counts and truths.
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Celsius => "°C",
            Unit::Kelvin => "K",
            Unit::Percent => "%",
            Unit::Bytes => "B",
            Unit::BytesPerSecond => "B/s",
            Unit::PerSecond => "/s",
            Unit::Seconds => "s",
            Unit::Milliseconds => "ms",
            Unit::Dbm => "dBm",
            Unit::MegabitsPerSecond => "Mbit/s",
            Unit::Volts => "V",
            Unit::Watts => "W",
            Unit::Hours => "h",
            Unit::Days => "d",
            Unit::KelvinPerHour => "K/h",
            Unit::Degrees => "°",
            Unit::Count | Unit::Truth | Unit::None => "",
        }
    }

    /// Short code used in the store, CSV headers and `--map` (`degC`, `percent`, `bytes`, …).
    pub fn code(self) -> &'static str {
        match self {
            Unit::Celsius => "degC",
            Unit::Kelvin => "K",
            Unit::Percent => "percent",
            Unit::Bytes => "bytes",
            Unit::BytesPerSecond => "bytes_per_second",
            Unit::PerSecond => "per_second",
            Unit::Count => "count",
            Unit::Seconds => "seconds",
            Unit::Milliseconds => "milliseconds",
            Unit::Truth => "truth",
            Unit::Dbm => "dBm",
            Unit::MegabitsPerSecond => "megabits_per_second",
            Unit::Volts => "volts",
            Unit::Watts => "watts",
            Unit::Hours => "hours",
            Unit::Days => "days",
            Unit::KelvinPerHour => "kelvin_per_hour",
            Unit::Degrees => "degrees",
            Unit::None => "none",
        }
    }

    /// Every unit, for look-ups and tests.
    pub const ALL: [Unit; 19] = [
        Unit::Celsius,
        Unit::Kelvin,
        Unit::Percent,
        Unit::Bytes,
        Unit::BytesPerSecond,
        Unit::PerSecond,
        Unit::Count,
        Unit::Seconds,
        Unit::Milliseconds,
        Unit::Truth,
        Unit::Dbm,
        Unit::MegabitsPerSecond,
        Unit::Volts,
        Unit::Watts,
        Unit::Hours,
        Unit::Days,
        Unit::KelvinPerHour,
        Unit::Degrees,
        Unit::None,
    ];

    /// The unit with this code, if there is one.
    pub fn from_code(code: &str) -> Option<Unit> {
        Unit::ALL.into_iter().find(|u| u.code() == code)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_distinct_and_come_back() {
        for u in Unit::ALL {
            assert_eq!(Unit::from_code(u.code()), Some(u));
        }
    }
}
