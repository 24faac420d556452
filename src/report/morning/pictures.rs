//! The pictures of a night, from its rows.

use super::cost::light_frames;
use super::happened::class;
use super::model::{AlarmLine, Class, IncidentPart};
use super::rows::{Measured, NightRows};
use super::said;
use super::watched;
use crate::engine::cost::LightFrame;
use crate::model::{Incident, Name, Span, Unit, UnixMs};
use crate::night::Interval;
use crate::night::intervals;
use crate::report::picture::{
    Lane, Letter, LinePlot, NightPicture, Point, Series, Stretch, StretchKind, Stroke, Threshold, letter_text,
};
use crate::report::say;

/// Points of a line at the most: more cannot be told apart at the width of the drawing.
const POINTS: i64 = 240;

/// The picture of the night. `alarms` come from [`watched::alarms`].
pub fn night(rows: &NightRows, alarms: &[AlarmLine]) -> NightPicture {
    let (from, to) = window(rows);
    let zone = rows.settings.time_zone();
    let frames = light_frames(&rows.events);
    let lanes =
        watched::things(rows).into_iter().filter_map(|thing| lane(rows, alarms, &thing, (from, to), &frames)).collect();
    let letters = rows
        .incidents
        .iter()
        .enumerate()
        .map(|(n, r)| {
            let i = &r.incident;
            let first = i.members.first();
            Letter {
                incident: i.id,
                at: i.opened.wall,
                text: letter_text(n, class(i) != Class::Fault),
                what: first.map_or_else(|| i.kind.word().to_string(), |m| said::sentence(rows, m)),
            }
        })
        .collect();
    NightPicture {
        from,
        to,
        zone,
        sun: rows.night.sun.iter().copied().filter(|p| p.0 >= from && p.0 <= to).collect(),
        dark_below: rows.settings.dark_below,
        dark: intervals::clip(&rows.night.dark, (from, to)),
        lanes,
        gaps: not_looking(rows, (from, to)),
        letters,
        now: rows.running().then(|| rows.until()),
    }
}

/// Where nobody looked: the gaps, and the time before the very first run, which is not the same as well.
fn not_looking(rows: &NightRows, window: Interval) -> Vec<Interval> {
    let begun = rows.runs.iter().map(|r| r.started).min();
    let before = begun.filter(|b| *b > window.0).map(|b| (window.0, b.min(window.1)));
    let gaps: Vec<Interval> = rows.gaps.iter().map(|g| (g.from, g.to)).chain(before).collect();
    intervals::clip(&intervals::tidy(&gaps), window)
}

/// The hours worth drawing: sunset to sunrise with half an hour on either side, widened to hold sessions and incidents.
pub fn window(rows: &NightRows) -> Interval {
    let half = Span::mins(30);
    let (low, high) = (rows.night.from, rows.night.to);
    let mut span: Option<Interval> = match (rows.night.sunset, rows.night.sunrise) {
        (Some(a), Some(b)) if a < b => Some((a - half, b + half)),
        _ => rows.night.dark.first().zip(rows.night.dark.last()).map(|(a, b)| (a.0 - half, b.1 + half)),
    };
    let widen = |span: &mut Option<Interval>, a: UnixMs, b: UnixMs| {
        *span = Some(span.map_or((a, b), |s| (s.0.min(a), s.1.max(b))));
    };
    for s in &rows.sessions {
        // A session that knows no end of its own says nothing about which hours matter.
        if !matches!(s.why, crate::model::SessionStart::Always) {
            widen(
                &mut span,
                s.started.wall - Span::mins(10),
                s.ended.map_or(rows.until(), |e| e.wall) + Span::mins(10),
            );
        }
    }
    for i in rows.incidents.iter().map(|r| &r.incident) {
        widen(&mut span, i.opened.wall - half, i.closed.map_or(i.opened.wall, |c| c.wall) + half);
    }
    if span.is_none() {
        let minutes = rows.signals.values().flat_map(|m| [m.minutes.first(), m.minutes.last()]).flatten();
        let (a, b) = minutes.fold((high, low), |(a, b), m| (a.min(m.from), b.max(m.to)));
        if a < b {
            widen(&mut span, a - Span::mins(5), b + Span::mins(5));
        }
    }
    let (a, b) = span.unwrap_or((low, high));
    let (a, b) = (a.max(low), b.min(high));
    if a < b { (a, b) } else { (low, high) }
}

