//! `GET /metrics`: the present as OpenMetrics text (the OpenMetrics specification, version 1.0.0).

use crate::http::app::App;
use crate::model::{Condition, Live, Priority, SignalDef, Signals, Unit, Value};
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;

/// The content type that the specification asks for.
pub const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// The handler.
pub async fn metrics(State(app): State<App>) -> impl IntoResponse {
    let live = app.live();
    let text = expose(&live, &app.serving.signals, app.age_ms(&live));
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], text)
}

/// A family of metrics under way: its name, type, unit and help, then its samples.
struct Family {
    name: String,
    text: String,
}

impl Family {
    /// The unit, if there is one, is the end of the name, as the specification demands.
    fn new(name: &str, kind: &str, unit: &str, help: &str) -> Family {
        let name = if unit.is_empty() { name.to_owned() } else { format!("{name}_{unit}") };
        let mut text = format!("# TYPE {name} {kind}\n");
        if !unit.is_empty() {
            let _ = writeln!(text, "# UNIT {name} {unit}");
        }
        let _ = writeln!(text, "# HELP {name} {}", escaped(help));
        Family { name, text }
    }

    fn sample(&mut self, suffix: &str, labels: &[(&str, &str)], value: f64) {
        let labels: Vec<String> = labels.iter().map(|(n, v)| format!("{n}=\"{}\"", escaped(v))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.text, "{}{suffix}{labels} {}", self.name, number(value));
    }
}

