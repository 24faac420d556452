//! How this person sees times and values: the site's zone, the configured scale. The words themselves are the reports', so
//! that page and report agree.

use crate::config::Config;
use crate::config::model::TemperatureScale;
use crate::model::{SignalDef, Span, Unit, UnixMs};
use crate::report::say;
use crate::report::settings::zone_here;
use jiff::ToSpan;
use jiff::tz::TimeZone;

/// What somebody sent, short and without control characters, to be shown back.
pub fn echoed(sent: &str) -> String {
    sent.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// How this person sees times and temperatures.
#[derive(Clone, Debug)]
pub struct Show {
    /// Zone of local times.
    pub zone: TimeZone,
    /// Scale of temperatures.
    pub scale: TemperatureScale,
}

impl Show {
    /// As configured: the site's zone, else the stated one, else the system's.
    pub fn of(config: &Config) -> Show {
        Show { zone: zone_here(config), scale: config.temperatures }
    }

    /// `01:13` when it is within twenty hours of `now`, else `12 January, 01:13`.
    pub fn clock(&self, t: UnixMs, now: UnixMs) -> String {
        if (now - t).0.abs() < Span::hours(20).0 {
            say::clock(t, &self.zone)
        } else {
            say::zoned(t, &self.zone).strftime("%-d %B, %H:%M").to_string()
        }
    }

    /// The evening's date of a night that begins at noon `from`: `12 January`.
    pub fn evening(&self, from: UnixMs) -> String {
        say::zoned(from, &self.zone).strftime("%-d %B").to_string()
    }

    /// How long it is from `now` until the next local noon; at least a minute, at most a day.
    pub fn until_noon(&self, now: UnixMs) -> Span {
        let z = say::zoned(now, &self.zone);
        let day = if z.hour() < 12 { z.date() } else { z.date().saturating_add(1.day()) };
        let noon = day.at(12, 0, 0, 0).to_zoned_datetime(self.zone.clone());
        let left = noon.map_or(Span::hours(12), |n| UnixMs(n.timestamp().as_millisecond()) - now);
        left.clamp(Span::mins(1), Span::hours(24))
    }

    /// A value with its unit; of a busy quantity, only the digits that somebody reads.
    pub fn value(&self, v: f64, def: &SignalDef) -> String {
        let coarse = match def.unit {
            Unit::Percent | Unit::Milliseconds if v.abs() >= 9.95 => 1.0,
            Unit::Percent | Unit::Milliseconds | Unit::Celsius | Unit::Kelvin => 0.1,
            _ => def.resolution,
        };
        say::value(v, def.unit, coarse.max(def.resolution), self.scale)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::Timestamp;

    fn at(t: &str) -> UnixMs {
        UnixMs(t.parse::<Timestamp>().unwrap().as_millisecond())
    }

    #[test]
    fn noon_is_the_next_one() {
        let s = Show { zone: TimeZone::get("Europe/Vienna").unwrap(), scale: TemperatureScale::Celsius };
        assert_eq!(s.until_noon(at("2026-01-13T00:00:00Z")), Span::hours(11));
        assert_eq!(s.until_noon(at("2026-01-12T11:00:00Z")), Span::hours(24));
        assert_eq!(s.until_noon(at("2026-01-12T10:59:50Z")), Span::mins(1));
        // The night of the change to summer time is an hour shorter.
        assert_eq!(s.until_noon(at("2026-03-28T23:00:00Z")), Span::hours(11));
    }

    #[test]
    fn clocks_far_away_carry_their_date() {
        let s = Show { zone: TimeZone::get("Europe/Vienna").unwrap(), scale: TemperatureScale::Celsius };
        let now = at("2026-01-13T00:13:00Z");
        assert_eq!(s.clock(at("2026-01-12T22:00:00Z"), now), "23:00");
        assert_eq!(s.clock(at("2026-01-11T22:00:00Z"), now), "11 January, 23:00");
    }
}