fn lane(rows: &NightRows, alarms: &[AlarmLine], thing: &Name, window: Interval, frames: &[LightFrame]) -> Option<Lane> {
    let mut out = Lane::well(rows.settings.title(thing));
    let shown_end = rows.until();
    let mut put = |from: UnixMs, to: UnixMs, kind| out.stretches.push(Stretch { from, to, kind });
    let mut lost = vec![];
    for i in rows.incidents.iter().map(|r| &r.incident) {
        for m in i.members.iter().filter(|m| m.thing == *thing) {
            let end = m.until.or(i.closed).map_or(shown_end, |s| s.wall).max(m.at.wall);
            let kind = kind_of(i);
            put(m.at.wall, end, kind);
            lost.push((m.at.wall, end));
        }
    }
    for (a, b) in intervals::union(&watched::unread(rows, alarms, thing), &watched::silent(rows, thing)) {
        put(a, b, StretchKind::Unknown);
    }
    for a in alarms.iter().filter(|a| a.thing.thing() == *thing && a.letter.is_none()) {
        if a.rule.as_str() != "rule.cannot-read" {
            put(a.from, a.to.unwrap_or(shown_end), StretchKind::Impaired);
        }
    }
    let in_chain = matches!(thing.kind(), "program" | "device" | "frames" | "log");
    // Sensors, disks and interfaces have a lane only when there is something to show on it.
    if out.stretches.is_empty() && !in_chain && thing.kind() != "link" {
        return None;
    }
    if in_chain && !rows.sessions.is_empty() {
        for (a, b) in intervals::subtract(&[window], &rows.session_stretches()) {
            out.stretches.push(Stretch { from: a, to: b, kind: StretchKind::NotInUse });
        }
    }
    if !in_chain {
        // Before the agent first ran, and while the machine was off, nobody can say that it was well.
        for (a, b) in intervals::subtract(&[window], &runs(rows)) {
            out.stretches.push(Stretch { from: a, to: b, kind: StretchKind::NotInUse });
        }
    }
    let total = intervals::total(&lost);
    if thing.kind() == "frames" {
        out.ticks = frames.iter().map(|f| f.at).collect();
        out.note = say::count(frames.len(), "frame");
    } else if total > Span::ZERO {
        out.note = total.to_string();
    }
    Some(out)
}

/// When the agent ran; the run that goes on ends now. Gaps inside a run are told apart from this.
fn runs(rows: &NightRows) -> Vec<Interval> {
    let mut all: Vec<Interval> = rows
        .runs
        .iter()
        .map(|r| (r.started, if r.ended == "running" { rows.until().max(r.last_seen) } else { r.last_seen }))
        .collect();
    all.extend(rows.gaps.iter().map(|g| (g.from, g.to)));
    all
}

fn kind_of(i: &Incident) -> StretchKind {
    match class(i) {
        Class::Harmless => StretchKind::Harmless,
        Class::Pause => StretchKind::Paused,
        Class::Fault | Class::Marked | Class::OutsideSession => StretchKind::Broken,
    }
}

/// Line plots with their headings; those without any value are left out.
pub fn plots(rows: &NightRows, incidents: &[IncidentPart]) -> Vec<(String, LinePlot)> {
    let base = base(rows, incidents);
    [temperatures(rows, &base), load(rows, &base), round_trips(rows, &base), loss(rows, &base), radio(rows, &base)]
        .into_iter()
        .flatten()
        .filter(|(_, p)| !p.is_empty())
        .collect()
}

