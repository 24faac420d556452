//! `GET /nights`: the nights on record, each with its incidents; `GET /nights/{night}`: the report of one.

use super::{chosen_look, frame, marks, plain};
use crate::http::app::App;
use crate::http::gate::OwnStyle;
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::http::words::{Show, echoed};
use crate::model::rows::IncidentRow;
use crate::model::{Session, Span, UnixMs};
use crate::night::{Night, night_of};
use crate::report::settings::Settings;
use crate::report::{apart, morning, say};
use axum::Extension;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::ffi::OsStr;

/// How far back nights are listed.
const BACK: Span = Span::hours(24 * 400);
/// Nights on the page; older ones are reached by their address.
const SHOWN: usize = 60;
/// Incidents of one night on the page; its report has all.
const INCIDENTS: usize = 12;

/// What the page knows of one night.
struct Line {
    night: Night,
    session: Span,
    under_way: bool,
    incidents: Vec<IncidentRow>,
}

/// `GET /nights`
pub async fn all(State(app): State<App>, headers: HeaderMap) -> Response {
    let (now, show) = (app.now(), Show::of(&app.config()));
    let look = chosen_look(&headers);
    let from = now - BACK;
    let rows =
        readers::read(&app, move |r| Ok((r.sessions(from, now)?, r.incidents(from, now)?, r.is_invented()?))).await;
    let body = match rows {
        Ok((sessions, incidents, invented)) => {
            listed(&lines(sessions, incidents, &show, now), invented, &show, &headers)
        }
        Err(p) => return trouble(&p, look),
    };
    let mut answer = frame("Nights", look, "", false, &body).into_response();
    super::act::forget(&headers, &mut answer);
    answer
}

fn line_of<'a>(nights: &'a mut BTreeMap<i64, Line>, t: UnixMs, show: &Show) -> &'a mut Line {
    let night = night_of(t, &show.zone);
    let empty = |night| Line { night, session: Span::ZERO, under_way: false, incidents: vec![] };
    nights.entry(night.from.0).or_insert_with(|| empty(night))
}

/// Newest first.
fn lines(sessions: Vec<Session>, incidents: Vec<IncidentRow>, show: &Show, now: UnixMs) -> Vec<Line> {
    let mut nights = BTreeMap::new();
    for s in sessions {
        let line = line_of(&mut nights, s.started.wall, show);
        let end = s.ended.map_or(now, |e| e.wall);
        line.session = line.session + (end.min(line.night.to) - s.started.wall);
        line.under_way |= s.ended.is_none() && now < line.night.to;
    }
    for i in incidents {
        line_of(&mut nights, i.incident.opened.wall, show).incidents.push(i);
    }
    nights.into_values().rev().collect()
}

fn listed(lines: &[Line], invented: bool, show: &Show, headers: &HeaderMap) -> Markup {
    html! {
        header { span { "tilldawn" } span { a href="/" { "tonight" } " · " a href="/remedies" { "remedies" } } }
        h1 { "Nights" }
        @if invented { (super::invented()) }
        (super::act::told(headers))
        @if lines.is_empty() { p { "No session and no incident is on record yet." } }
        @for l in lines.iter().take(SHOWN) { (night(l, show)) }
        @if lines.len() > SHOWN { p.soft { "Older nights are on record too: " code { "/nights/" (lines[SHOWN].night) } " is the next." } }
    }
}

fn night(l: &Line, show: &Show) -> Markup {
    let faults = l.incidents.iter().filter(|i| i.incident.is_fault()).count();
    let name = say::zoned(l.night.from, &show.zone).strftime("%-d %B %Y").to_string();
    html! {
        section {
            h2 { a href={ "/nights/" (l.night) } { "Night of " (name) } }
            p {
                @match faults { 0 => "No fault", n => strong { (say::count(n, "fault")) } }
                @match (round(l.session), l.under_way) {
                    (Span::ZERO, true) => ", a session that has just begun",
                    (Span::ZERO, false) => ", no session",
                    (s, going) => { ", a session of " (s) @if going { " so far" } }
                }
                "."
            }
            @if !l.incidents.is_empty() {
                ul.letters {
                    @for i in l.incidents.iter().take(INCIDENTS) {
                        li { (marks::line(&i.incident, "", &say::clock(i.incident.opened.wall, &show.zone), "/nights")) }
                    }
                }
                @if l.incidents.len() > INCIDENTS { p.soft { "and " (l.incidents.len() - INCIDENTS) " more, in the report." } }
            }
        }
    }
}

/// Whole minutes: nobody reads the seconds of a night.
fn round(s: Span) -> Span {
    Span(s.0 / 60_000 * 60_000)
}

/// `GET /nights/{night}`: an evening's date, `last` or `tonight`.
pub async fn one(State(app): State<App>, Path(words): Path<String>, headers: HeaderMap) -> Response {
    let look = chosen_look(&headers);
    if !(matches!(words.as_str(), "last" | "tonight")
        || (words.len() == 10 && words.parse::<jiff::civil::Date>().is_ok()))
    {
        let shown = echoed(&words);
        let body = html! {
            p { code { (shown) } " is no night. A night is named by its evening's date, such as " code { "2026-01-12" } "." }
            p { a href="/nights" { "To the nights on record" } }
        };
        return (StatusCode::NOT_FOUND, plain("No such night", look, &body)).into_response();
    }
    match report(&app, words).await {
        Ok(html) => {
            let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
            (Extension(OwnStyle), kind, in_look(html, look)).into_response()
        }
        Err(p) => trouble(&p, look),
    }
}

/// The report as HTML, made in a process of its own where there can be one.
async fn report(app: &App, words: String) -> Result<Vec<u8>, Problem> {
    if let (Some(program), Some(store)) = (app.serving.program.clone(), app.serving.store.clone()) {
        // One at a time: the small machine has better things to do.
        let Ok(_turn) = app.reports.acquire().await else {
            return Err(Problem::new(Kind::Busy, "the agent is stopping"));
        };
        return apart::made_by(&program, &store, &words, &[OsStr::new("--as"), OsStr::new("html")])
            .await
            .map_err(|why| Problem::new(Kind::NoStore, why));
    }
    let (now, settings) = (app.now(), Settings::here(&app.config()));
    let made = readers::read(app, move |r| {
        let night = match morning::gather::which_night(r, &words, &settings, now) {
            Ok(n) => n,
            Err(morning::gather::GatherError::Store(e)) => return Err(e),
            Err(e @ morning::gather::GatherError::NoDate(_)) => return Ok(Err(e.to_string())),
        };
        Ok(Ok(morning::to_html(&morning::build(r, &night, settings, now)?)))
    });
    made.await?.map(String::into_bytes).map_err(|why| Problem::new(Kind::NotFound, why))
}

/// The report in the look that was chosen for the page.
fn in_look(html: Vec<u8>, look: &str) -> Vec<u8> {
    const ROOT: &[u8] = b"<html lang=\"en\"";
    match html.windows(ROOT.len()).take(200).position(|w| w == ROOT).filter(|_| !look.is_empty()) {
        Some(at) => {
            let (head, tail) = html.split_at(at + ROOT.len());
            [head, format!(" class=\"{look}\"").as_bytes(), tail].concat()
        }
        None => html,
    }
}

/// What cannot be shown, for people.
pub fn trouble(p: &Problem, look: &str) -> Response {
    let (status, _, title) = p.kind().facts();
    let body = html! {
        p { (super::letter::quoted(&say::sentence_start(p.detail()))) "." }
        p { a href="/" { "To the page of tonight" } }
    };
    (status, plain(&say::sentence_start(title), look, &body)).into_response()
}
