//! The records of the API. They follow the model's words; every time is in milliseconds since 1970 (UTC).

use crate::model::live::AlarmNow;
use crate::model::rows::{IncidentRow, RemedyRow};
use crate::model::{
    Event, EventKind, FaultKind, Live, MarkKind, Name, Priority, Session, SessionEnd, SessionStart, Signals, Span,
    Transition, UnixMs, Value, WhyCode,
};
use serde::Serialize;
use serde_json::Map;

/// A standing alarm.
#[derive(Debug, Serialize)]
pub struct AlarmView {
    alarm: i64,
    rule: Name,
    thing: Name,
    priority: Priority,
    since: UnixMs,
    standing: bool,
    acknowledged: bool,
    shelved_until: Option<UnixMs>,
    chattering: bool,
    stale: bool,
    saved: bool,
    text: String,
    incident: Option<i64>,
}

impl From<&AlarmNow> for AlarmView {
    fn from(a: &AlarmNow) -> AlarmView {
        AlarmView {
            alarm: a.alarm.0,
            rule: a.rule.clone(),
            thing: a.thing.clone(),
            priority: a.priority,
            since: a.since.wall,
            standing: a.standing,
            acknowledged: a.acknowledged,
            shelved_until: a.shelved_until,
            chattering: a.chattering,
            stale: a.stale,
            saved: a.saved,
            text: a.text.clone(),
            incident: a.incident,
        }
    }
}

/// One step in the life of an alarm.
#[derive(Debug, Serialize)]
pub struct TransitionView {
    seq: i64,
    at: UnixMs,
    announced: UnixMs,
    alarm: i64,
    rule: Name,
    thing: Name,
    priority: Priority,
    change: &'static str,
    by: Option<String>,
    until: Option<UnixMs>,
    wakes: bool,
    text: String,
    value: Option<f64>,
    incident: Option<i64>,
    saved: bool,
}

impl From<Transition> for TransitionView {
    fn from(t: Transition) -> TransitionView {
        use crate::model::AlarmChange as C;
        let change = t.change.code();
        let (by, until) = match t.change {
            C::Acknowledged { by } => (Some(by), None),
            C::Shelved { until, by } => (Some(by), Some(until)),
            _ => (None, None),
        };
        TransitionView {
            seq: t.seq,
            at: t.at.wall,
            announced: t.announced.wall,
            alarm: t.alarm.0,
            rule: t.rule,
            thing: t.thing,
            priority: t.priority,
            change,
            by,
            until,
            wakes: t.wakes,
            text: t.text,
            value: t.value,
            incident: t.incident,
            saved: t.saved,
        }
    }
}

/// A session.
#[derive(Debug, Serialize)]
pub struct SessionView {
    session: i64,
    started: UnixMs,
    why: SessionStart,
    ended: Option<UnixMs>,
    end_why: Option<SessionEnd>,
}

impl From<&Session> for SessionView {
    fn from(s: &Session) -> SessionView {
        SessionView {
            session: s.id,
            started: s.started.wall,
            why: s.why,
            ended: s.ended.map(|e| e.wall),
            end_why: s.end_why,
        }
    }
}

/// An event.
#[derive(Debug, Serialize)]
pub struct EventView {
    at: UnixMs,
    within_ms: Span,
    thing: Name,
    kind: EventKind,
    text: String,
    detail: Map<String, serde_json::Value>,
}

/// Facts that may show a command line, and with it passwords that somebody put there.
const COMMAND_LINES: [&str; 3] = ["command", "arguments", "output"];

impl EventView {
    /// From an event; command lines of programs stay behind unless `all` may be seen.
    pub fn of(e: Event, all: bool) -> EventView {
        let mut detail = e.detail;
        if !all {
            detail.retain(|k, _| !COMMAND_LINES.contains(&k.as_str()));
        }
        EventView { at: e.at.wall, within_ms: e.within, thing: e.thing, kind: e.kind, text: e.text, detail }
    }
}