fn base(rows: &NightRows, incidents: &[IncidentPart]) -> LinePlot {
    let (from, to) = window(rows);
    LinePlot {
        name: String::new(),
        about: String::new(),
        from,
        to,
        zone: rows.settings.time_zone(),
        unit: String::new(),
        at_least: None,
        at_most: None,
        series: vec![],
        thresholds: vec![],
        dark: intervals::clip(&rows.night.dark, (from, to)),
        gaps: intervals::clip(&rows.gaps.iter().map(|g| (g.from, g.to)).collect::<Vec<_>>(), (from, to)),
        letters: incidents.iter().map(|i| (i.opened, i.letter.clone())).collect(),
        now: rows.running().then(|| rows.until()),
    }
}

/// The line of one signal, thinned to what can be drawn.
fn series(rows: &NightRows, m: &Measured, label: String, stroke: Stroke, window: Interval, band: bool) -> Series {
    let scale = rows.settings.scale;
    let width = ((window.1 - window.0).0 / POINTS / 60_000 + 1) * 60_000;
    let mut points: Vec<Point> = vec![];
    let mut at = 0;
    while at < m.minutes.len() {
        let start = m.minutes[at].from.0.div_euclid(width) * width;
        let until = at + m.minutes[at..].partition_point(|b| b.from.0 < start + width).max(1);
        let group = &m.minutes[at..until];
        at = until;
        let middle = UnixMs(start + width / 2).min(rows.until());
        if middle < window.0 || middle > window.1 {
            continue;
        }
        let known: Vec<_> = group.iter().filter(|b| b.count > 0).collect();
        let n: f64 = known.iter().map(|b| f64::from(b.count)).sum();
        let value = (n > 0.0).then(|| {
            let shown = |v| say::in_scale(v, m.def.unit, scale);
            let mean = known.iter().map(|b| b.mean * f64::from(b.count)).sum::<f64>() / n;
            let (low, high) =
                known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), k| (a.min(k.min), b.max(k.max)));
            if band { (shown(low), shown(mean), shown(high)) } else { (shown(mean), shown(mean), shown(mean)) }
        });
        points.push(Point { at: middle, value });
    }
    Series { label, stroke, decimals: Some(say::decimals_for(m.def.resolution).min(1)), points }
}

fn temperatures(rows: &NightRows, base: &LinePlot) -> Option<(String, LinePlot)> {
    let window = (base.from, base.to);
    let mut lines = vec![];
    let mut add = |name: &str, label: &str, stroke| {
        if let Some(m) = rows.signal(name) {
            lines.push(series(rows, m, label.into(), stroke, window, true));
        }
    };
    add("temperature.box", "box", Stroke::Heavy);
    add("temperature.outside", "outside", Stroke::Plain);
    add("dew.point", "dew point", Stroke::Dashed);
    // Of many component sensors the two hottest tell the story.
    let mut parts: Vec<(&Name, &Measured, f64)> = rows
        .signals
        .iter()
        .filter(|(n, m)| n.kind() == "temperature" && m.def.place == "component" && n.of_thing().is_none())
        .map(|(n, m)| (n, m, m.minutes.iter().filter(|b| b.count > 0).map(|b| b.max).fold(f64::NEG_INFINITY, f64::max)))
        .filter(|p| p.2.is_finite())
        .collect();
    parts.sort_by(|a, b| b.2.total_cmp(&a.2));
    for ((n, m, _), stroke) in parts.into_iter().take(2).zip([Stroke::Dotted, Stroke::DashDot]) {
        lines.push(series(rows, m, n.own().replace('-', " "), stroke, window, true));
    }
    let scale = rows.settings.scale;
    // A limit of the box is worth its line only when the box came near it.
    let of_box = rows.signal("temperature.box").map(|m| m.minutes.as_slice()).unwrap_or_default();
    let (coldest, hottest) = of_box
        .iter()
        .filter(|b| b.count > 0)
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), m| (a.min(m.min), b.max(m.max)));
    let near = |away: f64| away < 6.0;
    let limit = |v: Option<f64>, words: &str| {
        v.map(|v| Threshold {
            value: say::in_scale(v, Unit::Celsius, scale),
            label: format!("{words} {}", say::value(v, Unit::Celsius, 1.0, scale)),
        })
    };
    let plot = LinePlot {
        name: "temperatures".into(),
        about: "Temperatures.".into(),
        unit: say::symbol(Unit::Celsius, scale).into(),
        series: lines,
        thresholds: [
            limit(rows.settings.box_hot.filter(|l| near(l - hottest)), "box too hot above"),
            limit(rows.settings.box_cold.filter(|l| near(coldest - l)), "box cold below"),
        ]
        .into_iter()
        .flatten()
        .collect(),
        ..base.clone()
    };
    Some(("Temperatures".into(), plot))
}

