//! Nights: local noon to local noon in a time zone, named by the evening's date.
//!
//! Noon is taken on the wall clock, so a night is 23 h or 25 h long where the clock changes in it. Where noon itself is
//! skipped by a zone that dropped a whole day, the nights around the dropped day still join without gap or overlap, and no
//! instant belongs to an empty night.

use crate::model::{Span, UnixMs};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use std::fmt;

/// One night.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Night {
    /// Date of the evening; the night's name.
    pub date: Date,
    /// Local noon of that date.
    pub from: UnixMs,
    /// Local noon of the next date; not included.
    pub to: UnixMs,
}

impl Night {
    /// Noon to noon, in real time: usually 24 h.
    pub fn length(&self) -> Span {
        self.to - self.from
    }
    /// Whether an instant belongs to this night.
    pub fn contains(&self, t: UnixMs) -> bool {
        self.from <= t && t < self.to
    }
    /// From noon to noon, for the functions of [`super::intervals`].
    pub fn interval(&self) -> super::Interval {
        (self.from, self.to)
    }
}

/// The name: `2026-01-12`.
impl fmt::Display for Night {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.date.fmt(f)
    }
}

/// The night that begins at noon of `date`. At the very end of the calendar (year 9999) it is empty.
pub fn night_on(date: Date, zone: &TimeZone) -> Night {
    let from = noon(date, zone);
    Night { date, from, to: date.tomorrow().map_or(from, |d| noon(d, zone)) }
}

/// The night that an instant belongs to. Instants beyond the years −9000 to 9000 are taken as at the nearer end.
pub fn night_of(instant: UnixMs, zone: &TimeZone) -> Night {
    const END: i64 = 221_845_392_000_000; // 9000-01-01
    let t = instant.0.clamp(-END - 124_328_000_000_000, END);
    let local = jiff::Timestamp::from_millisecond(t).map_or(Date::ZERO, |t| t.to_zoned_datetime(zone.clone()).date());
    let t = UnixMs(t);
    // The local date or the one before; a zone that moved by whole days may need one more step.
    let mut night = night_on(local, zone);
    for _ in 0..4 {
        let step = if t < night.from {
            night.date.yesterday()
        } else if t >= night.to {
            night.date.tomorrow()
        } else {
            break;
        };
        match step {
            Ok(date) => night = night_on(date, zone),
            Err(_) => break,
        }
    }
    night
}

/// All nights that share time with the stretch from `from` to `to` (not included), in order; empty nights left out, and at
/// most 40,000 of them (a century).
pub fn nights_between(from: UnixMs, to: UnixMs, zone: &TimeZone) -> Vec<Night> {
    let mut out = Vec::new();
    if from >= to {
        return out;
    }
    let mut night = night_of(from, zone);
    while night.from < to && out.len() < 40_000 {
        if night.to > night.from {
            out.push(night);
        }
        match night.date.tomorrow() {
            Ok(date) => night = night_on(date, zone),
            Err(_) => break,
        }
    }
    out
}

fn noon(date: Date, zone: &TimeZone) -> UnixMs {
    // Where noon is skipped or happens twice, jiff's compatible rule moves on past the gap or takes the earlier one. It fails
    // only at the ends of the calendar; there UTC stands in for the zone.
    let noon = date.at(12, 0, 0, 0);
    let instant = noon.to_zoned_datetime(zone.clone()).or_else(|_| noon.to_zoned_datetime(TimeZone::UTC));
    UnixMs(instant.map_or(0, |z| z.timestamp().as_millisecond()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use proptest::prelude::*;

    fn at(text: &str) -> UnixMs {
        UnixMs(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
    }
    fn zone(name: &str) -> TimeZone {
        TimeZone::get(name).unwrap()
    }

    #[test]
    fn noon_parts_the_nights() {
        let z = zone("Europe/Oslo");
        assert_eq!(night_of(at("2026-01-12T11:00:00Z"), &z).date, date(2026, 1, 12));
        assert_eq!(night_of(at("2026-01-12T10:59:59.999Z"), &z).date, date(2026, 1, 11));
        assert_eq!(night_of(at("2026-01-13T02:00:00Z"), &z).to_string(), "2026-01-12");
    }

    /// Clock changes of 2026 in Europe (29 March, 25 October) and in Sydney (5 April, 4 October), from the IANA time zone
    /// database.
    #[test]
    fn nights_of_23_and_25_hours() {
        for (name, day, hours) in [
            ("Europe/Oslo", date(2026, 3, 28), 23),
            ("Europe/Oslo", date(2026, 3, 29), 24),
            ("Europe/Oslo", date(2026, 10, 24), 25),
            ("Australia/Sydney", date(2026, 4, 4), 25),
            ("Australia/Sydney", date(2026, 10, 3), 23),
        ] {
            assert_eq!(night_on(day, &zone(name)).length(), Span::hours(hours), "{name} {day}");
        }
        // Lord Howe Island moves by half an hour.
        assert_eq!(night_on(date(2026, 4, 4), &zone("Australia/Lord_Howe")).length(), Span::mins(24 * 60 + 30));
    }

    /// Samoa left out 30 December 2011.
    #[test]
    fn a_dropped_day_leaves_no_gap() {
        let z = zone("Pacific/Apia");
        let nights = nights_between(at("2011-12-28T00:00:00Z"), at("2012-01-03T00:00:00Z"), &z);
        for pair in nights.windows(2) {
            assert_eq!(pair[0].to, pair[1].from);
            assert!(pair[0].length() > Span::ZERO);
        }
        let t = at("2011-12-30T11:00:00Z");
        assert!(night_of(t, &z).contains(t));
    }

    #[test]
    fn ends_of_time_do_not_panic() {
        for ms in [i64::MIN, -1, 0, i64::MAX] {
            let _ = night_of(UnixMs(ms), &zone("Asia/Kathmandu"));
        }
        let _ = night_on(Date::MAX, &zone("Pacific/Kiritimati"));
        let _ = night_on(Date::MIN, &zone("Pacific/Kiritimati"));
        assert!(nights_between(UnixMs(0), UnixMs(0), &TimeZone::UTC).is_empty());
        assert_eq!(nights_between(UnixMs(i64::MIN), UnixMs(i64::MAX), &TimeZone::UTC).len(), 40_000);
    }

    proptest! {
        #[test]
        fn every_instant_has_one_night(s in 0i64..4_102_444_800, i in 0usize..7) {
            let names = ["UTC", "Europe/Oslo", "Pacific/Apia", "America/St_Johns", "Australia/Lord_Howe",
                "Asia/Kathmandu", "America/Los_Angeles"];
            let (z, t) = (zone(names[i]), UnixMs(s * 1000));
            let n = night_of(t, &z);
            prop_assert!(n.contains(t));
            prop_assert_eq!(night_on(n.date, &z), n);
            prop_assert_eq!(night_of(n.to, &z).from, n.to);
        }
    }
}
