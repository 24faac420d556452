//! Quantities as people write them: `2 m`, `90s`, `500 MB`, `45 °C`, `113 °F`, `5 %`, `2 K`, `22:30`.
//!
//! Pure. Every error says what was expected, so that the caller only adds where it stood.

use crate::model::{Span, Unit};

/// Why a text is no quantity of the wanted kind.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{problem}: expected {expected}")]
pub struct BadQuantity {
    /// What is wrong, with the text in backticks.
    pub problem: String,
    /// What was expected.
    pub expected: String,
}

fn bad(problem: impl Into<String>, expected: impl Into<String>) -> BadQuantity {
    BadQuantity { problem: problem.into(), expected: expected.into() }
}

/// A number and the unit behind it, as written.
fn split(text: &str) -> Option<(f64, &str)> {
    let t = text.trim();
    let number = |(i, c): (usize, char)| c.is_ascii_digit() || matches!(c, '.' | '_') || (i == 0 && "+-−".contains(c));
    let end = t.char_indices().find(|&ic| !number(ic)).map_or(t.len(), |(i, _)| i);
    let value: f64 = t[..end].replace('_', "").replace('−', "-").parse().ok()?;
    value.is_finite().then(|| (value, t[end..].trim()))
}

/// Milliseconds in one of this unit of time.
fn time_unit(u: &str) -> Option<f64> {
    Some(match u {
        "ms" | "millisecond" | "milliseconds" => 1.0,
        "s" | "sec" | "secs" | "second" | "seconds" => 1e3,
        "m" | "min" | "mins" | "minute" | "minutes" => 60e3,
        "h" | "hour" | "hours" => 3600e3,
        "d" | "day" | "days" => 86_400e3,
        _ => return None,
    })
}

/// A length of time: one or more numbers with units, such as `90s`, `2 m`, `1 h 30 min`. Not negative, at most 100 years.
pub fn span(text: &str) -> Result<Span, BadQuantity> {
    const EXPECTED: &str = "a number with its unit of time (ms, s, min, h or d), such as `90 s` or `2 min`";
    let no = || bad(format!("`{text}` is no length of time"), EXPECTED);
    let mut rest = text.trim();
    if rest.is_empty() {
        return Err(no());
    }
    let mut ms = 0.0;
    while !rest.is_empty() {
        let digits = rest
            .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '_'))
            .ok_or_else(|| bad(format!("`{text}` has no unit of time"), EXPECTED))?;
        let value: f64 = rest[..digits].replace('_', "").parse().map_err(|_| no())?;
        rest = rest[digits..].trim_start();
        let letters = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
        ms += value * time_unit(&rest[..letters]).ok_or_else(no)?;
        rest = rest[letters..].trim_start();
    }
    if ms > 100.0 * 366.0 * 86_400e3 {
        return Err(bad(format!("`{text}` is too long"), "at most 100 years"));
    }
    Ok(Span(ms.round() as i64))
}

/// An amount of data in bytes: `500 MB` (10⁶), `4 GiB` (2³⁰), `1024 B` (prefixes of IEC 80000-13).
pub fn bytes(text: &str) -> Result<f64, BadQuantity> {
    let no = || {
        bad(
            format!("`{text}` is no amount of data"),
            "a number with B, kB, MB, GB, TB or KiB, MiB, GiB, TiB, such as `500 MB`",
        )
    };
    let (value, unit) = split(text).ok_or_else(no)?;
    let b = (value * byte_factor(unit).ok_or_else(no)?).round();
    if (0.0..=9e18).contains(&b) { Ok(b) } else { Err(no()) }
}

fn byte_factor(unit: &str) -> Option<f64> {
    Some(match unit.to_ascii_lowercase().as_str() {
        "b" | "bytes" => 1.0,
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "tb" => 1e12,
        "kib" => 1024.0,
        "mib" => 1024f64.powi(2),
        "gib" => 1024f64.powi(3),
        "tib" => 1024f64.powi(4),
        _ => return None,
    })
}

