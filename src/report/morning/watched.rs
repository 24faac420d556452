//! What was watched, signals, gaps, alarms and changes, as lines.

use super::change_words;
use super::model::{AlarmLine, ChangeLine, GapLine, IncidentPart, SignalLine, WatchedLine};
use super::rows::NightRows;
use crate::model::{AlarmChange, Name, Span, UnixMs};
use crate::night::Interval;
use crate::night::intervals;
use crate::report::say;

/// The watched things, configured ones first, then others that the record speaks of.
pub fn things(rows: &NightRows) -> Vec<Name> {
    let mut out: Vec<Name> = rows.settings.things.iter().map(|t| t.name.clone()).collect();
    let seen = rows
        .incidents
        .iter()
        .flat_map(|r| r.incident.members.iter().map(|m| m.thing.clone()))
        .chain(rows.alarms.iter().filter_map(|a| a.steps.first().map(|s| s.thing.thing())))
        .chain(rows.signals.iter().filter(|(n, _)| is_presence(n)).map(|(n, _)| n.clone()));
    for n in seen {
        if !out.contains(&n) {
            out.push(n);
        }
    }
    out
}

/// Whether a name stands for the presence of a watched thing.
fn is_presence(n: &Name) -> bool {
    n.of_thing().is_none() && matches!(n.kind(), "program" | "device" | "link" | "interface")
}

/// When a thing was broken, harmless breaks included, as far as incidents tell.
pub fn broken(rows: &NightRows, thing: &Name) -> Vec<Interval> {
    let mut out = vec![];
    for i in rows.incidents.iter().map(|r| &r.incident) {
        for m in i.members.iter().filter(|m| m.thing == *thing) {
            let end = m.until.or(i.closed).map_or(rows.until(), |s| s.wall);
            out.push((m.at.wall, end.min(rows.until()).max(m.at.wall)));
        }
    }
    out
}

/// When a thing could not be read, by the alarms that say so.
pub fn unread(rows: &NightRows, alarms: &[AlarmLine], thing: &Name) -> Vec<Interval> {
    alarms
        .iter()
        .filter(|a| a.rule.as_str() == "rule.cannot-read" && a.thing.thing() == *thing)
        .map(|a| (a.from, a.to.unwrap_or(rows.until())))
        .collect()
}

/// Session time in which nothing at all was recorded of a thing whose presence is read all the time. Only told where
/// signals were gathered; a few minutes are no hole, since a machine may be busy.
pub fn silent(rows: &NightRows, thing: &Name) -> Vec<Interval> {
    const HOLE: Span = Span::mins(5);
    if rows.signals.is_empty() || !matches!(thing.kind(), "program" | "device" | "link" | "frames") {
        return vec![];
    }
    let mut heard: Vec<Interval> = rows
        .signals
        .iter()
        .filter(|(n, _)| n.thing() == *thing)
        .flat_map(|(_, m)| m.minutes.iter().filter(|b| b.count > 0).map(|b| (b.from, b.to)))
        .collect();
    // Where only events tell of a thing (frames that arrive), one of them is word enough for the night.
    if heard.is_empty() && rows.events.iter().any(|e| e.thing == *thing) {
        return vec![];
    }
    heard.extend(rows.gaps.iter().map(|g| (g.from, g.to)));
    heard.extend(broken(rows, thing));
    let mut holes = intervals::subtract(&rows.session_stretches(), &heard);
    holes.retain(|h| h.1 - h.0 >= HOLE);
    holes
}

/// One line for each watched thing.
pub fn watched(rows: &NightRows, alarms: &[AlarmLine]) -> Vec<WatchedLine> {
    things(rows)
        .into_iter()
        .map(|thing| {
            let breaks = broken(rows, &thing);
            let total = intervals::total(&breaks);
            let blind = intervals::total(&intervals::union(&unread(rows, alarms, &thing), &silent(rows, &thing)));
            let mut words = vec![];
            match breaks.len() {
                0 => {}
                1 => words.push(format!("broken once, {total}")),
                n => words.push(format!("broken {n} times, {total} in all")),
            }
            if blind > Span::ZERO {
                words.push(format!("nothing known of it for {}", say::rough(blind)));
            }
            let other = alarms
                .iter()
                .filter(|a| a.thing.thing() == thing && a.letter.is_none() && a.rule.as_str() != "rule.cannot-read")
                .count();
            if other > 0 {
                words.push(say::count(other, "other alarm"));
            }
            if words.is_empty() {
                let known =
                    rows.signals.iter().any(|(n, m)| n.thing() == thing && m.minutes.iter().any(|b| b.count > 0))
                        || rows.events.iter().any(|e| e.thing == thing);
                // Unknown is never shown as good.
                words.push(
                    if known || !breaks.is_empty() { "nothing wrong seen" } else { "nothing recorded of it" }.into(),
                );
            }
            WatchedLine {
                title: rows.settings.title(&thing),
                thing,
                times: breaks.len(),
                broken: total,
                words: words.join("; "),
            }
        })
        .collect()
}

