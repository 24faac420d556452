//! To look at today: at most three lines, each with the place, the reason, the evidence and how to check it.

use super::model::{AlarmLine, Class, GapLine, IncidentPart, Look, Reason};
use super::reasons::caution;
use super::rows::NightRows;
use crate::model::{Name, Span};
use crate::report::say;
use std::collections::BTreeMap;

/// More than three things to do are none.
const MOST: usize = 3;
/// Harmless breaks of one thing from which it is worth a look.
const OFTEN: usize = 3;

/// The lines, most worth it first.
pub fn to_look_at(rows: &NightRows, incidents: &[IncidentPart], alarms: &[AlarmLine], gaps: &[GapLine]) -> Vec<Look> {
    let mut out: Vec<Look> = vec![];
    let mut faults: Vec<&IncidentPart> = incidents.iter().filter(|i| i.class == Class::Fault).collect();
    faults.sort_by_key(|i| (std::cmp::Reverse(i.cost.dark_lost), i.opened));
    for f in faults {
        out.push(f.reasons.first().map_or_else(|| no_reason(rows, f), |r| by_reason(f, r)));
    }
    out.extend(breaking_often(incidents));
    out.extend(unread(rows, alarms));
    out.extend(standing(alarms));
    out.extend(blind(rows, gaps));
    let mut places: Vec<String> = vec![];
    out.retain(|l| {
        let new = !places.contains(&l.place);
        places.push(l.place.clone());
        new
    });
    out.truncate(MOST);
    out
}

fn by_reason(i: &IncidentPart, r: &Reason) -> Look {
    let mut look = r.look.clone();
    look.evidence = format!("{}: {}", i.letter, r.evidence_for.iter().take(2).cloned().collect::<Vec<_>>().join("; "));
    look
}

fn no_reason(rows: &NightRows, i: &IncidentPart) -> Look {
    let zone = rows.settings.time_zone();
    let first = i.cascade.first();
    let title = first.map_or_else(|| i.kind.word().to_string(), |s| s.title.clone());
    let at = say::clock_s(i.opened, &zone);
    let moves = first.is_some_and(|s| matches!(s.thing.kind(), "program" | "device"));
    Look {
        evidence: format!("{}: {} at {at}", i.letter, first.map_or("it failed", |s| s.text.as_str())),
        how: match first.map(|s| s.thing.kind()) {
            Some("program") => format!("read its own log around {at}"),
            Some("device") => "reseat and tie its cable, and try another port".into(),
            Some("link" | "interface") => format!("look at the router's own log at {at}"),
            _ => format!("look at the system's log at {at}"),
        },
        place: title,
        reason: "it failed, and nothing that was recorded tells why".into(),
        caution: moves.then_some(caution::MOVEMENT),
    }
}

fn breaking_often(incidents: &[IncidentPart]) -> Vec<Look> {
    let mut by_thing: BTreeMap<&Name, (usize, &str)> = BTreeMap::new();
    for s in incidents.iter().filter(|i| i.class == Class::Harmless).filter_map(|i| i.cascade.first()) {
        by_thing.entry(&s.thing).or_insert((0, &s.title)).0 += 1;
    }
    let mut all: Vec<_> = by_thing.into_iter().filter(|(_, (n, _))| *n >= OFTEN).collect();
    all.sort_by_key(|(_, (n, _))| std::cmp::Reverse(*n));
    all.into_iter()
        .map(|(thing, (n, title))| Look {
            place: title.to_string(),
            reason: "it broke often, though nothing was lost".into(),
            evidence: format!("{n} short breaks this night"),
            how: match thing.kind() {
                "device" => "reseat and tie its cable before the next night, and try another port",
                "link" | "interface" => "turn or raise the aerial, and look for a busy channel",
                _ => "read its own log at those times",
            }
            .into(),
            caution: None,
        })
        .collect()
}

fn unread(rows: &NightRows, alarms: &[AlarmLine]) -> Vec<Look> {
    alarms
        .iter()
        .filter(|a| matches!(a.rule.as_str(), "rule.cannot-read" | "rule.probe-stuck"))
        .filter(|a| a.to.is_none_or(|t| t - a.from >= Span::mins(30)))
        .map(|a| Look {
            place: rows.settings.title(&a.thing),
            reason: "it could not be read".into(),
            evidence: format!(
                "{} {}",
                a.text.trim_end_matches('.'),
                a.to.map_or_else(
                    || format!("since {}", say::clock(a.from, &rows.settings.time_zone())),
                    |t| format!("for {}", t - a.from)
                )
            ),
            how: "see whether it is plugged in and switched on; `tilldawn look` shows what can be read now".into(),
            caution: None,
        })
        .collect()
}

/// Alarms of no incident that still stand in the morning: a disk that fills up, a clock that is not set.
fn standing(alarms: &[AlarmLine]) -> Vec<Look> {
    alarms
        .iter()
        .filter(|a| a.to.is_none() && a.letter.is_none())
        .filter(|a| !matches!(a.rule.as_str(), "rule.cannot-read" | "rule.probe-stuck" | "rule.box-cold"))
        .map(|a| Look {
            place: say::sentence_start(a.text.trim_end_matches('.')),
            reason: "this alarm still stands".into(),
            evidence: format!("rule {}", a.rule.own().replace('-', " ")),
            how: match a.rule.as_str() {
                "rule.disk" => "move last night's frames off it, and see that tonight's will fit",
                "rule.clock-not-set" => "see that the clock is set before the programs start",
                _ => "put it right before dusk",
            }
            .into(),
            caution: None,
        })
        .collect()
}

fn blind(rows: &NightRows, gaps: &[GapLine]) -> Vec<Look> {
    gaps.iter()
        .filter(|g| g.in_session >= Span::mins(10))
        .max_by_key(|g| g.in_session)
        .map(|g| Look {
            place: "the field PC and the agent on it".into(),
            reason: format!("{}, so nobody was looking", g.words),
            evidence: format!(
                "{} of the session from {}",
                g.in_session,
                say::clock(g.from, &rows.settings.time_zone())
            ),
            how: "look at the system's log at that time; let the agent start with the machine".into(),
            caution: None,
        })
        .into_iter()
        .collect()
}