/// A temperature in °C, from `45 °C`, `45C`, `113 °F` or `113F`. The exact relation is t/°C = (t/°F − 32) / 1.8
/// (NIST SP 811, 2008, appendix B.8).
pub fn celsius(text: &str) -> Result<f64, BadQuantity> {
    let no = || bad(format!("`{text}` is no temperature"), "a number with °C or °F, such as `45 °C` or `113 °F`");
    let (value, unit) = split(text).ok_or_else(no)?;
    let c = match unit.replace(['°', ' '], "").as_str() {
        "C" | "c" | "degC" => value,
        "F" | "f" | "degF" => (value - 32.0) / 1.8,
        _ => return Err(no()),
    };
    if c >= -273.15 {
        Ok(c)
    } else {
        Err(bad(format!("`{text}` is below absolute zero"), "a temperature such as `45 °C`"))
    }
}

/// A difference of temperatures in K, from `2 K`, `2 °C` or `3.6 °F`.
pub fn kelvins(text: &str) -> Result<f64, BadQuantity> {
    let no = || bad(format!("`{text}` is no difference of temperatures"), "a number with K, °C or °F, such as `2 K`");
    let (value, unit) = split(text).ok_or_else(no)?;
    match unit.replace(['°', ' '], "").as_str() {
        "K" | "k" | "C" | "c" | "degC" => Ok(value),
        "F" | "f" | "degF" => Ok(value / 1.8),
        _ => Err(no()),
    }
}

/// A value in `unit`, as a signal of that unit stores it: the unit may be written as people do (°F, MB, min).
pub fn value(text: &str, unit: Unit) -> Result<f64, BadQuantity> {
    let symbol = unit.symbol();
    let expected = match symbol {
        "" => "a plain number".to_owned(),
        s => format!("a number with {s}, such as `5 {s}`"),
    };
    let no = || bad(format!("`{text}` does not fit"), expected.clone());
    match unit {
        Unit::Celsius => return celsius(text),
        Unit::Kelvin => return kelvins(text),
        Unit::Bytes => return bytes(text),
        Unit::Seconds | Unit::Milliseconds | Unit::Hours | Unit::Days => {
            // Lengths of time may be negative here (an offset of a clock), so the sign is taken off first.
            let t = text.trim();
            let (sign, t) = t.strip_prefix(['-', '−']).map_or((1.0, t), |rest| (-1.0, rest));
            let per = match unit {
                Unit::Milliseconds => 1.0,
                Unit::Seconds => 1e3,
                Unit::Hours => 3600e3,
                _ => 86_400e3,
            };
            // Not through whole milliseconds: a round trip of 0.4 ms is a fair limit.
            if let Some((v, u)) = split(t)
                && let Some(ms) = time_unit(u)
            {
                return Ok(sign * v * ms / per);
            }
            return span(t).map(|s| sign * s.0 as f64 / per);
        }
        Unit::Truth => {
            return match text.trim() {
                "true" | "yes" => Ok(1.0),
                "false" | "no" => Ok(0.0),
                _ => Err(bad(format!("`{text}` does not fit"), "true or false")),
            };
        }
        _ => {}
    }
    let (v, u) = split(text).ok_or_else(no)?;
    if u == symbol {
        return Ok(v);
    }
    let tail = |end: &str| u.strip_suffix(end).map(str::trim_end);
    match unit {
        Unit::BytesPerSecond => tail("/s").and_then(byte_factor).map(|f| v * f).ok_or_else(no),
        Unit::PerSecond if u == "per second" => Ok(v),
        Unit::KelvinPerHour => match tail("/h").map(|t| t.replace(['°', ' '], "")).as_deref() {
            Some("K" | "C") => Ok(v),
            Some("F") => Ok(v / 1.8),
            _ => Err(no()),
        },
        Unit::Percent if u == "percent" => Ok(v),
        _ => Err(no()),
    }
}

/// A local clock time `HH:MM` in minutes after midnight.
pub fn clock(text: &str) -> Result<u16, BadQuantity> {
    let no = || bad(format!("`{text}` is no clock time"), "hours and minutes, such as `22:30`");
    let (h, m) = text.trim().split_once(':').ok_or_else(no)?;
    let part = |t: &str, most: u16| {
        let digits = t.len() <= 2 && t.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| t.parse::<u16>().ok()).flatten().filter(|v| *v <= most)
    };
    match (part(h, 24), part(m, 59)) {
        (Some(24), Some(0)) => Ok(0),
        (Some(h), Some(m)) if h < 24 => Ok(h * 60 + m),
        _ => Err(no()),
    }
}