/// One line for each signal.
pub fn signals(rows: &NightRows) -> Vec<SignalLine> {
    rows.signals
        .iter()
        .map(|(name, m)| {
            let known: u64 = m.minutes.iter().map(|b| u64::from(b.count)).sum();
            let fold = |f: fn(f64, f64) -> f64, start: f64, of: fn(&crate::model::rows::Bucket) -> f64| {
                m.minutes.iter().filter(|b| b.count > 0).map(of).fold(start, f)
            };
            let range = (known > 0).then(|| {
                let sum: f64 = m.minutes.iter().filter(|b| b.count > 0).map(|b| b.mean * f64::from(b.count)).sum();
                (
                    fold(f64::min, f64::INFINITY, |b| b.min),
                    sum / known as f64,
                    fold(f64::max, f64::NEG_INFINITY, |b| b.max),
                )
            });
            SignalLine {
                name: name.clone(),
                what: m.def.what.clone(),
                unit: m.def.unit,
                resolution: m.def.resolution,
                range,
                known,
                unavailable: m.minutes.iter().map(|b| u64::from(b.unavailable)).sum(),
            }
        })
        .collect()
}

/// Gaps with the part of each that lay in a session.
pub fn gaps(rows: &NightRows) -> Vec<GapLine> {
    let sessions = intervals::tidy(&rows.session_stretches());
    rows.gaps
        .iter()
        .map(|g| GapLine {
            from: g.from,
            to: g.to,
            why: g.why.clone(),
            words: gap_words(&g.why),
            in_session: intervals::overlap(&sessions, &[(g.from, g.to)]),
        })
        .collect()
}

/// Why nobody was looking, in words.
pub fn gap_words(why: &str) -> &'static str {
    match why {
        "crash" => "the agent ended unexpectedly",
        "power_cut" => "power was lost, or the machine froze",
        "machine_restart" => "the machine restarted",
        "stopped" => "the agent was stopped",
        "stall" => "the machine was too busy for the agent to look",
        "suspend" => "the machine slept",
        "dropped" => "readings were dropped, since they could not be written",
        "never_ran" => "the agent did not run",
        _ => "reason unknown",
    }
}

/// Alarms in order of time, each with the letter of its incident.
pub fn alarms(rows: &NightRows, incidents: &[IncidentPart]) -> Vec<AlarmLine> {
    let mut out: Vec<AlarmLine> = rows
        .alarms
        .iter()
        .filter_map(|a| {
            let first = a.steps.first()?;
            let over = a.steps.iter().find(|t| matches!(t.change, AlarmChange::Returned | AlarmChange::Removed));
            let incident = a.steps.iter().rev().find_map(|t| t.incident);
            Some(AlarmLine {
                alarm: first.alarm.0,
                rule: first.rule.clone(),
                thing: first.thing.clone(),
                priority: first.priority,
                from: first.at.wall,
                to: over.map(|t| t.at.wall),
                acknowledged: a.steps.iter().any(|t| matches!(t.change, AlarmChange::Acknowledged { .. })),
                wakes: a.steps.iter().any(|t| t.wakes),
                text: if first.text.is_empty() { rows.settings.title(&first.thing) } else { first.text.clone() },
                letter: incident.and_then(|n| incidents.iter().find(|i| i.id == n)).map(|i| i.letter.clone()),
            })
        })
        .collect();
    out.sort_by_key(|a| (a.from, a.alarm));
    out
}

/// Changes shortly before and during the night.
pub fn changes(rows: &NightRows) -> Vec<ChangeLine> {
    rows.changes.iter().map(|c| ChangeLine { at: c.at, words: change_words(&rows.settings, c) }).collect()
}

/// Session time in which nobody was looking.
pub fn not_watched(rows: &NightRows) -> Span {
    let gaps: Vec<(UnixMs, UnixMs)> = rows.gaps.iter().map(|g| (g.from, g.to)).collect();
    intervals::overlap(&rows.session_stretches(), &gaps)
}
