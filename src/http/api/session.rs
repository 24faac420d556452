//! Beginning and ending a session.

use super::Said;
use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::Json;
use crate::http::problem::Problem;
use crate::model::Command;
use axum::Extension;
use axum::extract::State;
use serde::Deserialize;

/// What is wished.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wish {
    #[serde(rename = "do")]
    what: What,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum What {
    Start,
    End,
}

/// `POST /api/v1/session`
pub async fn session(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Json(wish): Json<Wish>,
) -> Result<axum::Json<Said>, Problem> {
    let command = match wish.what {
        What::Start => Command::SessionStart,
        What::End => Command::SessionEnd,
    };
    let said = act::ask(&app, command, &who, Through::Api).await?;
    Ok(axum::Json(Said { said }))
}
