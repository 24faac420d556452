//! `GET /remedies`: what the person changed in the hope of fewer faults, and the form to write down another.

use super::{chosen_look, frame, nights};
use crate::analysis::season::SINCE_START;
use crate::config::words::cautions::{HEATING, MAINS};
use crate::http::app::App;
use crate::http::extract::Fields;
use crate::http::problem::Problem;
use crate::http::readers;
use crate::http::words::{Show, echoed};
use crate::model::command::{HardWhen, RemedyWish};
use crate::model::rows::RemedyRow;
use crate::model::{Command, Name, Unit, UnixMs};
use crate::report::say;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Most letters in a remedy's name.
const NAME: usize = 120;
/// What can say which hours were hard: signals that no remedy touches.
const HARD: [(&str, &str); 2] =
    [("temperature.outside", "the outside temperature"), (SINCE_START, "the hours since the session began")];

/// `GET /remedies`
pub async fn show(State(app): State<App>, headers: HeaderMap) -> Response {
    let look = chosen_look(&headers);
    let rows = match readers::read(&app, |r| r.remedies()).await {
        Ok(rows) => rows,
        Err(p) => return nights::trouble(&p, look),
    };
    let show = Show::of(&app.config());
    let body = html! {
        header { span { "tilldawn" } span { a href="/" { "tonight" } " · " a href="/nights" { "nights" } } }
        h1 { "Remedies" }
        (super::act::told(&headers))
        p { "What you change in the hope of fewer faults, written down on the day. " code { "tilldawn nights" } " then judges each on hours as hard as those that failed before." }
        @if rows.is_empty() { p { "None is written down yet." } }
        @for r in &rows { (row(r, &show)) }
        h2 { "Write one down" }
        (form(&show, app.now()))
        p.caution { (HEATING) " " (MAINS) }
    };
    let mut answer = frame("Remedies", look, "", false, &body).into_response();
    super::act::forget(&headers, &mut answer);
    answer
}

fn day(t: UnixMs, show: &Show) -> String {
    say::zoned(t, &show.zone).strftime("%-d %B %Y, %H:%M").to_string()
}

fn row(r: &RemedyRow, show: &Show) -> Markup {
    html! {
        section {
            h2 { (r.name) }
            p {
                "In use since " (day(r.since, show))
                @if let Some(u) = r.until { " until " (day(u, show)) }
                @if !r.only_nights.is_empty() { ", on " (say::count(r.only_nights.len(), "night")) " only" }
                "; written down " (day(r.added, show)) "."
                @if let Some(h) = &r.hard_when { " " (hard(h, show)) }
                @if r.hindsight { " It is judged with hindsight, since it began before it was written down." }
            }
            details id={ "remove-" (r.id) } {
                summary { "Remove it" }
                form.says method="post" action="/act" {
                    input type="hidden" name="do" value="remedy-remove";
                    input type="hidden" name="remedy" value=(r.id);
                    input type="hidden" name="back" value="/remedies";
                    button aria-label={ "Remove from the record: " (r.name) } { "Remove it from the record" }
                }
            }
        }
    }
}

fn hard(h: &HardWhen, show: &Show) -> String {
    let (what, limit) = match HARD.iter().find(|(n, _)| *n == h.signal.as_str()) {
        Some((n, words)) if *n == SINCE_START => ((*words).to_owned(), format!("{} h", say::number(h.limit, 1))),
        Some((_, words)) => ((*words).to_owned(), say::value(h.limit, Unit::Celsius, 0.1, show.scale)),
        None => (h.signal.to_string(), say::number(h.limit, 2)),
    };
    format!("Hard hours are those with {what} {} {limit}.", if h.below { "below" } else { "above" })
}

fn form(show: &Show, now: UnixMs) -> Markup {
    let today = say::zoned(now, &show.zone).strftime("%Y-%m-%dT%H:%M").to_string();
    html! {
        form.says method="post" action="/act" {
            input type="hidden" name="do" value="remedy-add";
            input type="hidden" name="back" value="/remedies";
            label for="name" { "What was changed" }
            input #name name="name" required maxlength=(NAME) autocomplete="off" placeholder="heating pad, low";
            label for="since" { "In use since (local time)" }
            input #since name="since" type="datetime-local" required value=(today);
            label for="until" { "Until, if it was taken away" }
            input #until name="until" type="datetime-local";
            fieldset {
                legend { "Hard hours, if you know them: the analysis finds them by itself otherwise" }
                label for="signal" { "Hours count as hard by" }
                select #signal name="signal" {
                    option value="" { "what the analysis finds" }
                    @for (name, words) in HARD { option value=(name) { (words) } }
                }
                label for="side" { "when it is" }
                select #side name="side" { option value="below" { "below" } option value="above" { "above" } }
                label for="limit" { "this level (" (say::symbol(Unit::Celsius, show.scale)) ", or hours)" }
                input #limit name="limit" inputmode="decimal" maxlength="12" autocomplete="off";
            }
            button.wanted { "Write it down" }
        }
    }
}

/// The wish in the form's fields.
///
/// # Errors
/// What is missing or not understood.
pub fn wish(f: &Fields, show: &Show) -> Result<Command, Problem> {
    let name = f.get("name").trim().to_owned();
    if name.is_empty() || name.chars().count() > NAME {
        return Err(Problem::parameter("name", format!("say in 1 to {NAME} letters what was changed")));
    }
    let time = |field: &str| -> Result<Option<UnixMs>, Problem> {
        let text = f.get(field);
        if text.is_empty() {
            return Ok(None);
        }
        let civil: Option<jiff::civil::DateTime> = text.parse().ok();
        let at = civil
            .map(|c| c.to_zoned_datetime(show.zone.clone()))
            .and_then(Result::ok)
            .map(|z| UnixMs(z.timestamp().as_millisecond()));
        at.map(Some).ok_or_else(|| {
            let shown = echoed(text);
            Problem::parameter(field, format!("`{shown}` is no local time: expected such as `2026-01-12T18:00`"))
        })
    };
    let since = time("since")?.ok_or_else(|| Problem::parameter("since", "say since when it is in use"))?;
    let until = time("until")?;
    if until.is_some_and(|u| u <= since) {
        return Err(Problem::parameter("until", "the end must lie after the beginning"));
    }
    let hard_when = match f.get("signal") {
        "" => None,
        n if HARD.iter().any(|(k, _)| *k == n) => {
            let text = f.get("limit").trim().replace(',', ".");
            let limit: f64 = text.parse().ok().filter(|x: &f64| x.is_finite()).ok_or_else(|| {
                Problem::parameter("limit", "the level of hard hours is no number: expected such as `1` or `-2.5`")
            })?;
            let limit = if n == SINCE_START { limit } else { say::to_celsius(limit, show.scale) };
            let signal = Name::new(n).map_err(|_| Problem::parameter("signal", "no such signal"))?;
            Some(HardWhen { signal, below: f.get("side") != "above", limit })
        }
        _ => return Err(Problem::parameter("signal", "this page has no such choice (any more)")),
    };
    Ok(Command::RemedyAdd(RemedyWish { name, since, until, only_nights: vec![], hard_when }))
}
