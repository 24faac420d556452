//! Temperatures and humidities: their tables.

use super::field::Field;
use super::human;
use super::model::*;
use super::net::{address, web};
use super::refer::References;
use super::section::Section;
use super::things::{each, titled};
use crate::model::{Name, Span, Unit};

/// Every way in which a sensor's values can come.
const SOURCES: [&str; 8] = ["hwmon", "thermal", "iio", "one_wire", "file", "command", "http", "mqtt"];

/// Reads `[temperature.…]` and `[humidity.…]` into `c`.
pub(super) fn read(root: &Section<'_>, c: &mut Config, refer: &mut References) {
    for (kind, what) in [("temperature", SensorKind::Temperature), ("humidity", SensorKind::Humidity)] {
        each(root, kind, c, refer, |s, name, c, _| {
            c.sensors.push(sensor(s, name, what));
        });
    }
}

fn sensor(s: &Section<'_>, name: &Name, kind: SensorKind) -> Sensor {
    let source = source(s);
    let stated: Vec<&str> = SOURCES.into_iter().filter(|k| s.has(k)).collect();
    if stated.len() != 1 {
        let problem = match stated.len() {
            0 => "nothing says where the values come from".to_owned(),
            _ => format!("the values can come from one source only, and {} are stated", stated.join(" and ")),
        };
        s.wrong(problem, format!("one of {}", SOURCES.join(", ")), "`tilldawn look` lists the sensors of this machine");
    }
    // The rest is read even without a good source, so that its errors, and those of rules on it, show in the same go.
    let stand_in = SensorSource::Thermal { zone: String::new() };
    let mut x = titled(s, Sensor::new(name.clone(), kind, source.unwrap_or(stand_in)), |t| &mut t.title);
    if let Some(f) = s.get("place")
        && let Some(t) = f.text("box, outside, component or a name of your own")
    {
        if Name::new(format!("place.{t}")).is_ok() {
            x.place = t;
        } else {
            let fit = Name::part(&t);
            f.wrong(
                format!("`{t}` cannot be a place"),
                "box, outside, component or a name of a–z, 0–9, - and _",
                format!("write place = \"{fit}\""),
            );
        }
    }
    let (unit, step) = match kind {
        SensorKind::Temperature => (Unit::Celsius, Unit::Kelvin),
        SensorKind::Humidity => (Unit::Percent, Unit::Percent),
    };
    if let Some(v) = s.get("scale").and_then(|f| f.number_in(-1e6, 1e6, &[], "0.001")) {
        if v == 0.0
            && let Some(f) = s.get("scale")
        {
            f.wrong("a scale of 0 makes every value 0", "the factor on the raw number", "write scale = 1");
        }
        x.scale = v;
    }
    if kind == SensorKind::Temperature
        && let Some(f) = s.get("given_in")
    {
        match f.as_str().map(|t| t.replace(['°', ' '], "")).as_deref() {
            Some("C") => {}
            Some("F") => x.fahrenheit = true,
            _ => f.wrong(
                format!("`{}` is no temperature scale", f.shown()),
                "\"°C\" or \"°F\": what the number is given in after scaling",
                "write given_in = \"°C\"",
            ),
        }
    }
    if let Some(f) = s.get("offset") {
        x.offset = super::rules::amount(&f, step, -50.0, 50.0).unwrap_or(x.offset);
    }
    if let Some(f) = s.get("plausible") {
        x.plausible = range(&f, unit).unwrap_or(x.plausible);
    }
    if let Some(f) = s.get("largest_jump") {
        x.largest_jump = super::rules::amount(&f, step, 0.01, 500.0).unwrap_or(x.largest_jump);
    }
    if let Some(f) = s.get("frozen_after") {
        x.frozen_after = match f.as_str() {
            Some("never") => None,
            _ => f.span(Span::mins(1), Span::hours(24 * 30)),
        };
    }
    x.every = s.span("every", Span(200), Span::hours(1)).unwrap_or(x.every);
    x.deadline = s.span("deadline", Span(50), Span::mins(5)).unwrap_or(x.deadline);
    x.silent_after = s.span("silent_after", Span::secs(1), Span::hours(24)).unwrap_or(x.silent_after);
    if x.silent_after < x.every {
        s.wrong(
            format!("a sensor read every {} cannot be silent after {}", x.every, x.silent_after),
            "silent_after longer than every",
            format!("write silent_after = \"{}\"", Span(x.every.0.saturating_mul(5))),
        );
    }
    x
}

/// Two values, the lower first.
pub(super) fn range(f: &Field<'_>, unit: Unit) -> Option<(f64, f64)> {
    let example = match unit.symbol() {
        "" => "[\"1\", \"9\"]".to_owned(),
        u => format!("[\"1 {u}\", \"9 {u}\"]"),
    };
    let parts = f.texts("a list of two values, the lower first")?;
    let mut values = vec![];
    for (t, _) in &parts {
        match human::value(t, unit) {
            Ok(v) => values.push(v),
            Err(e) => {
                f.wrong(e.problem, e.expected, format!("write {} = {example}", f.last()));
                return None;
            }
        }
    }
    match values[..] {
        [low, high] if low < high => Some((low, high)),
        _ => {
            f.wrong(
                format!("`{}` is no range", parts.iter().map(|(t, _)| t.as_str()).collect::<Vec<_>>().join(", ")),
                "two values, the lower first",
                format!("write {} = {example}", f.last()),
            );
            None
        }
    }
}

