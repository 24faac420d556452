//! `GET /api/v1/summary`: the present in one record.

use crate::http::app::App;
use crate::model::live::{AlarmNow, DarkNow, ProbeNow, StoreNow, ThingNow};
use crate::model::{Condition, Live, Name, Session, Signals, UnixMs, WhyCode};
use axum::Json;
use axum::extract::State;
use serde::Serialize;

/// The present.
#[derive(Debug, Serialize)]
pub struct Summary {
    field: String,
    version: &'static str,
    invented: bool,
    condition: Condition,
    sentence: String,
    at: UnixMs,
    /// How old this knowledge is; null before the first cycle.
    age_ms: Option<i64>,
    cycle: u64,
    seq: i64,
    #[serde(rename = "try")]
    try_this: Vec<String>,
    things: Vec<ThingNow>,
    alarms: Vec<AlarmView>,
    session: Option<SessionView>,
    dark: DarkNow,
    wakes: Vec<String>,
    unreadable: Vec<Unreadable>,
    probes: Vec<ProbeNow>,
    store: StoreNow,
    agent_started: UnixMs,
    last_light_frame: Option<UnixMs>,
}

/// A standing alarm.
#[derive(Debug, Serialize)]
pub struct AlarmView {
    alarm: i64,
    rule: Name,
    thing: Name,
    priority: crate::model::Priority,
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

/// A session.
#[derive(Debug, Serialize)]
pub struct SessionView {
    session: i64,
    started: UnixMs,
    why: crate::model::SessionStart,
    ended: Option<UnixMs>,
    end_why: Option<crate::model::SessionEnd>,
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

/// A signal that cannot be read now, and why.
#[derive(Clone, Debug, Serialize)]
pub struct Unreadable {
    /// Which signal.
    pub signal: Name,
    /// Since when the latest such reading stands.
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

impl Summary {
    /// From the published present.
    pub fn of(live: &Live, signals: &Signals, age_ms: Option<i64>) -> Summary {
        Summary {
            field: live.field.clone(),
            version: env!("CARGO_PKG_VERSION"),
            invented: live.invented,
            condition: live.condition,
            sentence: live.sentence.clone(),
            at: live.at.wall,
            age_ms,
            cycle: live.cycle,
            seq: live.seq,
            try_this: live.try_this.clone(),
            things: live.things.clone(),
            alarms: live.alarms.iter().map(AlarmView::from).collect(),
            session: live.session.as_ref().map(SessionView::from),
            dark: live.dark,
            wakes: live.wakes.clone(),
            unreadable: unreadable(live, signals),
            probes: live.probes.clone(),
            store: live.store.clone(),
            agent_started: live.agent_started.wall,
            last_light_frame: live.last_light_frame,
        }
    }
}

/// The handler.
pub async fn summary(State(app): State<App>) -> Json<Summary> {
    let live = app.live();
    Json(Summary::of(&live, &app.serving.signals, app.age_ms(&live)))
}
