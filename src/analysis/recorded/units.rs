//! Units as other recorders write them, turned into ours.

use crate::model::{Name, Unit};

/// A unit that a column may be in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foreign {
    /// Our unit.
    pub unit: Unit,
    /// Our value = theirs · `factor` + `offset`.
    pub factor: f64,
    /// See `factor`.
    pub offset: f64,
}

/// The unit behind a code such as `degF`, `°C`, `percent`, `MB`. Exact relations: t/°C = (t/°F − 32)/1.8, t/°C = T/K − 273.15
/// (SI Brochure, 9th edition, section 2.3.1).
pub fn foreign(code: &str) -> Option<Foreign> {
    let f = |unit, factor, offset| Some(Foreign { unit, factor, offset });
    match code.trim().trim_matches(['(', ')', '[', ']']) {
        "degC" | "°C" | "ºC" | "C" | "celsius" => f(Unit::Celsius, 1.0, 0.0),
        "degF" | "°F" | "ºF" | "F" | "fahrenheit" => f(Unit::Celsius, 1.0 / 1.8, -32.0 / 1.8),
        "kelvin" => f(Unit::Celsius, 1.0, -273.15),
        "K" => f(Unit::Kelvin, 1.0, 0.0),
        "percent" | "%" | "%RH" | "%rh" => f(Unit::Percent, 1.0, 0.0),
        "fraction" => f(Unit::Percent, 100.0, 0.0),
        "B" => f(Unit::Bytes, 1.0, 0.0),
        "kB" => f(Unit::Bytes, 1e3, 0.0),
        "MB" => f(Unit::Bytes, 1e6, 0.0),
        "GB" => f(Unit::Bytes, 1e9, 0.0),
        "KiB" => f(Unit::Bytes, 1024.0, 0.0),
        "MiB" => f(Unit::Bytes, 1_048_576.0, 0.0),
        "GiB" => f(Unit::Bytes, 1_073_741_824.0, 0.0),
        "s" => f(Unit::Seconds, 1.0, 0.0),
        "min" => f(Unit::Seconds, 60.0, 0.0),
        "h" => f(Unit::Hours, 1.0, 0.0),
        "ms" => f(Unit::Milliseconds, 1.0, 0.0),
        "V" => f(Unit::Volts, 1.0, 0.0),
        "W" => f(Unit::Watts, 1.0, 0.0),
        other => Unit::from_code(other).and_then(|u| f(u, 1.0, 0.0)),
    }
}

/// The unit of a signal that is named like ours, where its name tells.
pub fn usual(name: &Name) -> Unit {
    let last = name.as_str().rsplit('.').next().unwrap_or("");
    match (name.kind(), last) {
        (_, "lift" | "margin") => Unit::Kelvin,
        ("temperature", _) | ("dew", "point") => Unit::Celsius,
        ("humidity" | "load" | "pressure", _) | (_, "loss" | "cpu") => match last {
            "one" | "five" | "fifteen" | "running" => Unit::Count,
            _ => Unit::Percent,
        },
        (_, l) if l.ends_with("share") => Unit::Percent,
        ("memory", "kills") => Unit::Count,
        ("memory", _) | (_, "free" | "memory") => Unit::Bytes,
        (_, "signal") => Unit::Dbm,
        (_, "round-trip" | "unevenness") => Unit::Milliseconds,
        (_, "received" | "sent") => Unit::BytesPerSecond,
        (_, "uptime" | "alive-age" | "since-light" | "offset") => Unit::Seconds,
        ("program" | "device" | "link" | "interface", _) if name.of_thing().is_none() => Unit::Truth,
        _ => Unit::None,
    }
}

/// Resolution to which imported values of a unit are kept.
pub fn resolution(unit: Unit) -> f64 {
    match unit {
        Unit::Percent | Unit::Volts | Unit::Watts => 0.01,
        Unit::Bytes | Unit::BytesPerSecond | Unit::Count | Unit::Truth => 1.0,
        _ => 0.001,
    }
}
