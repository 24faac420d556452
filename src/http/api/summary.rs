//! `GET /api/v1/summary`: the present in one record.

use super::views::{AlarmView, SessionView, Unreadable, unreadable};
use crate::http::app::App;
use crate::model::live::{DarkNow, ProbeNow, StoreNow, ThingNow};
use crate::model::{Condition, Live, Signals, UnixMs};
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

/// Knowledge older than this is no longer the present.
pub const OLD_AFTER_MS: i64 = 60_000;

impl Summary {
    /// From the published present. When nothing was looked at yet, or the agent has stood still for a minute, the condition is
    /// unknown, whatever it was.
    pub fn of(live: &Live, signals: &Signals, age_ms: Option<i64>) -> Summary {
        let fresh = age_ms.is_some_and(|a| a < OLD_AFTER_MS);
        Summary {
            field: live.field.clone(),
            version: env!("CARGO_PKG_VERSION"),
            invented: live.invented,
            condition: if fresh { live.condition } else { Condition::Unknown },
            sentence: live.sentence.clone(),
            at: live.at.wall,
            age_ms,
            cycle: live.cycle,
            seq: live.seq,
            try_this: live.try_this.clone(),
            things: live.things.to_vec(),
            alarms: live.alarms.iter().map(AlarmView::from).collect(),
            session: live.session.as_ref().map(SessionView::from),
            dark: live.dark,
            wakes: live.wakes.to_vec(),
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
