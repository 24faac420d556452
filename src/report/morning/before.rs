//! What was going on in the ten minutes before a first-out: what stood out, the heaviest programs, temperatures, links.

use super::model::Before;
use super::reasons::{LEAST_NIGHTS, against_quiet_nights};
use super::rows::figures;
use super::scene::Scene;
use crate::config::model::TemperatureScale;
use crate::model::{Span, Unit, UnixMs};
use crate::report::say;

/// Programs listed by processor and by memory.
const HEAVIEST: usize = 3;

/// The account; `at` of the scene is the earliest instant at which the fault can have begun.
pub fn before(s: &Scene) -> Before {
    let why_not = match s.unusual {
        None => Some("it was outside any session, so there is nothing to compare it with".into()),
        Some(u) if u.searched == 0 => {
            Some("there are no fault-free ten minutes at the same hour of a session to compare it with yet".into())
        }
        Some(u) if u.stretches < 19 => Some(format!(
            "only {} fault-free ten minutes at the same hour of a session are known yet; 19 are needed before anything can \
             be called rare",
            u.stretches
        )),
        Some(_) => None,
    };
    let heaviest = |quantity: &str| {
        let mut all: Vec<(String, f64)> = s
            .all_before("program", Some(quantity))
            .into_iter()
            .map(|(n, f)| (s.rows.settings.title(n), f.mean))
            .filter(|(_, v)| *v > 0.0)
            .collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        all.truncate(HEAVIEST);
        all
    };
    Before {
        unusual: s.unusual.cloned(),
        why_not,
        by_processor: heaviest("cpu"),
        by_memory: heaviest("memory"),
        facts: [temperatures(s), links(s)].concat(),
    }
}

fn temperatures(s: &Scene) -> Vec<String> {
    let mut out = vec![];
    for (signal, words) in [("temperature.box", "box"), ("temperature.outside", "outside")] {
        if let Some(f) = s.before(signal) {
            let mut said = format!("{words} {}{}", s.celsius(f.mean), trend(s, signal));
            if let Some((_, nights, 0)) = against_quiet_nights(s, signal).filter(|q| q.1 >= LEAST_NIGHTS) {
                said.push_str(&format!("; colder than any of {nights} quiet nights"));
            }
            out.push(said);
        }
    }
    if let Some(f) = s.before("dew.margin") {
        let said = say::value(f.min, Unit::Kelvin, 0.1, s.rows.settings.scale);
        out.push(format!("{said} above the dew point at the least"));
    }
    out
}

/// ", falling 1.2 K an hour": the last ten minutes against ten minutes of an hour before.
fn trend(s: &Scene, signal: &str) -> String {
    let (from, to) = s.lead();
    let Some(m) = s.rows.signal(signal) else { return String::new() };
    let (Some(now), Some(then)) =
        (figures(&m.minutes, from, to), figures(&m.minutes, from - Span::hours(1), to - Span::hours(1)))
    else {
        return String::new();
    };
    let change = now.mean - then.mean;
    // Less than a few steps of the sensor an hour is no trend.
    if change.abs() < 3.0 * m.def.resolution {
        return ", steady".into();
    }
    let shown = say::in_scale(change.abs(), Unit::Kelvin, s.rows.settings.scale);
    let unit = if s.rows.settings.scale == TemperatureScale::Fahrenheit { "°F" } else { "K" };
    let way = if change < 0.0 { "falling" } else { "rising" };
    format!(", {way} {} {unit} an hour", say::number(shown, 1))
}

fn links(s: &Scene) -> Vec<String> {
    let mut out = vec![];
    for (n, f) in s.all_before("interface", Some("signal")) {
        out.push(format!(
            "{}: signal {} dBm, {} at the least",
            s.rows.settings.title(n),
            say::number(f.mean, 0),
            say::number(f.min, 0)
        ));
    }
    for (n, f) in s.all_before("link", Some("round-trip")) {
        let mut said =
            format!("{}: {} ms", s.rows.settings.title(n), say::number(f.mean, if f.mean < 10.0 { 1 } else { 0 }));
        if let Some(loss) = s.before(n.quantity("loss").as_str()) {
            let few = loss.mean > 0.0 && loss.mean < 10.0;
            said.push_str(&format!(", loss {} %", say::number(loss.mean, usize::from(few))));
        }
        if let Some(uneven) = s.before(n.quantity("unevenness").as_str()) {
            said.push_str(&format!(
                ", unevenness {} ms",
                say::number(uneven.mean, if uneven.mean < 10.0 { 1 } else { 0 })
            ));
        }
        out.push(said);
    }
    out
}

/// The earliest instant at which an incident can have begun: its first member's, less what is not known of it.
pub fn earliest(i: &crate::model::Incident) -> UnixMs {
    i.members.first().map_or(i.opened.wall, |m| m.at.wall - m.within).min(i.opened.wall)
}
