//! The page: a letter about the night, sentence first. Drawn on the server; a small script only keeps it fresh, and without
//! it the page reloads itself and its buttons are plain forms.

pub mod act;
pub mod assets;
pub mod incident;
mod letter;
mod marks;
pub mod nights;
mod now;
pub mod pair;
mod pictures;
pub mod remedies;

pub use pictures::Pictures;

use super::app::App;
use super::gate::{self, Peer};
use super::problem::Problem;
use super::words::Show;
use crate::model::{Condition, Live, Span, UnixMs};
use crate::night::night_of;
use axum::Extension;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Knowledge older than this is shown as ageing.
const AGEING_MS: i64 = 15_000;
/// Knowledge older than this is no longer shown as the present.
const OLD_MS: i64 = 60_000;

/// Everything that a section is drawn from.
pub struct Scene<'a> {
    app: &'a App,
    live: &'a Live,
    show: Show,
    now: UnixMs,
    age_ms: Option<i64>,
}

impl<'a> Scene<'a> {
    fn new(app: &'a App, live: &'a Live) -> Scene<'a> {
        Scene { app, live, show: Show::of(&app.config()), now: app.now(), age_ms: app.age_ms(live) }
    }
    /// Whether what is known is still the present.
    fn fresh(&self) -> bool {
        self.age_ms.is_some_and(|a| a < OLD_MS)
    }
    /// The condition, as far as it can be told now.
    fn condition(&self) -> Condition {
        if self.fresh() { self.live.condition } else { Condition::Unknown }
    }
}

/// The looks that a person can choose; none follows the device.
fn chosen_look(headers: &HeaderMap) -> &'static str {
    match gate::cookie(headers, "look").as_deref() {
        Some("day") => "day",
        Some("night") => "night",
        _ => "",
    }
}

/// `GET /`
pub async fn show(State(app): State<App>, headers: HeaderMap) -> Response {
    let live = app.live();
    let pictures = app.pictures.fresh(&app, &live).await;
    let scene = Scene::new(&app, &live);
    let look = chosen_look(&headers);
    let body = html! {
        (head(&scene))
        @if live.invented {
            p.notice { strong { "Invented data." } " This is a rehearsal, not a night that was." }
        }
        (act::told(&headers))
        @for (id, part) in sections(&scene, &pictures) {
            section id=(id) { (PreEscaped(part)) }
        }
        (foot(look))
    };
    let title = format!("{}: {}", live.field, scene.condition().word());
    let ageing = match scene.age_ms {
        Some(a) if a < AGEING_MS => "",
        Some(a) if a < OLD_MS => "ageing",
        _ => "old",
    };
    let mut answer = frame(&title, look, ageing, true, &body).into_response();
    act::forget(&headers, &mut answer);
    answer
}

/// Said on the pages of the past of a rehearsal.
fn invented() -> Markup {
    html! { p.notice { strong { "Invented data." } " This is a rehearsal; no such night was." } }
}

fn head(s: &Scene<'_>) -> Markup {
    let night = night_of(s.now, &s.show.zone);
    let age = s.age_ms.map(|a| a.to_string()).unwrap_or_default();
    html! {
        header {
            span { (s.live.field) " · night of " (s.show.evening(night.from)) }
            span #seen data-age=(age) {
                @match s.age_ms {
                    Some(a) if a < 1000 => "last seen just now",
                    Some(a) => { "last seen " (Span(a)) " ago" }
                    None => "not seen yet",
                }
            }
        }
    }
}

fn foot(look: &str) -> Markup {
    let choice = |word: &str, to: &str| {
        html! { @if look == to { strong aria-current="true" { (word) } } @else { a href={ "/look?as=" (if to.is_empty() { "auto" } else { to }) } { (word) } } }
    };
    html! {
        footer {
            p { a href="/nights/last" { "The latest report" } " · " a href="/nights" { "all nights" } " · " a href="/remedies" { "remedies" } }
            p { "Look: " (choice("day", "day")) " · " (choice("night, red on black", "night")) " · " (choice("as this device", "")) }
            p { "For programs: " a href="/api/v1/summary" { "summary" } ", " a href="/api/v1/openapi.json" { "description" } ", " a href="/metrics" { "metrics" } ". tilldawn " (env!("CARGO_PKG_VERSION")) }
        }
    }
}

/// The sections that change, by id.
fn sections(s: &Scene<'_>, pictures: &str) -> Vec<(&'static str, String)> {
    vec![
        ("state", letter::state(s).into_string()),
        ("try", letter::try_this(s).into_string()),
        ("night", pictures.to_owned()),
        ("now", now::now(s).into_string()),
        ("wakes", letter::wakes(s).into_string()),
        ("unreadable", now::unreadable(s).into_string()),
        ("session", letter::session(s).into_string()),
    ]
}

/// The same for an open page.
pub async fn parts(app: &App, live: &Live) -> Vec<(&'static str, String)> {
    let pictures = app.pictures.fresh(app, live).await;
    sections(&Scene::new(app, live), &pictures)
}

/// The document around a body. `kept_fresh`: with the script, and reloading by itself without it.
fn frame(title: &str, look: &str, ageing: &str, kept_fresh: bool, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" class={ (look) (if look.is_empty() || ageing.is_empty() { "" } else { " " }) (ageing) } {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                link rel="stylesheet" href="/look.css";
                link rel="stylesheet" href="/page.css";
                link rel="icon" type="image/svg+xml" href="/favicon.svg";
                @if kept_fresh {
                    noscript { meta http-equiv="refresh" content="20"; }
                    script src="/page.js" defer {}
                }
            }
            body.report { main { (body) } }
        }
    }
}

/// A page with a few words, such as an error.
fn plain(title: &str, look: &str, body: &Markup) -> Markup {
    frame(title, look, "", false, &html! { header { span { "tilldawn" } } h1 { (title) } (body) })
}

/// Whether a browser asks for a page (and not a program for data).
pub fn is_wanted(request: &Request) -> bool {
    matches!(*request.method(), Method::GET | Method::HEAD)
        && !request.uri().path().starts_with("/api")
        && request.headers().get(header::ACCEPT).and_then(|a| a.to_str().ok()).is_some_and(|a| a.contains("text/html"))
}

/// An address that leads nowhere.
pub fn nothing_here(path: &str) -> (StatusCode, Markup) {
    let body = html! { p { "There is nothing at " code { (path) } "." } p { a href="/" { "To the page of tonight" } } };
    (StatusCode::NOT_FOUND, plain("Nothing here", "", &body))
}

/// `GET /look?as=day|night|auto`: keeps the chosen look and goes back to the page.
pub async fn look(Extension(peer): Extension<Peer>, mut p: super::extract::Params) -> Result<Response, Problem> {
    let chosen = p.words("as", |w| ["day", "night", "auto"].into_iter().find(|k| *k == w))?;
    p.finish()?;
    let secure = if peer.tls { "; Secure" } else { "" };
    let cookie = match chosen.first() {
        Some(&"auto") | None => format!("look=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict{secure}"),
        Some(look) => format!("look={look}; Path=/; Max-Age=34560000; HttpOnly; SameSite=Strict{secure}"),
    };
    Ok((StatusCode::SEE_OTHER, [(header::LOCATION, "/".to_owned()), (header::SET_COOKIE, cookie)]).into_response())
}
