//! How times, temperatures and numbers are said to people, in one place, so that page, report and pictures agree.

use crate::config::model::TemperatureScale;
use crate::model::{Span, Unit, UnixMs};
use jiff::Timestamp;
use jiff::ZonedDateTime;
use jiff::tz::TimeZone;

/// A wall time in a zone. Times beyond what the calendar can hold are clamped to its ends.
pub fn zoned(at: UnixMs, zone: &TimeZone) -> ZonedDateTime {
    let ts = Timestamp::from_millisecond(at.0).unwrap_or(if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX });
    ts.to_zoned_datetime(zone.clone())
}

/// `01:13`, local.
pub fn clock(at: UnixMs, zone: &TimeZone) -> String {
    zoned(at, zone).strftime("%H:%M").to_string()
}

/// `01:13:07`, local.
pub fn clock_s(at: UnixMs, zone: &TimeZone) -> String {
    zoned(at, zone).strftime("%H:%M:%S").to_string()
}

/// The zone over a stretch: `CET (UTC+01:00)`, or both when the clocks change inside it.
pub fn zone_over(from: UnixMs, to: UnixMs, zone: &TimeZone) -> String {
    let one = |at| {
        let z = zoned(at, zone);
        let name = z.strftime("%Z").to_string();
        let off = z.strftime("%:z").to_string();
        // A zone without letters of its own is named by its offset alone; saying it twice helps nobody.
        if name.starts_with(['+', '-']) {
            format!("UTC{off}")
        } else if name == "UTC" {
            name
        } else {
            format!("{name}, UTC{off}")
        }
    };
    let (a, b) = (one(from), one(to));
    if a == b { a } else { format!("{a}, then {b}") }
}

/// `2026-01-13T00:13:07Z`: UTC, RFC 3339, with milliseconds only when there are any.
pub fn rfc3339(at: UnixMs) -> String {
    let ts = Timestamp::from_millisecond(at.0).unwrap_or(if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX });
    ts.to_string()
}

/// A number with `decimals` places and a true minus sign; never `−0.0`.
pub fn number(v: f64, decimals: usize) -> String {
    let t = format!("{v:.decimals$}");
    let zero = t.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    match t.strip_prefix('-') {
        Some(rest) if zero => rest.to_string(),
        Some(rest) => format!("−{rest}"),
        None => t,
    }
}

/// Decimals that show a resolution: 0.1 gives 1, 5 gives 0; at most 3.
pub fn decimals_for(resolution: f64) -> usize {
    if !(resolution.is_finite() && resolution > 0.0) {
        return 1;
    }
    (0..3).find(|&d| resolution * 10f64.powi(d) >= 0.999).map_or(3, |d| d as usize)
}

/// A value as people chose to see it: temperatures and their differences in the chosen scale, all else as stored.
pub fn in_scale(v: f64, unit: Unit, scale: TemperatureScale) -> f64 {
    match (unit, scale) {
        (Unit::Celsius, TemperatureScale::Fahrenheit) => v * 1.8 + 32.0,
        (Unit::Kelvin | Unit::KelvinPerHour, TemperatureScale::Fahrenheit) => v * 1.8,
        _ => v,
    }
}

/// A temperature that a person stated in their own scale, in °C.
pub fn to_celsius(v: f64, scale: TemperatureScale) -> f64 {
    match scale {
        TemperatureScale::Celsius => v,
        TemperatureScale::Fahrenheit => (v - 32.0) / 1.8,
    }
}

/// The symbol of a unit in the chosen scale.
pub fn symbol(unit: Unit, scale: TemperatureScale) -> &'static str {
    match (unit, scale) {
        (Unit::Celsius | Unit::Kelvin, TemperatureScale::Fahrenheit) => "°F",
        (Unit::KelvinPerHour, TemperatureScale::Fahrenheit) => "°F/h",
        _ => unit.symbol(),
    }
}

/// A value with its unit: `−3.2 °C`, `38 %`, `4.1 GB`, `yes`.
pub fn value(v: f64, unit: Unit, resolution: f64, scale: TemperatureScale) -> String {
    match unit {
        Unit::Truth => return if v >= 0.5 { "yes" } else { "no" }.into(),
        Unit::Bytes => return bytes(v),
        Unit::BytesPerSecond => return format!("{}/s", bytes(v)),
        Unit::Seconds if v.abs() >= 60.0 => return Span((v * 1000.0) as i64).to_string(),
        _ => {}
    }
    let shown = in_scale(v, unit, scale);
    let text = number(shown, decimals_for(resolution));
    match symbol(unit, scale) {
        "" => text,
        "°" => format!("{text}°"),
        s => format!("{text} {s}"),
    }
}

