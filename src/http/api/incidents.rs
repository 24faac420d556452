//! Incidents and the person's marks on them.

use super::views::IncidentView;
use super::{Said, stretch};
use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::{Json, Number, Params};
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::model::{Command, MarkKind, Span, UnixMs};
use axum::Extension;
use axum::extract::State;
use serde::{Deserialize, Serialize};

/// Most letters in the person's words.
pub const WORDS: usize = 2000;

/// Incidents that touch a stretch, oldest first.
#[derive(Debug, Serialize)]
pub struct Incidents {
    from: UnixMs,
    to: UnixMs,
    incidents: Vec<IncidentView>,
}

/// `GET /api/v1/incidents?from&to`
pub async fn incidents(State(app): State<App>, mut p: Params) -> Result<axum::Json<Incidents>, Problem> {
    let (from, to) = stretch(&mut p, app.now(), Span::hours(24 * 30))?;
    p.finish()?;
    let rows = readers::read(&app, move |r| r.incidents(from, to)).await?;
    Ok(axum::Json(Incidents { from, to, incidents: rows.into_iter().map(IncidentView::from).collect() }))
}

/// `GET /api/v1/incidents/{incident}`
pub async fn one(
    State(app): State<App>,
    Number(incident): Number,
    p: Params,
) -> Result<axum::Json<IncidentView>, Problem> {
    p.finish()?;
    let row = readers::read(&app, move |r| r.incident(incident)).await?;
    let row = row.ok_or_else(|| Problem::new(Kind::NotFound, format!("there is no incident {incident}")))?;
    Ok(axum::Json(row.into()))
}

/// `GET /api/v1/incidents/{incident}/leadup`: what is kept in detail of the ten minutes before it and the five after.
pub async fn leadup(
    State(app): State<App>,
    Number(incident): Number,
    p: Params,
) -> Result<axum::Json<serde_json::Value>, Problem> {
    p.finish()?;
    let around = readers::read(&app, move |r| match r.incident(incident)? {
        Some(_) => crate::report::leadup::read(r, incident).map(Some),
        None => Ok(None),
    });
    let around = around.await?;
    let around = around.ok_or_else(|| Problem::new(Kind::NotFound, format!("there is no incident {incident}")))?;
    Ok(axum::Json(crate::report::leadup::to_json(&around)))
}

/// What the incident was.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MarkWish {
    /// None takes the mark back.
    mark: Option<MarkKind>,
    #[serde(default)]
    words: String,
}

/// `PUT /api/v1/incidents/{incident}/mark`
pub async fn mark(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Number(incident): Number,
    Json(wish): Json<MarkWish>,
) -> Result<axum::Json<Said>, Problem> {
    if wish.words.chars().count() > WORDS {
        return Err(Problem::parameter("words", format!("expected at most {WORDS} letters")));
    }
    let command = Command::Mark { incident, kind: wish.mark, words: wish.words };
    let said = act::ask(&app, command, &who, Through::Api).await?;
    Ok(axum::Json(Said { said }))
}
