//! What happened: events and sessions.

use super::stretch;
use super::views::{EventView, SessionView};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::Params;
use crate::http::problem::Problem;
use crate::http::readers;
use crate::model::{EventKind, Span, UnixMs};
use axum::extract::State;
use axum::{Extension, Json};
use serde::Serialize;

/// Most events in one answer, and how many come when nothing is said.
pub const MOST: i64 = 1000;

/// Events of a stretch, oldest first.
#[derive(Debug, Serialize)]
pub struct Events {
    from: UnixMs,
    to: UnixMs,
    events: Vec<EventView>,
    /// The stretch holds more; ask again from the last one's time on.
    more: bool,
}

/// `GET /api/v1/events?from&to&kind&limit`
pub async fn events(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    mut p: Params,
) -> Result<Json<Events>, Problem> {
    let kinds = p.words("kind", EventKind::from_code)?;
    let limit = p.whole("limit", 1..=MOST)?.unwrap_or(MOST) as usize;
    let (from, to) = stretch(&mut p, app.now(), Span::hours(24))?;
    p.finish()?;
    let mut rows = readers::read(&app, move |r| {
        // Step by step, so that a long stretch never lies in memory whole.
        let mut rows = Vec::new();
        let (mut at, mut step) = (from, Span::hours(24));
        while at < to && rows.len() <= limit {
            let next = (at + step).min(to);
            let some = r.events(at, next, &kinds)?;
            // Empty stretches are crossed in ever larger steps.
            step = if some.is_empty() { Span(step.0.saturating_mul(2)) } else { Span::hours(24) };
            rows.extend(some);
            at = next;
        }
        Ok(rows)
    })
    .await?;
    let more = rows.len() > limit;
    rows.truncate(limit);
    let all = who.may_write();
    Ok(Json(Events { from, to, events: rows.into_iter().map(|e| EventView::of(e, all)).collect(), more }))
}

/// Sessions that touch a stretch, oldest first.
#[derive(Debug, Serialize)]
pub struct Sessions {
    from: UnixMs,
    to: UnixMs,
    sessions: Vec<SessionView>,
}

/// `GET /api/v1/sessions?from&to`
pub async fn sessions(State(app): State<App>, mut p: Params) -> Result<Json<Sessions>, Problem> {
    let (from, to) = stretch(&mut p, app.now(), Span::hours(24 * 30))?;
    p.finish()?;
    let rows = readers::read(&app, move |r| r.sessions(from, to)).await?;
    Ok(Json(Sessions { from, to, sessions: rows.iter().map(SessionView::from).collect() }))
}
