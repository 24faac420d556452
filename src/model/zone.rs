//! Time zones by the words in which people state them.

use jiff::fmt::temporal::{DateTimeParser, DateTimePrinter};
use jiff::tz::TimeZone;

/// No zone lies farther from UTC (IANA time zone database: Pacific/Kiritimati, +14:00), in seconds.
const FARTHEST: i32 = 14 * 3600;

/// The zone of that name in the IANA time zone database, or with that fixed offset from UTC (RFC 3339's form, east is positive).
///
/// POSIX strings are left out on purpose: there `UTC+1` lies west, which nobody means who writes it.
pub fn zone_named(text: &str) -> Option<TimeZone> {
    let text = text.trim().replace('−', "-");
    if text.starts_with(['+', '-']) {
        let zone = DateTimeParser::new().parse_time_zone(&text).ok()?;
        return (zone.to_fixed_offset().ok()?.seconds().abs() <= FARTHEST).then_some(zone);
    }
    TimeZone::get(&text).ok()
}

/// What [`zone_named`] takes again; none for a system's zone that has no name.
pub fn zone_name(zone: &TimeZone) -> Option<String> {
    DateTimePrinter::new().time_zone_to_string(zone).ok()
}

/// For sentences: a fixed offset says what it is counted from.
pub fn zone_said(zone: &TimeZone) -> String {
    match zone_name(zone) {
        Some(offset) if offset.starts_with(['+', '-']) => format!("UTC{offset}"),
        Some(name) => name,
        None => "own zone".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::offset;

    #[test]
    fn names_and_fixed_offsets_are_zones_and_come_back() {
        assert_eq!(zone_named("+01:00"), Some(TimeZone::fixed(offset(1))));
        assert_eq!(zone_named(" −05 "), Some(TimeZone::fixed(offset(-5))));
        for text in ["Europe/Oslo", "UTC", "+01:00", "-03:30", "+05:45"] {
            assert_eq!(zone_name(&zone_named(text).unwrap()).as_deref(), Some(text));
        }
    }

    #[test]
    fn people_read_what_an_offset_is_counted_from() {
        let said = |t: &str| zone_said(&zone_named(t).unwrap());
        assert_eq!([said("+01:00"), said("-07:00"), said("UTC")], ["UTC+01:00", "UTC-07:00", "UTC"]);
    }

    #[test]
    fn what_would_be_misread_is_refused() {
        for text in ["", "UTC+1", "CET-1CEST", "01:00", "+", "+25:00", "+01:00:00.5", "Nowhere/Town"] {
            assert_eq!(zone_named(text), None, "{text}");
        }
    }
}
