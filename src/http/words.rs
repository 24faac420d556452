//! How values and times are said to people: units as configured, local time of the site.

use crate::config::Config;
use crate::config::model::TemperatureScale;
use crate::model::{SignalDef, Span, Unit, UnixMs, Value};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, ZonedDateTime};

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
        let named = config.site.as_ref().map(|s| s.zone.as_str()).or(config.zone.as_deref());
        let zone = named.and_then(|z| TimeZone::get(z).ok()).unwrap_or_else(TimeZone::system);
        Show { zone, scale: config.temperatures }
    }

    fn local(&self, t: UnixMs) -> ZonedDateTime {
        Timestamp::from_millisecond(t.0).unwrap_or(Timestamp::UNIX_EPOCH).to_zoned_datetime(self.zone.clone())
    }

    /// `01:13`
    pub fn clock(&self, t: UnixMs) -> String {
        self.local(t).strftime("%H:%M").to_string()
    }

    /// `01:13` when it is within twenty hours of `now`, else `12 January, 01:13`.
    pub fn clock_near(&self, t: UnixMs, now: UnixMs) -> String {
        if (now - t).0.abs() < Span::hours(20).0 {
            self.clock(t)
        } else {
            self.local(t).strftime("%-d %B, %H:%M").to_string()
        }
    }

    /// The evening's date of the night (local noon to local noon) that holds `t`: `12 January`.
    pub fn night_of(&self, t: UnixMs) -> String {
        let z = self.local(t);
        let evening = if z.hour() < 12 { z.date().saturating_sub(1.day()) } else { z.date() };
        evening.strftime("%-d %B").to_string()
    }

    /// A value with its unit: `14.6 °C`, `38 %`, `2.1 GB`, `yes`.
    pub fn value(&self, v: f64, def: &SignalDef) -> String {
        match def.unit {
            Unit::Celsius if self.scale == TemperatureScale::Fahrenheit => {
                format!("{} °F", minus(format!("{:.1}", v * 1.8 + 32.0)))
            }
            Unit::Kelvin if self.scale == TemperatureScale::Fahrenheit => {
                format!("{} °F", minus(format!("{:.1}", v * 1.8)))
            }
            Unit::Celsius => format!("{} °C", minus(format!("{v:.1}"))),
            Unit::Kelvin => format!("{} K", minus(format!("{v:.1}"))),
            Unit::Bytes => bytes(v),
            Unit::BytesPerSecond => format!("{}/s", bytes(v)),
            Unit::Truth => if v >= 0.5 { "yes" } else { "no" }.into(),
            Unit::Seconds => Span((v * 1000.0) as i64).to_string(),
            unit => {
                let decimals = if def.resolution >= 1.0 || v.abs() >= 100.0 { 0 } else { 1 };
                let n = minus(format!("{v:.decimals$}"));
                if unit.symbol().is_empty() { n } else { format!("{n} {}", unit.symbol()) }
            }
        }
    }

    /// A reading, or a dash where there is none (the reason is said elsewhere).
    pub fn reading(&self, v: &Value, def: &SignalDef) -> String {
        v.known().map_or_else(|| "not read".into(), |x| self.value(x, def))
    }
}

/// The true minus sign, and no negative zero.
fn minus(n: String) -> String {
    match n.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.into(),
        Some(rest) => format!("−{rest}"),
        None => n,
    }
}

/// `740 MB`, `2.1 GB` (powers of ten).
pub fn bytes(v: f64) -> String {
    let (mut x, mut i) = (v.abs(), 0);
    const UNITS: [&str; 5] = ["B", "kB", "MB", "GB", "TB"];
    while x >= 999.5 && i + 1 < UNITS.len() {
        x /= 1000.0;
        i += 1;
    }
    let n = if i > 0 && x < 9.95 { format!("{x:.1}") } else { format!("{x:.0}") };
    format!("{}{n} {}", if v < 0.0 { "−" } else { "" }, UNITS[i])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Name;

    fn show(scale: TemperatureScale) -> Show {
        Show { zone: TimeZone::get("Europe/Vienna").unwrap(), scale }
    }

    #[test]
    fn values_are_said_in_the_persons_units() {
        let t = SignalDef::new(Name::new("temperature.box").unwrap(), Unit::Celsius, 0.1, "box");
        assert_eq!(show(TemperatureScale::Celsius).value(-3.24, &t), "−3.2 °C");
        assert_eq!(show(TemperatureScale::Celsius).value(-0.04, &t), "0.0 °C");
        assert_eq!(show(TemperatureScale::Fahrenheit).value(-40.0, &t), "−40.0 °F");
        assert_eq!(bytes(999.0), "999 B");
        assert_eq!(bytes(2_140_000_000.0), "2.1 GB");
        assert_eq!(bytes(999_600.0), "1.0 MB");
    }

    #[test]
    fn nights_run_from_noon_to_noon() {
        let s = show(TemperatureScale::Celsius);
        let at = |t: &str| UnixMs(t.parse::<Timestamp>().unwrap().as_millisecond());
        assert_eq!(s.night_of(at("2026-01-13T00:13:00Z")), "12 January");
        assert_eq!(s.night_of(at("2026-01-12T10:59:00Z")), "11 January");
        assert_eq!(s.night_of(at("2026-01-12T11:00:00Z")), "12 January");
        assert_eq!(s.clock(at("2026-01-13T00:13:00Z")), "01:13");
    }
}
