//! The report as JSON. Names are stable; `src/report/morning-report.schema.json` documents them and a test holds the two together.
//!
//! Instants are UTC in RFC 3339, lengths are in seconds or milliseconds as their names say, temperatures are in °C whatever
//! the person reads on paper, and every signal stands beside the code of its unit.

use super::model::{
    AlarmLine, Before, Cost, IncidentPart, Look, MorningReport, Reason, SessionLine, SignalLine, Step, Totals,
    WatchedLine,
};
use super::unusual::{Finding, Unusual};
use crate::model::incident::Belongs;
use crate::model::{Mark, Span, UnixMs, zone_name};
use crate::report::say::rfc3339;
use serde_json::{Value, json};

/// Name and version of the layout; the number grows when a name changes its meaning or goes.
pub const LAYOUT: &str = "tilldawn-morning-report-1";

/// The report as one JSON object.
pub fn to_json(r: &MorningReport) -> Value {
    json!({
        "layout": LAYOUT,
        "field": r.field,
        "invented": r.invented,
        "written": rfc3339(r.written),
        "night": {
            "date": r.night.date,
            "from": rfc3339(r.night.from),
            "to": rfc3339(r.night.to),
            "zone": zone_name(&r.zone),
            "sunset": at(r.night.sunset),
            "sunrise": at(r.night.sunrise),
            "dark": r.night.dark.iter().map(|d| json!({"from": rfc3339(d.0), "to": rfc3339(d.1)})).collect::<Vec<_>>(),
        },
        "state": r.state.code(),
        "sentences": r.opening,
        "to_look_at": r.to_look_at.iter().map(look).collect::<Vec<_>>(),
        "totals": totals(&r.totals),
        "sessions": r.sessions.iter().map(session).collect::<Vec<_>>(),
        "incidents": r.incidents.iter().map(incident).collect::<Vec<_>>(),
        "watched": r.watched.iter().map(watched).collect::<Vec<_>>(),
        "signals": r.signals.iter().map(signal).collect::<Vec<_>>(),
        "gaps": r.gaps.iter().map(|g| json!({
            "from": rfc3339(g.from), "to": rfc3339(g.to), "why": g.why, "words": g.words,
            "in_session_seconds": seconds(g.in_session),
        })).collect::<Vec<_>>(),
        "alarms": r.alarms.iter().map(alarm).collect::<Vec<_>>(),
        "last_quiet_night": r.quiet,
        "changes": r.changes.iter().map(|c| json!({"at": rfc3339(c.at), "words": c.words})).collect::<Vec<_>>(),
        "drawing": r.drawing,
        "cautions": r.cautions,
    })
}

fn at(t: Option<UnixMs>) -> Value {
    t.map_or(Value::Null, |t| rfc3339(t).into())
}

fn seconds(s: Span) -> Value {
    // Whole seconds stay whole numbers.
    if s.0 % 1000 == 0 { (s.0 / 1000).into() } else { s.as_secs_f64().into() }
}

fn maybe_seconds(s: Option<Span>) -> Value {
    s.map_or(Value::Null, seconds)
}

/// A number for machines, without the noise of binary fractions.
fn number(v: f64) -> Value {
    if v.is_finite() { json!((v * 1e6).round() / 1e6) } else { Value::Null }
}

fn totals(t: &Totals) -> Value {
    json!({
        "dark_seconds": maybe_seconds(t.dark),
        "session_seconds": seconds(t.session),
        "dark_in_session_seconds": seconds(t.dark_in_session),
        "light_frames": t.light_frames,
        "light_seconds": maybe_seconds(t.light),
        "yield": t.yield_share.map(number),
        "faults": t.faults,
        "harmless": t.harmless,
        "pauses": t.pauses,
        "marked": t.marked,
        "dark_lost_seconds": seconds(t.dark_lost),
        "light_frames_missing": t.frames_missing,
        "paused_seconds": seconds(t.paused),
        "between_frames_seconds": maybe_seconds(t.between),
        "not_watched_seconds": seconds(t.not_watched),
        "dark_not_watched_seconds": seconds(t.dark_not_watched),
    })
}

fn session(s: &SessionLine) -> Value {
    json!({"id": s.id, "from": rfc3339(s.from), "to": at(s.to), "why": s.why, "end_why": s.end_why})
}

