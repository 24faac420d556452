//! `GET /incidents/{incident}`: one incident and the minutes around it, for people.

use super::nights::trouble;
use super::{chosen_look, frame, marks, plain};
use crate::http::app::App;
use crate::http::readers;
use crate::http::words::{Show, echoed};
use crate::model::rows::IncidentRow;
use crate::report::leadup::{self, Around, Table};
use crate::report::say;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// `GET /incidents/{incident}`
pub async fn show(State(app): State<App>, Path(words): Path<String>, headers: HeaderMap) -> Response {
    let (show, look) = (Show::of(&app.config()), chosen_look(&headers));
    let Ok(number) = words.parse::<i64>() else { return unknown(&words, look) };
    let found = readers::read(&app, move |r| match r.incident(number)? {
        Some(row) => Ok(Some((row, leadup::read(r, number)?, r.is_invented()?))),
        None => Ok(None),
    });
    match found.await {
        Ok(Some((row, around, invented))) => {
            let mut answer =
                frame(&format!("Incident {number}"), look, "", false, &told(&row, &around, invented, &show, &headers))
                    .into_response();
            super::act::forget(&headers, &mut answer);
            answer
        }
        Ok(None) => unknown(&words, look),
        Err(p) => trouble(&p, look),
    }
}

fn unknown(words: &str, look: &str) -> Response {
    let shown = echoed(words);
    let body = html! {
        p { "There is no incident " code { (shown) } " on record." }
        p { a href="/nights" { "To the nights on record" } }
    };
    (StatusCode::NOT_FOUND, plain("No such incident", look, &body)).into_response()
}

fn told(row: &IncidentRow, around: &Around, invented: bool, show: &Show, headers: &HeaderMap) -> Markup {
    let i = &row.incident;
    let zone = &show.zone;
    let begun = say::zoned(i.opened.wall, zone).strftime("%-d %B %Y, %H:%M:%S").to_string();
    html! {
        header { span { "tilldawn" } span { a href="/" { "tonight" } " · " a href="/nights" { "nights" } } }
        h1 { "Incident " (i.id) }
        @if invented { (super::invented()) }
        (super::act::told(headers))
        p { (begun) }
        (marks::told(i, &say::clock(i.opened.wall, zone), &format!("/incidents/{}", i.id)))
        @if i.members.len() > 1 {
            h2 { "What followed" }
            ul.letters {
                @for m in i.members.iter().skip(1) { li { "+ " (m.at.boot - i.opened.boot) " " (super::letter::quoted(&m.text)) } }
            }
        }
        h2 { "The minutes around it" }
        @if around.is_empty() { p { (leadup::NOTHING) } }
        @for w in leadup::words(around, zone) { p { (w) } }
        @let (tables, more) = leadup::tables(around, show.scale, false);
        @for t in &tables { (table(t)) }
        @if more > 0 { p.soft { "And " (say::count(more, "signal")) " more; " code { "tilldawn incident " (i.id) " --all" } " shows every one." } }
        p.soft { "For programs: " a href={ "/api/v1/incidents/" (i.id) "/leadup" } { "all of it as JSON" } "." }
    }
}

/// A wide table rolls sideways within its own frame, so that the page does not.
fn table(rows: &Table) -> Markup {
    let Some((head, rows)) = rows.split_first().filter(|(_, r)| !r.is_empty()) else { return html! {} };
    // Instants for which nothing is kept would only push the rest off a phone.
    let kept = |n: usize| n == 0 || rows.iter().any(|r| r.get(n).is_some_and(|c| c != "-"));
    if !(1..head.len()).any(kept) {
        return html! { p.soft { (head.first().map_or("", String::as_str)) ": nothing is kept of it." } };
    }
    html! {
        div.rolls tabindex="0" role="region" aria-label=(head.first().map_or("", String::as_str)) {
            table {
                thead { tr { @for (n, h) in head.iter().enumerate() { @if kept(n) { th scope="col" { (h) } } } } }
                tbody { @for r in rows { tr { @for (n, c) in r.iter().enumerate() { @if n == 0 { th scope="row" { (c) } } @else if kept(n) { td { (c) } } } } } }
            }
        }
    }
}