/// Two local clock times, `22:00-06:00` (also with `–` or ` to `), in minutes after midnight; may pass midnight.
pub fn clock_range(text: &str) -> Result<(u16, u16), BadQuantity> {
    let no = || bad(format!("`{text}` is no pair of clock times"), "two clock times, such as `22:00-06:00`");
    let (a, b) = ["-", "–", " to "].iter().find_map(|s| text.split_once(s)).ok_or_else(no)?;
    match (clock(a).map_err(|_| no())?, clock(b).map_err(|_| no())?) {
        (a, b) if a == b => Err(bad(format!("`{text}` is no stretch of time"), "two different clock times")),
        pair => Ok(pair),
    }
}

/// Minutes after midnight as `HH:MM`.
pub fn clock_text(minutes: u16) -> String {
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_as_people_write_them() {
        for (t, ms) in [
            ("90s", 90_000),
            ("2 m", 120_000),
            ("2 min", 120_000),
            ("1 h 30 min", 5_400_000),
            ("1h30m", 5_400_000),
            ("0 s", 0),
            ("0.5 s", 500),
            ("250 ms", 250),
            ("14 days", 1_209_600_000),
        ] {
            assert_eq!(span(t), Ok(Span(ms)), "{t}");
        }
        for t in ["", "90", "90 parsecs", "-3 s", "s", "1 h 3", "1..2 s", "1e9 d", "99999999999999 d", "ü"] {
            assert!(span(t).is_err(), "{t}");
        }
    }

    #[test]
    fn temperatures_follow_the_exact_relation() {
        // NIST SP 811 (2008), appendix B.8: t/°C = (t/°F − 32) / 1.8; 113 °F is 45 °C exactly.
        assert!((celsius("113 °F").unwrap() - 45.0).abs() < 1e-12);
        assert!((celsius("-40F").unwrap() + 40.0).abs() < 1e-12);
        assert_eq!(celsius("−3.2 °C"), Ok(-3.2));
        assert!((kelvins("3.6 °F").unwrap() - 2.0).abs() < 1e-12);
        for t in ["45", "45 K", "-300 °C", "warm", "NaN °C", "inf °C"] {
            assert!(celsius(t).is_err(), "{t}");
        }
    }

    #[test]
    fn sizes_shares_and_clock_times() {
        assert_eq!(bytes("500 MB"), Ok(5e8));
        assert_eq!(bytes("4GiB"), Ok((4u64 << 30) as f64));
        assert!(bytes("-1 MB").is_err() && bytes("5").is_err() && bytes("1e30 TB").is_err());
        for (t, unit, v) in [
            ("5 %", Unit::Percent, 5.0),
            ("-70 dBm", Unit::Dbm, -70.0),
            ("0.4 ms", Unit::Milliseconds, 0.4),
            ("-1 min", Unit::Seconds, -60.0),
            ("2 h 30 min", Unit::Hours, 2.5),
            ("2 MB/s", Unit::BytesPerSecond, 2e6),
            ("-1.8 °F/h", Unit::KelvinPerHour, -1.0),
            ("3", Unit::Count, 3.0),
            ("false", Unit::Truth, 0.0),
            ("12.5 V", Unit::Volts, 12.5),
        ] {
            let got = value(t, unit).unwrap();
            assert!((got - v).abs() < 1e-9, "{t}: {got}");
        }
        for (t, unit) in [("5", Unit::Percent), ("5 K", Unit::Celsius), ("5 °C/h", Unit::Celsius), ("3 V", Unit::Watts)]
        {
            assert!(value(t, unit).is_err(), "{t}");
        }
        assert_eq!(clock_range("22:00-06:00"), Ok((1320, 360)));
        assert_eq!(clock("24:00"), Ok(0));
        for t in ["22", "25:00", "22:60", "22:00-22:00", "a:b", "+1:00"] {
            assert!(clock_range(t).is_err(), "{t}");
        }
    }
}