/// Escapes as in label values; the same is right in help texts.
fn escaped(s: &str) -> String {
    s.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

fn number(v: f64) -> String {
    if v.is_nan() {
        "NaN".into()
    } else if v.is_infinite() {
        if v > 0.0 { "+Inf" } else { "-Inf" }.into()
    } else {
        format!("{v}")
    }
}

/// The base unit of a family and the factor into it.
fn base(unit: Unit) -> (&'static str, f64) {
    match unit {
        Unit::Celsius => ("celsius", 1.0),
        Unit::Kelvin => ("kelvin", 1.0),
        Unit::Percent => ("ratio", 0.01),
        Unit::Bytes => ("bytes", 1.0),
        Unit::BytesPerSecond => ("bytes_per_second", 1.0),
        Unit::PerSecond => ("per_second", 1.0),
        Unit::Count => ("count", 1.0),
        Unit::Seconds => ("seconds", 1.0),
        Unit::Milliseconds => ("seconds", 0.001),
        Unit::Truth => ("truth", 1.0),
        Unit::Dbm => ("dbm", 1.0),
        Unit::MegabitsPerSecond => ("bits_per_second", 1e6),
        Unit::Volts => ("volts", 1.0),
        Unit::Watts => ("watts", 1.0),
        Unit::Hours => ("seconds", 3600.0),
        Unit::Days => ("seconds", 86_400.0),
        Unit::KelvinPerHour => ("kelvin_per_hour", 1.0),
        Unit::Degrees => ("degrees", 1.0),
        Unit::None => ("", 1.0),
    }
}

/// The whole text. `age_ms` none: nothing was looked at yet, and only the agent's own facts are told.
pub fn expose(live: &Live, signals: &Signals, age_ms: Option<i64>) -> String {
    let mut all: Vec<Family> = vec![];
    let mut info = Family::new("tilldawn_agent", "info", "", "The agent that answers");
    let invented = if live.invented { "yes" } else { "no" };
    info.sample(
        "_info",
        &[("version", env!("CARGO_PKG_VERSION")), ("field", &live.field), ("invented", invented)],
        1.0,
    );
    all.push(info);
    if let Some(age) = age_ms {
        let mut f = Family::new("tilldawn_age", "gauge", "seconds", "How old everything else here is");
        f.sample("", &[], age as f64 / 1000.0);
        all.push(f);
        all.extend(readings(live, signals));
        all.extend(state(live));
    }
    all.extend(store(live));
    let mut out: String = all.into_iter().map(|f| f.text).collect();
    out.push_str("# EOF\n");
    out
}

/// One family for each base unit, and one that tells which signals can be read.
fn readings(live: &Live, signals: &Signals) -> Vec<Family> {
    let mut by_unit: BTreeMap<&'static str, Vec<(Arc<SignalDef>, f64)>> = BTreeMap::new();
    let mut readable = Family::new(
        "tilldawn_readable",
        "gauge",
        "",
        "Whether the latest reading of a signal has a value (1) or not (0)",
    );
    for (id, _, value) in &live.latest {
        let Some(def) = signals.def(*id) else { continue };
        readable.sample("", &[("signal", def.name.as_str())], f64::from(u8::from(matches!(value, Value::Known(_)))));
        if let Value::Known(v) = value {
            let (unit, factor) = base(def.unit);
            // A thousandth times 4.2 is not 0.0042 in binary: the shortest text that is right to twelve digits is.
            let v = if factor == 1.0 { *v } else { format!("{:.11e}", v * factor).parse().unwrap_or(f64::NAN) };
            by_unit.entry(unit).or_default().push((def, v));
        }
    }
    let mut out: Vec<Family> = by_unit
        .into_iter()
        .map(|(unit, rows)| {
            let mut f = Family::new("tilldawn_reading", "gauge", unit, "Latest value of a signal");
            for (def, v) in rows {
                f.sample("", &[("signal", def.name.as_str()), ("place", &def.place)], v);
            }
            f
        })
        .collect();
    out.push(readable);
    out
}

fn state(live: &Live) -> Vec<Family> {
    const CONDITIONS: [(Condition, &str); 5] = [
        (Condition::NotInUse, "not_in_use"),
        (Condition::Working, "working"),
        (Condition::Impaired, "impaired"),
        (Condition::Unknown, "unknown"),
        (Condition::Failed, "failed"),
    ];
    let truth = |b: bool| f64::from(u8::from(b));
    let mut whole = Family::new("tilldawn_condition", "stateset", "", "Condition of the whole");
    for (c, word) in CONDITIONS {
        whole.sample("", &[("tilldawn_condition", word)], truth(c == live.condition));
    }
    let mut things = Family::new("tilldawn_thing_condition", "stateset", "", "Condition of a watched thing");
    for t in live.things.iter() {
        for (c, word) in CONDITIONS {
            let labels = [("thing", t.thing.as_str()), ("tilldawn_thing_condition", word)];
            things.sample("", &labels, truth(c == t.condition));
        }
    }
    let mut alarms = Family::new("tilldawn_alarms", "gauge", "", "Alarms whose condition holds, not held back");
    for p in [Priority::Low, Priority::Medium, Priority::High] {
        let n = live.alarms.iter().filter(|a| a.standing && a.shelved_until.is_none() && a.priority == p).count();
        alarms.sample("", &[("priority", p.word())], n as f64);
    }
    let mut session = Family::new("tilldawn_session", "gauge", "", "Whether a session goes on");
    session.sample("", &[], truth(live.session.is_some()));
    let mut out = vec![whole, things, alarms, session];
    if live.dark.known {
        let mut f = Family::new("tilldawn_dark", "gauge", "", "Whether it is dark at the site");
        f.sample("", &[], truth(live.dark.dark));
        out.push(f);
    }
    if let Some(t) = live.last_light_frame {
        let help = "When the last light frame arrived (Unix time)";
        let mut f = Family::new("tilldawn_last_light_frame_timestamp", "gauge", "seconds", help);
        f.sample("", &[], t.0 as f64 / 1000.0);
        out.push(f);
    }
    let mut troubles =
        Family::new("tilldawn_probe_troubles", "counter", "", "Runs of a probe that failed, hung or panicked");
    for p in &live.probes {
        troubles.sample("_total", &[("probe", p.probe.as_str())], p.troubles as f64);
    }
    out.push(troubles);
    out
}

fn store(live: &Live) -> Vec<Family> {
    let mut well = Family::new("tilldawn_store_well", "gauge", "", "Whether the store takes what is written");
    well.sample("", &[], f64::from(u8::from(live.store.well)));
    let mut waiting =
        Family::new("tilldawn_store_waiting_readings", "gauge", "", "Readings in memory, not yet written");
    waiting.sample("", &[], live.store.waiting as f64);
    let mut dropped = Family::new("tilldawn_store_dropped_readings", "counter", "", "Readings dropped since the start");
    dropped.sample("_total", &[], live.store.dropped as f64);
    let mut size = Family::new("tilldawn_store_size", "gauge", "bytes", "Size of the store's files");
    size.sample("", &[], live.store.bytes as f64);
    vec![well, waiting, dropped, size]
}

#[cfg(test)]
mod tests;