/// One incident; also what `tilldawn incident N --as json` prints.
pub fn incident(i: &IncidentPart) -> Value {
    json!({
        "id": i.id,
        "letter": i.letter,
        "counts_as": i.class.code(),
        "kind": i.kind.word(),
        "opened": rfc3339(i.opened),
        "closed": at(i.closed),
        "sentence": i.headline,
        "failed_first": i.cascade.first().map(|s| s.thing.as_str()),
        "order_certain": i.order_certain,
        "cascade": i.cascade.iter().map(step).collect::<Vec<_>>(),
        "cost": cost(&i.cost),
        "marks": i.marks.iter().map(mark).collect::<Vec<_>>(),
        "before": i.before.as_ref().map(before),
        "reasons": i.reasons.iter().map(reason).collect::<Vec<_>>(),
        "not_measured": i.not_measured,
        "kept_in_detail": i.detailed,
    })
}

fn step(s: &Step) -> Value {
    json!({
        "thing": s.thing,
        "title": s.title,
        "at": rfc3339(s.at),
        "within_milliseconds": s.within.0,
        "offset_milliseconds": s.offset.0,
        "until": at(s.until),
        "belongs_by": match s.belongs {
            Belongs::First => "first",
            Belongs::LeansOn => "leans_on",
            Belongs::NearInTime => "near_in_time",
        },
        "did": s.did,
        "text": s.text,
    })
}

fn cost(c: &Cost) -> Value {
    json!({
        "dark_lost_seconds": seconds(c.dark_lost),
        "light_frames_missing": c.frames_missing,
        "until_light_frame_seconds": maybe_seconds(c.until_frames),
        "not_watched_seconds": seconds(c.not_watched),
    })
}

fn mark(m: &Mark) -> Value {
    json!({"at": rfc3339(m.at.wall), "kind": m.kind, "words": m.words})
}

fn before(b: &Before) -> Value {
    json!({
        "unusual": b.unusual.as_ref().map(unusual),
        "not_ranked_because": b.why_not,
        "heaviest_by_processor": b.by_processor.iter().map(|(t, v)| json!({"title": t, "percent": number(*v)})).collect::<Vec<_>>(),
        "heaviest_by_memory": b.by_memory.iter().map(|(t, v)| json!({"title": t, "bytes": number(*v)})).collect::<Vec<_>>(),
        "facts": b.facts,
    })
}

fn unusual(u: &Unusual) -> Value {
    json!({
        "signals_searched": u.searched,
        "comparable_stretches": u.stretches,
        "nights": u.nights,
        "ordinary_stretches_show": number(u.ordinary),
        "findings": u.findings.iter().map(finding).collect::<Vec<_>>(),
    })
}

fn finding(f: &Finding) -> Value {
    json!({
        "signal": f.signal,
        "what": f.what,
        "unit": f.unit.code(),
        "direction": if f.high { "high" } else { "low" },
        "judged_by": if f.peak { "peak" } else { "mean" },
        "value": number(f.value),
        "usual": number(f.typical),
        "as_extreme": f.as_extreme,
        "of": f.of,
    })
}

fn reason(x: &Reason) -> Value {
    json!({
        "code": x.code,
        "title": x.title,
        "weight": x.weight.code(),
        "evidence_for": x.evidence_for,
        "evidence_against": x.evidence_against,
    })
}

fn look(l: &Look) -> Value {
    json!({"place": l.place, "reason": l.reason, "evidence": l.evidence, "how_to_check": l.how, "caution": l.caution})
}

fn watched(w: &WatchedLine) -> Value {
    json!({
        "thing": w.thing, "title": w.title, "times_broken": w.times, "broken_seconds": seconds(w.broken), "words": w.words,
    })
}

fn signal(s: &SignalLine) -> Value {
    let (low, mean, high) =
        s.range.map_or((Value::Null, Value::Null, Value::Null), |(a, b, c)| (number(a), number(b), number(c)));
    json!({
        "name": s.name, "what": s.what, "unit": s.unit.code(), "resolution": number(s.resolution),
        "minimum": low, "mean": mean, "maximum": high,
        "known_readings": s.known, "unavailable_readings": s.unavailable,
    })
}

fn alarm(a: &AlarmLine) -> Value {
    json!({
        "alarm": a.alarm, "rule": a.rule, "thing": a.thing, "priority": a.priority.word(),
        "from": rfc3339(a.from), "to": at(a.to), "acknowledged": a.acknowledged, "wakes": a.wakes,
        "text": a.text, "incident_letter": a.letter,
    })
}
