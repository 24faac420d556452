//! Quantities as people write them: `2 m`, `90s`, `500 MB`, `45 °C`, `113 °F`, `5 %`, `2 K`, `22:30`.
//!
//! Pure. Every error says what was expected, so that the caller only adds where it stood.

use crate::model::Span;

/// A number and the unit behind it, as written.
fn split(text: &str) -> Option<(f64, &str)> {
    let t = text.trim();
    let end = t
        .char_indices()
        .find(|&(i, c)| !(c.is_ascii_digit() || c == '.' || c == '_' || (i == 0 && (c == '+' || c == '-' || c == '−'))))
        .map_or(t.len(), |(i, _)| i);
    let number = t[..end].replace('_', "").replace('−', "-");
    let value: f64 = number.parse().ok()?;
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
pub fn span(text: &str) -> Result<Span, String> {
    const EXPECTED: &str = "expected a length of time with its unit (ms, s, min, h or d), such as `90s` or `2 min`";
    let bad = || format!("`{text}` is no length of time: {EXPECTED}");
    let mut rest = text.trim();
    if rest.is_empty() {
        return Err(bad());
    }
    let mut ms = 0.0;
    while !rest.is_empty() {
        let digits = rest
            .find(|c: char| !(c.is_ascii_digit() || c == '.' || c == '_'))
            .ok_or_else(|| format!("`{text}` has no unit: {EXPECTED}"))?;
        let value: f64 = rest[..digits].replace('_', "").parse().map_err(|_| bad())?;
        rest = rest[digits..].trim_start();
        let letters = rest.find(|c: char| !c.is_alphabetic()).unwrap_or(rest.len());
        ms += value * time_unit(&rest[..letters]).ok_or_else(bad)?;
        rest = rest[letters..].trim_start();
    }
    if ms > 100.0 * 366.0 * 86_400e3 {
        return Err(format!("`{text}` is too long: at most 100 years"));
    }
    Ok(Span(ms.round() as i64))
}

/// An amount of data in bytes: `500 MB` (10⁶), `4 GiB` (2³⁰), `1024 B`.
pub fn bytes(text: &str) -> Result<u64, String> {
    let bad = || {
        format!(
            "`{text}` is no amount of data: expected a number with B, kB, MB, GB, TB or KiB, MiB, GiB, TiB, such as `500 MB`"
        )
    };
    let (value, unit) = split(text).ok_or_else(bad)?;
    let factor = match unit.to_ascii_lowercase().as_str() {
        "b" | "bytes" => 1.0,
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "tb" => 1e12,
        "kib" => 1024.0,
        "mib" => 1024f64.powi(2),
        "gib" => 1024f64.powi(3),
        "tib" => 1024f64.powi(4),
        _ => return Err(bad()),
    };
    let b = (value * factor).round();
    if (0.0..=9e18).contains(&b) { Ok(b as u64) } else { Err(bad()) }
}

/// A temperature in °C, from `45 °C`, `45C`, `113 °F` or `113F`. The exact relation is °C = (°F − 32) / 1.8
/// (NIST SP 811, 2008, appendix B.8).
pub fn celsius(text: &str) -> Result<f64, String> {
    let bad = || format!("`{text}` is no temperature: expected a number with °C or °F, such as `45 °C` or `113 °F`");
    let (value, unit) = split(text).ok_or_else(bad)?;
    let c = match unit.replace(['°', ' '], "").as_str() {
        "C" | "c" | "degC" => value,
        "F" | "f" | "degF" => (value - 32.0) / 1.8,
        _ => return Err(bad()),
    };
    if c >= -273.15 {
        Ok(c)
    } else {
        Err(format!("`{text}` is below absolute zero: expected a temperature such as `45 °C`"))
    }
}

/// A difference of temperatures in K, from `2 K`, `2 °C` or `3.6 °F`.
pub fn kelvins(text: &str) -> Result<f64, String> {
    let bad =
        || format!("`{text}` is no difference of temperatures: expected a number with K, °C or °F, such as `2 K`");
    let (value, unit) = split(text).ok_or_else(bad)?;
    match unit.replace(['°', ' '], "").as_str() {
        "K" | "k" | "C" | "c" | "degC" => Ok(value),
        "F" | "f" | "degF" => Ok(value / 1.8),
        _ => Err(bad()),
    }
}

/// A share in per cent, from `5 %` or `5%`.
pub fn percent(text: &str) -> Result<f64, String> {
    let bad = || format!("`{text}` is no share: expected a number with %, such as `5 %`");
    match split(text) {
        Some((v, "%")) => Ok(v),
        _ => Err(bad()),
    }
}

/// A number with this very unit behind it, such as `-70 dBm`.
pub fn with_symbol(text: &str, symbol: &str) -> Result<f64, String> {
    match split(text) {
        Some((v, u)) if u == symbol => Ok(v),
        _ => Err(format!("`{text}` does not fit: expected a number with {symbol}, such as `50 {symbol}`")),
    }
}

/// A local clock time `HH:MM` in minutes after midnight.
pub fn clock(text: &str) -> Result<u16, String> {
    let bad = || format!("`{text}` is no clock time: expected hours and minutes, such as `22:30`");
    let (h, m) = text.trim().split_once(':').ok_or_else(bad)?;
    let part = |t: &str, most: u16| (t.len() <= 2).then(|| t.parse::<u16>().ok()).flatten().filter(|v| *v <= most);
    match (part(h, 24), part(m, 59)) {
        (Some(24), Some(0)) => Ok(0),
        (Some(h), Some(m)) if h < 24 => Ok(h * 60 + m),
        _ => Err(bad()),
    }
}

/// Two local clock times, `22:00-06:00` (also with `–` or ` to `), in minutes after midnight; may pass midnight.
pub fn clock_range(text: &str) -> Result<(u16, u16), String> {
    let bad = || format!("`{text}` is no pair of clock times: expected such as `22:00-06:00`");
    let (a, b) =
        text.split_once('-').or_else(|| text.split_once('–')).or_else(|| text.split_once(" to ")).ok_or_else(bad)?;
    let (a, b) = (clock(a)?, clock(b)?);
    if a == b { Err(format!("`{text}` is no stretch of time: both clock times are the same")) } else { Ok((a, b)) }
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
        assert_eq!(bytes("500 MB"), Ok(500_000_000));
        assert_eq!(bytes("4GiB"), Ok(4 << 30));
        assert!(bytes("-1 MB").is_err() && bytes("5").is_err() && bytes("1e30 TB").is_err());
        assert_eq!(percent("5 %"), Ok(5.0));
        assert!(percent("5").is_err());
        assert_eq!(with_symbol("-70 dBm", "dBm"), Ok(-70.0));
        assert_eq!(clock_range("22:00-06:00"), Ok((1320, 360)));
        assert_eq!(clock("24:00"), Ok(0));
        for t in ["22", "25:00", "22:60", "22:00-22:00", "a:b", "+1:00"] {
            assert!(clock_range(t).is_err(), "{t}");
        }
    }
}