/// A size in steps of 1000: `512 B`, `4.1 GB`, `250 MB`.
pub fn bytes(v: f64) -> String {
    let mut size = v.abs();
    let mut unit = "B";
    for next in ["kB", "MB", "GB", "TB"] {
        if size < 999.5 {
            break;
        }
        size /= 1000.0;
        unit = next;
    }
    let sign = if v < 0.0 { "−" } else { "" };
    if unit == "B" || size >= 99.95 { format!("{sign}{size:.0} {unit}") } else { format!("{sign}{size:.1} {unit}") }
}

/// A length for sums: whole minutes from ten minutes on, where seconds say nothing any more.
pub fn rough(s: Span) -> Span {
    if s.0.abs() < 600_000 { s } else { Span((s.0 + 30_000).div_euclid(60_000) * 60_000) }
}

/// A lag for people: tenths of a second below ten seconds, since the order is what matters.
pub fn lag(s: Span) -> String {
    match s.0 {
        1..10_000 => format!("{:.1} s", s.as_secs_f64()),
        _ => s.to_string(),
    }
}

/// `1 alarm`, `3 alarms`, `no alarms`; plural by adding an `s` or as given after a bar: `pass|passes`.
pub fn count(n: usize, what: &str) -> String {
    let (one, many) = what.split_once('|').map_or_else(|| (what, format!("{what}s")), |(a, b)| (a, b.to_string()));
    match n {
        0 => format!("no {many}"),
        1 => format!("1 {one}"),
        _ => format!("{n} {many}"),
    }
}

/// `a`, `a and b`, `a, b and c`.
pub fn list<S: AsRef<str>>(items: &[S]) -> String {
    match items {
        [] => String::new(),
        [a] => a.as_ref().into(),
        [head @ .., last] => {
            let head: Vec<&str> = head.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", head.join(", "), last.as_ref())
        }
    }
}

/// The first letter made large, for the start of a sentence.
pub fn sentence_start(text: &str) -> String {
    let mut c = text.chars();
    match c.next() {
        Some(first) => first.to_uppercase().collect::<String>() + c.as_str(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use TemperatureScale::{Celsius, Fahrenheit};

    #[test]
    fn values_are_said_in_the_chosen_scale() {
        for (v, unit, res, scale, said) in [
            (-3.24, Unit::Celsius, 0.1, Celsius, "−3.2 °C"),
            (-40.0, Unit::Celsius, 0.1, Fahrenheit, "−40.0 °F"),
            (100.0, Unit::Celsius, 1.0, Fahrenheit, "212 °F"),
            (10.0, Unit::Kelvin, 0.1, Fahrenheit, "18.0 °F"),
            (-0.04, Unit::Celsius, 0.1, Celsius, "0.0 °C"),
            (1.0, Unit::Truth, 1.0, Celsius, "yes"),
            (4_123_000_000.0, Unit::Bytes, 1.0, Celsius, "4.1 GB"),
            (999_700.0, Unit::Bytes, 1.0, Celsius, "1.0 MB"),
            (38.0, Unit::Percent, 0.1, Celsius, "38.0 %"),
            (125.0, Unit::Seconds, 1.0, Celsius, "2 min 5 s"),
        ] {
            assert_eq!(value(v, unit, res, scale), said);
        }
    }

    #[test]
    fn clock_changes_are_named() {
        let berlin = TimeZone::get("Europe/Berlin").unwrap();
        // 2026-03-29 01:00 UTC is the change to summer time in the European Union (Directive 2000/84/EC).
        let change = Timestamp::from_second(1_774_746_000).unwrap().as_millisecond();
        let said = zone_over(UnixMs(change - 3_600_000), UnixMs(change), &berlin);
        assert_eq!(said, "CET, UTC+01:00, then CEST, UTC+02:00");
        assert_eq!(clock(UnixMs(change - 1), &berlin), "01:59");
        assert_eq!(clock(UnixMs(change), &berlin), "03:00");
    }

    #[test]
    fn small_words() {
        assert_eq!(count(0, "alarm"), "no alarms");
        assert_eq!(count(2, "pass|passes"), "2 passes");
        assert_eq!(rough(Span::secs(2704)).to_string(), "45 min");
        assert_eq!(rough(Span::secs(64)).to_string(), "1 min 4 s");
        assert_eq!(lag(Span(1400)), "1.4 s");
        assert_eq!(list(&["a", "b", "c"]), "a, b and c");
        assert_eq!(decimals_for(0.25), 1);
        assert_eq!(decimals_for(0.0625), 2);
        assert_eq!(decimals_for(10.0), 0);
    }
}