/// `chip/input`, split at the last slash but leaving neither side empty.
fn pair(f: &Field<'_>, expected: &str, example: &str) -> Option<(String, String)> {
    let t = f.text(expected)?;
    match t.split_once('/').filter(|(a, b)| !a.trim().is_empty() && !b.trim().is_empty()) {
        Some((a, b)) => Some((a.trim().into(), b.trim().into())),
        None => {
            f.wrong(
                format!("`{t}` names only one of the two"),
                expected,
                format!("write {} = \"{example}\"", f.last()),
            );
            None
        }
    }
}

fn source(s: &Section<'_>) -> Option<SensorSource> {
    let pointer = s.get("pointer").and_then(|f| pointer(&f));
    let hwmon = s.get("hwmon").and_then(|f| pair(&f, "the chip, a slash and the input", "coretemp/temp1"));
    let thermal = s.text("thermal");
    let iio = s.get("iio").and_then(|f| pair(&f, "the device, a slash and the channel", "box-air/temp"));
    let one_wire = s.get("one_wire").and_then(|f| {
        let t = f.text("the address of the sensor")?;
        // Family, dash, twelve digits: the kernel's names of 1-Wire slaves (document w1-generic).
        let hex = |p: &str, n: usize| p.len() == n && p.bytes().all(|b| b.is_ascii_hexdigit());
        if t.split_once('-').is_some_and(|(family, id)| hex(family, 2) && hex(id, 12)) {
            return Some(t);
        }
        f.wrong(
            format!("`{t}` is no address of a 1-Wire sensor"),
            "two hexadecimal digits, a dash and twelve more",
            "write one_wire = \"28-0316a2795c5d\" as `tilldawn look` lists it",
        );
        None
    });
    let file = s.path("file");
    let command = s.get("command").and_then(|f| f.command());
    let http = s.get("http").and_then(|f| web(&f, &["http://"]));
    let mqtt = s.get("mqtt").and_then(|f| f.section()).and_then(|m| mqtt(m, pointer.clone()));
    if s.has("pointer")
        && !["file", "command", "http", "mqtt"].iter().any(|k| s.has(k))
        && let Some(f) = s.get("pointer")
    {
        f.wrong(
            "a pointer goes into JSON, and this source has none",
            "pointer only with file, command, http or mqtt",
            "take the line out",
        );
    }
    if let Some((chip, input)) = hwmon {
        return Some(SensorSource::Hwmon { chip, input });
    }
    if let Some((device, channel)) = iio {
        return Some(SensorSource::Iio { device, channel });
    }
    thermal
        .map(|zone| SensorSource::Thermal { zone })
        .or_else(|| one_wire.map(|address| SensorSource::OneWire { address }))
        .or_else(|| file.map(|path| SensorSource::File { path, pointer: pointer.clone() }))
        .or_else(|| command.map(|arguments| SensorSource::Command { arguments, pointer: pointer.clone() }))
        .or_else(|| http.map(|url| SensorSource::Http { url, pointer }))
        .or(mqtt)
}

/// A JSON pointer (RFC 6901): empty, or parts that each begin with a slash, with ~ only as ~0 or ~1.
fn pointer(f: &Field<'_>) -> Option<String> {
    let t = f.text("a JSON pointer")?;
    let mut tildes = t.split('~').skip(1);
    if t.starts_with('/') && tildes.all(|after| after.starts_with(['0', '1'])) {
        return Some(t);
    }
    f.wrong(
        format!("`{t}` is no JSON pointer"),
        "a pointer by RFC 6901: each part begins with a slash",
        format!("write pointer = \"/{}\"", t.trim_start_matches(['/', '$', '.'])),
    );
    None
}

fn mqtt(m: Section<'_>, pointer: Option<String>) -> Option<SensorSource> {
    let broker = m.get("broker").and_then(|f| address(&f, "192.168.1.20:1883"));
    let topic = m.text("topic");
    if !m.has("broker") || !m.has("topic") {
        m.wrong(
            "broker or topic is missing",
            "both",
            "write mqtt = { broker = \"192.168.1.20:1883\", topic = \"pier/box\" }",
        );
    }
    if let (Some(t), Some(f)) = (&topic, m.get("topic")) {
        // MQTT 5.0, 4.7.1: # only as the whole last level, + only as a whole level.
        let levels: Vec<&str> = t.split('/').collect();
        let last = levels.len() - 1;
        let good = levels.iter().enumerate().all(|(i, l)| match *l {
            "#" => i == last,
            "+" => true,
            l => !l.contains(['#', '+']),
        });
        if !good {
            f.wrong(
                format!("`{t}` is no topic filter"),
                "+ for one whole level, # for all levels at the end",
                "name the topic in full",
            );
        }
    }
    let version = match m.get("version") {
        None => Some(4),
        Some(f) => match f.shown().as_str() {
            "3.1.1" | "4" => Some(4),
            "5" | "5.0" => Some(5),
            v => {
                f.wrong(
                    format!("`{v}` is no version of MQTT that is spoken here"),
                    "\"3.1.1\" or \"5\"",
                    "write version = \"3.1.1\"",
                );
                None
            }
        },
    };
    let user = m.text("user");
    let password_file = m.path("password_file");
    if password_file.is_some() && user.is_none() {
        m.wrong("a password without a user", "user beside password_file", "write user = \"…\"");
    }
    m.finish();
    Some(SensorSource::Mqtt { broker: broker?, topic: topic?, pointer, version: version?, user, password_file })
}
