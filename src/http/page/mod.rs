//! The page: a letter about the night, sentence first. Drawn on the server; a small script only keeps it fresh.

pub mod assets;

use super::api::summary::unreadable;
use super::app::App;
use super::words::Show;
use crate::model::{Condition, Live, Span};
use axum::extract::State;
use maud::{DOCTYPE, Markup, html};

/// `GET /`
pub async fn show(State(app): State<App>) -> Markup {
    let live = app.live();
    let show = Show::of(&app.config());
    let age = app.age_ms(&live);
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (live.field) ": " (live.condition.word()) }
                link rel="stylesheet" href="/page.css";
                link rel="icon" href="/favicon.svg";
                noscript { meta http-equiv="refresh" content="20"; }
                script src="/page.js" defer {}
            }
            body {
                main {
                    header {
                        span { (live.field) " · night of " (show.night_of(app.now())) @if live.invented { " · " em { "invented" } } }
                        span id="seen" data-age=(age.map(|a| a.to_string()).unwrap_or_default()) {
                            @match age {
                                Some(a) => { "last seen " (Span(a)) " ago" }
                                None => { "not seen yet" }
                            }
                        }
                    }
                    @for (id, html) in parts(&app, &live) {
                        section id=(id) { (maud::PreEscaped(html)) }
                    }
                }
            }
        }
    }
}

/// The sections that change, by id.
pub fn parts(app: &App, live: &Live) -> Vec<(&'static str, String)> {
    let show = Show::of(&app.config());
    vec![
        ("state", state(live).into_string()),
        ("now", latest(app, live, &show).into_string()),
        ("wakes", wakes(live).into_string()),
        ("unreadable", cannot_read(app, live).into_string()),
    ]
}

fn state(live: &Live) -> Markup {
    let started = live.cycle > 0;
    html! {
        h1 {
            @if started { (live.sentence) } @else { "The agent has started and has not looked yet." }
        }
        @if started && live.condition != Condition::Working {
            p { "State: " strong { (live.condition.word()) } "." }
        }
        @for t in live.things.iter().filter(|t| !t.because.is_empty()) {
            p { (t.title) ": " strong { (t.condition.word()) } ", " (t.because) "." }
        }
        @if !live.try_this.is_empty() {
            h2 { "What to try" }
            @for t in &live.try_this { p { (t) } }
        }
    }
}

fn latest(app: &App, live: &Live, show: &Show) -> Markup {
    html! {
        h2 { "Now" }
        table {
            @for (id, _, value) in &live.latest {
                @if let Some(def) = app.serving.signals.def(*id) {
                    tr { th scope="row" { (def.what) } td { (show.reading(value, &def)) } }
                }
            }
        }
    }
}

fn wakes(live: &Live) -> Markup {
    html! {
        h2 { "Tonight this would wake somebody" }
        @if live.wakes.is_empty() { p { "Nothing." } }
        @for w in &live.wakes { p { (w) } }
    }
}

fn cannot_read(app: &App, live: &Live) -> Markup {
    let all = unreadable(live, &app.serving.signals);
    html! {
        @if !all.is_empty() {
            h2 { "What cannot be read" }
            @for u in &all { p { (u.signal) ": " (u.text) } }
        }
    }
}
