//! Remedies: what the person changed in the hope of fewer faults.

use super::Said;
use super::views::RemedyView;
use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::{Json, LATEST_MS, Number, Params};
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::model::command::{HardWhen, RemedyWish};
use crate::model::{Command, Name, UnixMs};
use crate::report::season::freeze::{FreezeError, freeze};
use crate::report::settings::Settings;
use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};

/// Most letters in a remedy's name, and most evening dates.
pub const NAME: usize = 120;
/// Most evening dates.
pub const NIGHTS: usize = 400;

/// All remedies.
#[derive(Debug, Serialize)]
pub struct Remedies {
    remedies: Vec<RemedyView>,
}

/// `GET /api/v1/remedies`
pub async fn remedies(State(app): State<App>, p: Params) -> Result<axum::Json<Remedies>, Problem> {
    p.finish()?;
    let rows = readers::read(&app, |r| r.remedies()).await?;
    Ok(axum::Json(Remedies { remedies: rows.into_iter().map(RemedyView::from).collect() }))
}

/// A remedy as it is stated. Own type rather than the model's, so that strangers among the fields are refused.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wish {
    name: String,
    #[serde(deserialize_with = "super::whole")]
    since: i64,
    #[serde(default, deserialize_with = "super::maybe_whole")]
    until: Option<i64>,
    #[serde(default)]
    only_nights: Vec<String>,
    #[serde(default)]
    hard_when: Option<Hard>,
    /// Use the stated rule even if the remedy may have changed its signal.
    #[serde(default)]
    anyway: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Hard {
    signal: Name,
    below: bool,
    limit: f64,
}

impl Wish {
    fn checked(self) -> Result<RemedyWish, Problem> {
        let name = self.name.trim().to_owned();
        if name.is_empty() || name.chars().count() > NAME {
            return Err(Problem::parameter("name", format!("expected 1 to {NAME} letters that say what was changed")));
        }
        let known = |field: &str, t: i64| {
            if (0..=LATEST_MS).contains(&t) {
                Ok(UnixMs(t))
            } else {
                Err(Problem::parameter(
                    field,
                    format!("`{t}` is not for `{field}`: expected milliseconds since 1970, before the year 2100"),
                ))
            }
        };
        let since = known("since", self.since)?;
        let until = self.until.map(|u| known("until", u)).transpose()?;
        if until.is_some_and(|u| u <= since) {
            return Err(Problem::new(Kind::Contradiction, "`until` must lie after `since`"));
        }
        if self.only_nights.len() > NIGHTS {
            return Err(Problem::parameter("only_nights", format!("expected at most {NIGHTS} evening dates")));
        }
        for n in &self.only_nights {
            if n.len() != 10 || n.parse::<jiff::civil::Date>().is_err() {
                let n = crate::http::words::echoed(n);
                return Err(Problem::parameter(
                    "only_nights",
                    format!("`{n}` is no evening date: expected such as `2026-01-12`"),
                ));
            }
        }
        let hard_when = self.hard_when.map(|h| HardWhen { signal: h.signal, below: h.below, limit: h.limit });
        Ok(RemedyWish { name, since, until, only_nights: self.only_nights, hard_when })
    }
}

/// `POST /api/v1/remedies`
pub async fn add(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Json(wish): Json<Wish>,
) -> Result<(StatusCode, axum::Json<Said>), Problem> {
    let anyway = wish.anyway;
    let wish = with_rule(&app, wish.checked()?, anyway).await?;
    let said = act::ask(&app, Command::RemedyAdd(wish), &who, Through::Api).await?;
    Ok((StatusCode::CREATED, axum::Json(Said { said })))
}

/// The wish with its rule for hard hours looked at, or chosen from the nights on record. Done here, so that the agent's own
/// loop never waits for it.
///
/// # Errors
/// A rule that may not be used; a store that cannot be read.
pub async fn with_rule(app: &App, wish: RemedyWish, anyway: bool) -> Result<RemedyWish, Problem> {
    if app.serving.store.is_none() || (wish.hard_when.is_some() && anyway) {
        return Ok(wish);
    }
    let (settings, now, asked) = (Settings::here(&app.config()), app.now(), wish.clone());
    let frozen = readers::read(app, move |r| match freeze(r, settings, &asked, anyway, now) {
        Ok(f) => Ok(Ok(f)),
        Err(FreezeError::Refused(why)) => Ok(Err(why)),
        Err(FreezeError::Store(e)) => Err(e),
    })
    .await?;
    match frozen {
        Ok(f) => Ok(RemedyWish { hard_when: f.hard_when, ..wish }),
        Err(why) => Err(Problem::new(Kind::NotNow, why.to_string())),
    }
}

/// `DELETE /api/v1/remedies/{remedy}`
pub async fn remove(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Number(remedy): Number,
) -> Result<axum::Json<Said>, Problem> {
    let said = act::ask(&app, Command::RemedyRemove { remedy }, &who, Through::Api).await?;
    Ok(axum::Json(Said { said }))
}