fn load(rows: &NightRows, base: &LinePlot) -> Option<(String, LinePlot)> {
    let window = (base.from, base.to);
    let mut lines = vec![];
    for (name, label, stroke) in [
        ("load.cpu", "processor", Stroke::Heavy),
        ("pressure.cpu", "waiting", Stroke::Dashed),
        ("memory.available-share", "memory used", Stroke::Dotted),
    ] {
        let Some(m) = rows.signal(name) else { continue };
        let mut line = series(rows, m, label.into(), stroke, window, name == "load.cpu");
        if name == "memory.available-share" {
            for p in &mut line.points {
                p.value = p.value.map(|(a, b, c)| (100.0 - c, 100.0 - b, 100.0 - a));
            }
        }
        line.decimals = Some(0);
        lines.push(line);
    }
    let plot = LinePlot {
        name: "load".into(),
        about: "Load: processor busy, time in which something waited for it, memory in use.".into(),
        unit: "%".into(),
        at_least: Some((0.0, 100.0)),
        series: lines,
        ..base.clone()
    };
    Some(("Load".into(), plot))
}

fn of_links(rows: &NightRows, kind: &str, quantity: &str, window: Interval) -> Vec<Series> {
    rows.signals
        .iter()
        .filter(|(n, _)| n.kind() == kind && n.of_thing() == Some(quantity))
        .take(Stroke::ALL.len())
        .zip(Stroke::ALL)
        .map(|((n, m), stroke)| series(rows, m, rows.settings.title(n), stroke, window, quantity == "signal"))
        .collect()
}

fn round_trips(rows: &NightRows, base: &LinePlot) -> Option<(String, LinePlot)> {
    let series = of_links(rows, "link", "round-trip", (base.from, base.to));
    // One slow answer in a night would flatten all others; what lies above the axis is drawn at its edge.
    let mut all: Vec<f64> = series.iter().flat_map(|s| s.points.iter().filter_map(|p| p.value.map(|v| v.1))).collect();
    all.sort_by(f64::total_cmp);
    let most = all.get(all.len().saturating_sub(1) * 98 / 100).map(|v| v * 2.0);
    let plot = LinePlot {
        name: "round-trips".into(),
        about: "Links: time until an answer came, mean of each stretch.".into(),
        unit: "ms".into(),
        at_least: Some((0.0, 5.0)),
        at_most: most,
        series,
        ..base.clone()
    };
    Some(("Links: time until an answer came".into(), plot))
}

fn loss(rows: &NightRows, base: &LinePlot) -> Option<(String, LinePlot)> {
    let series = of_links(rows, "link", "loss", (base.from, base.to));
    let any = series.iter().any(|s| s.points.iter().any(|p| p.value.is_some_and(|v| v.2 > 0.0)));
    any.then(|| {
        let plot = LinePlot {
            name: "loss".into(),
            about: "Links: share of lost answers.".into(),
            unit: "%".into(),
            at_least: Some((0.0, 5.0)),
            series,
            ..base.clone()
        };
        ("Links: lost answers".into(), plot)
    })
}

fn radio(rows: &NightRows, base: &LinePlot) -> Option<(String, LinePlot)> {
    let plot = LinePlot {
        name: "radio".into(),
        about: "Wi-Fi signal.".into(),
        unit: "dBm".into(),
        series: of_links(rows, "interface", "signal", (base.from, base.to)),
        ..base.clone()
    };
    Some(("Wi-Fi signal".into(), plot))
}