/// A part of an incident.
#[derive(Debug, Serialize)]
pub struct MemberView {
    thing: Name,
    at: UnixMs,
    within_ms: Span,
    until: Option<UnixMs>,
    alarm: Option<i64>,
    event: Option<EventKind>,
    belongs: crate::model::incident::Belongs,
    text: String,
}

/// A mark on an incident.
#[derive(Debug, Serialize)]
pub struct MarkView {
    at: UnixMs,
    mark: Option<MarkKind>,
    words: String,
}

/// An incident.
#[derive(Debug, Serialize)]
pub struct IncidentView {
    incident: i64,
    session: Option<i64>,
    opened: UnixMs,
    closed: Option<UnixMs>,
    kind: FaultKind,
    fault: bool,
    harmless: bool,
    pause_only: bool,
    order_certain: bool,
    members: Vec<MemberView>,
    marks: Vec<MarkView>,
}

impl From<IncidentRow> for IncidentView {
    fn from(r: IncidentRow) -> IncidentView {
        let fault = r.incident.is_fault();
        let i = r.incident;
        let members = i.members.into_iter().map(|m| MemberView {
            thing: m.thing,
            at: m.at.wall,
            within_ms: m.within,
            until: m.until.map(|u| u.wall),
            alarm: m.alarm.map(|a| a.0),
            event: m.event,
            belongs: m.belongs,
            text: m.text,
        });
        let marks = r.marks.into_iter().map(|m| MarkView { at: m.at.wall, mark: m.kind, words: m.words });
        IncidentView {
            incident: i.id,
            session: i.session,
            opened: i.opened.wall,
            closed: i.closed.map(|c| c.wall),
            kind: i.kind,
            fault,
            harmless: i.harmless,
            pause_only: i.pause_only,
            order_certain: i.order_certain,
            members: members.collect(),
            marks: marks.collect(),
        }
    }
}

/// A remedy.
#[derive(Debug, Serialize)]
pub struct RemedyView {
    remedy: i64,
    name: String,
    added: UnixMs,
    since: UnixMs,
    until: Option<UnixMs>,
    only_nights: Vec<String>,
    hard_when: Option<crate::model::command::HardWhen>,
    record_before_ms: Span,
    hindsight: bool,
}

impl From<RemedyRow> for RemedyView {
    fn from(r: RemedyRow) -> RemedyView {
        RemedyView {
            remedy: r.id,
            name: r.name,
            added: r.added,
            since: r.since,
            until: r.until,
            only_nights: r.only_nights,
            hard_when: r.hard_when,
            record_before_ms: r.record_before,
            hindsight: r.hindsight,
        }
    }
}

/// Why a value is not there.
#[derive(Clone, Debug, Serialize)]
pub struct WhyView {
    /// Kind of reason.
    pub code: WhyCode,
    /// Said to people.
    pub text: String,
}

/// The latest reading of a signal: either a value or why there is none.
#[derive(Clone, Debug, Serialize)]
pub struct ReadingView {
    at: UnixMs,
    value: Option<f64>,
    unavailable: Option<WhyView>,
}

impl ReadingView {
    /// From a reading.
    pub fn of(at: UnixMs, v: &Value) -> ReadingView {
        ReadingView {
            at,
            value: v.known(),
            unavailable: v.why().map(|w| WhyView { code: w.code, text: w.text.to_string() }),
        }
    }
}

/// A signal that cannot be read now, and why.
#[derive(Clone, Debug, Serialize)]
pub struct Unreadable {
    /// Which signal.
    pub signal: Name,
    /// When that was last found.
    pub at: UnixMs,
    /// Kind of reason.
    pub code: WhyCode,
    /// Said to people.
    pub text: String,
}

/// What cannot be read now. The first measurement after a start is no trouble.
pub fn unreadable(live: &Live, signals: &Signals) -> Vec<Unreadable> {
    live.latest
        .iter()
        .filter_map(|(id, at, value)| {
            let why = value.why().filter(|w| w.code != WhyCode::NotYet)?;
            let def = signals.def(*id)?;
            Some(Unreadable { signal: def.name.clone(), at: *at, code: why.code, text: why.text.to_string() })
        })
        .collect()
}
