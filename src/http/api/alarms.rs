//! Alarms: their transitions, and what a person does about them.

use super::Said;
use super::views::TransitionView;
use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::{Json, NoBody, Number, Params};
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::model::{AlarmId, Command, Span};
use axum::Extension;
use axum::extract::State;
use serde::{Deserialize, Serialize};

/// Most transitions in one answer, and how many come when nothing is said.
pub const MOST: i64 = 1000;
/// The longest holding back: a day.
pub const LONGEST_SHELVING_S: i64 = 24 * 3600;

/// Transitions of alarms after a number.
#[derive(Debug, Serialize)]
pub struct Transitions {
    transitions: Vec<TransitionView>,
    /// The latest number that exists.
    seq: i64,
    /// Whether there are more than were asked for; ask again after the last one's number.
    more: bool,
}

/// `GET /api/v1/alarms?after&limit`
pub async fn after(State(app): State<App>, mut p: Params) -> Result<axum::Json<Transitions>, Problem> {
    let after = p.whole("after", 0..=i64::MAX)?.unwrap_or(0);
    let limit = p.whole("limit", 1..=MOST)?.unwrap_or(MOST) as usize;
    p.finish()?;
    let (rows, seq) = readers::read(&app, move |r| {
        let _still = r.snapshot()?;
        Ok((r.transitions(after, limit + 1)?, r.latest_seq()?))
    })
    .await?;
    let more = rows.len() > limit;
    let transitions = rows.into_iter().take(limit).map(TransitionView::from).collect();
    Ok(axum::Json(Transitions { transitions, seq, more }))
}

async fn act(app: &App, who: &Who, command: Command) -> Result<axum::Json<Said>, Problem> {
    let said = act::ask(app, command, who, Through::Api).await?;
    Ok(axum::Json(Said { said }))
}

/// `POST /api/v1/alarms/acknowledge`: all that stand.
pub async fn acknowledge_all(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    _: NoBody,
) -> Result<axum::Json<Said>, Problem> {
    act(&app, &who, Command::Acknowledge { alarm: None }).await
}

/// `POST /api/v1/alarms/{alarm}/acknowledge`
pub async fn acknowledge(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Number(alarm): Number,
    _: NoBody,
) -> Result<axum::Json<Said>, Problem> {
    act(&app, &who, Command::Acknowledge { alarm: Some(AlarmId(alarm)) }).await
}

/// How long to hold back.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shelve {
    #[serde(deserialize_with = "super::whole")]
    lasting_s: i64,
}

/// `POST /api/v1/alarms/{alarm}/shelve`
pub async fn shelve(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Number(alarm): Number,
    Json(body): Json<Shelve>,
) -> Result<axum::Json<Said>, Problem> {
    if !(1..=LONGEST_SHELVING_S).contains(&body.lasting_s) {
        return Err(Problem::parameter(
            "lasting_s",
            format!("`{}` is not for `lasting_s`: expected seconds from 1 to {LONGEST_SHELVING_S}", body.lasting_s),
        ));
    }
    act(&app, &who, Command::Shelve { alarm: AlarmId(alarm), lasting: Span::secs(body.lasting_s) }).await
}

/// `POST /api/v1/alarms/{alarm}/unshelve`
pub async fn unshelve(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Number(alarm): Number,
    _: NoBody,
) -> Result<axum::Json<Said>, Problem> {
    act(&app, &who, Command::Unshelve { alarm: AlarmId(alarm) }).await
}

/// `GET /api/v1/alarms/{alarm}`: one alarm's whole life.
pub async fn one(
    State(app): State<App>,
    Number(alarm): Number,
    p: Params,
) -> Result<axum::Json<serde_json::Value>, Problem> {
    p.finish()?;
    let life = readers::read(&app, move |r| r.alarm(AlarmId(alarm))).await?;
    let life = life.ok_or_else(|| Problem::new(Kind::NotFound, format!("there is no alarm {alarm}")))?;
    let steps: Vec<TransitionView> = life.steps.into_iter().map(TransitionView::from).collect();
    Ok(axum::Json(serde_json::json!({ "alarm": alarm, "steps": steps })))
}
