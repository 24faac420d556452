//! The pairing page: the only one that is open beyond this machine. A code from `tilldawn pair` gives this browser a cookie.

use super::plain;
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::{Fields, Params};
use crate::http::gate::{self, COOKIE, Peer};
use crate::http::problem::{Kind, Problem};
use axum::Extension;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::sync::PoisonError;

/// A paired browser stays so for this long (the longest that browsers allow), unless it is revoked.
const STAYS_S: u32 = 400 * 24 * 3600;

/// `GET /pair?code&trouble`: the form. A code in the address (from the square on the terminal) only fills the field in, so
/// that a preview of the address does not use it up.
pub async fn ask(Extension(who): Extension<Who>, mut p: Params) -> Result<Markup, Problem> {
    let code = p.words("code", |w| Some(w.chars().filter(char::is_ascii_alphanumeric).take(12).collect::<String>()))?;
    let trouble = p.whole("wrong", 0..=1)?.unwrap_or(0) == 1;
    let wait = p.whole("wait", 1..=3600)?;
    p.finish()?;
    let body = match who {
        Who::Nobody => form(code.first().map_or("", String::as_str), trouble, wait),
        Who::Here => html! {
            p { "On this machine no pairing is needed." }
            p { a href="/" { "To the page of tonight" } }
        },
        _ => html! {
            p { "This browser is paired already." }
            p { a href="/" { "To the page of tonight" } }
        },
    };
    Ok(plain("Pair this browser", "", &body))
}

fn form(code: &str, wrong: bool, wait: Option<i64>) -> Markup {
    html! {
        @if wrong {
            p.notice role="alert" { strong { "That code is not good." } " It may be mistyped, used already, or older than five minutes. Make a new one." }
        }
        @if let Some(s) = wait {
            p.notice role="alert" { strong { "Too many tries." } " The next one is looked at in " (s) " s." }
        }
        p { "This page belongs to somebody's telescope. To see it here, run this on the field PC, and type the code that it shows:" }
        p { code { "tilldawn pair" } }
        form.pair method="post" action="/pair" {
            label for="code" { "Code" }
            input #code name="code" required maxlength="12" autocomplete="one-time-code" autocapitalize="characters" spellcheck="false" value=(code);
            label for="name" { "What to call this browser" }
            input #name name="name" maxlength="40" autocomplete="off" value="phone";
            button.wanted { "Pair this browser" }
        }
        p.soft { "Paired before, and came here by a link from elsewhere? " a href="/" { "Open the page" } "." }
    }
}

/// `POST /pair`
pub async fn pair(
    State(app): State<App>,
    Extension(peer): Extension<Peer>,
    fields: Fields,
) -> Result<Response, Problem> {
    let ip = peer.address.ip();
    if let Err(p) = gate::slowed(&app, ip) {
        return if p.kind() == Kind::Slowed {
            Ok(back(&format!("/pair?wait={}", p.seconds().unwrap_or(1))))
        } else {
            Err(p)
        };
    }
    let (keys, now) = (app.keys.clone(), app.now());
    let (code, name) = (fields.get("code").to_owned(), fields.get("name").to_owned());
    let taken = tokio::task::spawn_blocking(move || keys.take_code(&code, &name, now)).await;
    match taken {
        Ok(Ok(Some((name, cookie)))) => {
            app.slow.lock().unwrap_or_else(PoisonError::into_inner).succeeded(ip);
            tracing::info!(%name, %ip, "a browser was paired");
            let secure = if peer.tls { "; Secure" } else { "" };
            let cookie = format!("{COOKIE}={cookie}; Path=/; Max-Age={STAYS_S}; HttpOnly; SameSite=Strict{secure}");
            let mut r = back("/");
            if let Ok(v) = cookie.parse() {
                r.headers_mut().append(header::SET_COOKIE, v);
            }
            Ok(r)
        }
        Ok(Ok(None)) => {
            gate::failed(&app, ip);
            Ok(back("/pair?wrong=1"))
        }
        Ok(Err(e)) => Err(Problem::new(Kind::Failed, e.to_string())),
        Err(_) => Err(Problem::new(Kind::Failed, "pairing failed in an unforeseen way; the log tells more")),
    }
}

fn back(to: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, to.to_owned())]).into_response()
}
