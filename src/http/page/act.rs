//! `POST /act`: the buttons of the page. Whatever comes of one is said on the page that follows.

use super::letter::quoted;
use super::{marks, remedies};
use crate::http::act::{self, Through};
use crate::http::api::remedies::with_rule;
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::Fields;
use crate::http::gate::{self, Peer};
use crate::http::problem::Problem;
use crate::http::words::Show;
use crate::model::{AlarmId, Command, Span};
use crate::report::say::sentence_start;
use axum::Extension;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};

/// Carries the words to the next page; taken away once they were shown.
const SAID: &str = "said";
/// Takes the words away.
const FORGET: &str = "said=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict";
/// Pages that have buttons; the answer leads back to the one that was pressed.
const BACK: [&str; 3] = ["/", "/nights", "/remedies"];
/// Most letters that are carried.
const LETTERS: usize = 400;

/// The handler.
pub async fn act(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Extension(peer): Extension<Peer>,
    fields: Fields,
) -> Response {
    let wish = match wish(&app, &fields) {
        // What counts as a hard hour is frozen now, by the nights on record.
        Ok(Command::RemedyAdd(w)) => with_rule(&app, w, false).await.map(Command::RemedyAdd),
        other => other,
    };
    let said = match wish {
        Ok(command) => match act::ask(&app, command, &who, Through::Page).await {
            Ok(said) => said,
            Err(p) => format!("It was not done: {}.", p.detail()),
        },
        Err(p) => format!("It was not done: {}.", p.detail()),
    };
    let secure = if peer.tls { "; Secure" } else { "" };
    let cookie = format!("{SAID}={}; Path=/; Max-Age=60; HttpOnly; SameSite=Strict{secure}", packed(&said));
    let back = way_back(fields.get("back"));
    (StatusCode::SEE_OTHER, [(header::LOCATION, back), (header::SET_COOKIE, cookie)]).into_response()
}

/// The page that the answer leads to; never a place that somebody else wrote into the form.
fn way_back(wanted: &str) -> String {
    let incident = wanted.strip_prefix("/incidents/").and_then(|n| n.parse::<u32>().ok());
    match incident {
        Some(n) => format!("/incidents/{n}"),
        None => BACK.into_iter().find(|b| *b == wanted).unwrap_or("/").to_owned(),
    }
}

/// What came of the last button, said once.
pub fn told(headers: &HeaderMap) -> Markup {
    html! {
        @if let Some(said) = said(headers) {
            p.notice role="status" { (quoted(&sentence_start(&said))) (if said.ends_with(['.', '?']) { "" } else { "." }) }
        }
    }
}

/// Lets the browser forget the words that this answer says.
pub fn forget(headers: &HeaderMap, answer: &mut Response) {
    if said(headers).is_some() {
        answer.headers_mut().append(header::SET_COOKIE, HeaderValue::from_static(FORGET));
    }
}

fn wish(app: &App, f: &Fields) -> Result<Command, Problem> {
    let alarm = || f.number("alarm").map(AlarmId);
    Ok(match f.get("do") {
        "session-start" => Command::SessionStart,
        "session-end" => Command::SessionEnd,
        "acknowledge-all" => Command::Acknowledge { alarm: None },
        "acknowledge" => Command::Acknowledge { alarm: Some(alarm()?) },
        "mark" => {
            let was = f.get("was");
            let Some((_, kind, _)) = marks::CHOICES.into_iter().find(|(w, _, _)| *w == was) else {
                return Err(Problem::parameter("was", "say what it was: choose one of the five"));
            };
            let words = f.get("words").trim();
            if words.chars().count() > marks::WORDS {
                return Err(Problem::parameter("words", format!("your words have more than {} letters", marks::WORDS)));
            }
            Command::Mark { incident: f.number("incident")?, kind, words: words.to_owned() }
        }
        "remedy-add" => remedies::wish(f, &Show::of(&app.config()))?,
        "remedy-remove" => Command::RemedyRemove { remedy: f.number("remedy")? },
        "unshelve" => Command::Unshelve { alarm: alarm()? },
        "shelve" => {
            let lasting = match f.get("lasting") {
                "1h" => Span::hours(1),
                "noon" => Show::of(&app.config()).until_noon(app.now()),
                _ => {
                    return Err(Problem::parameter(
                        "lasting",
                        "how long to hold back is not one of the page's choices",
                    ));
                }
            };
            Command::Shelve { alarm: alarm()?, lasting }
        }
        _ => return Err(Problem::parameter("do", "this page has no such button (any more)")),
    })
}

/// Words as hexadecimal digits, which a cookie can hold.
fn packed(words: &str) -> String {
    let cut: String = words.chars().take(LETTERS).collect();
    cut.bytes().map(|b| format!("{b:02x}")).collect()
}

/// The words that came along, if any.
fn said(headers: &HeaderMap) -> Option<String> {
    let hex = gate::cookie(headers, SAID)?;
    if !hex.is_ascii() || hex.is_empty() || hex.len() > LETTERS * 8 {
        return None;
    }
    let bytes: Option<Vec<u8>> =
        hex.as_bytes().chunks(2).map(|c| u8::from_str_radix(std::str::from_utf8(c).ok()?, 16).ok()).collect();
    String::from_utf8(bytes?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_survive_the_way() {
        let mut h = HeaderMap::new();
        h.insert(header::COOKIE, format!("look=day; said={}", packed("Gesehen: „Ja“ – 14 °C;")).parse().unwrap());
        assert_eq!(said(&h).as_deref(), Some("Gesehen: „Ja“ – 14 °C;"));
        for bad in ["said=", "said=zz", "said=é", "said=ff"] {
            let mut h = HeaderMap::new();
            h.insert(header::COOKIE, axum::http::HeaderValue::from_bytes(bad.as_bytes()).unwrap());
            assert_eq!(said(&h), None);
        }
    }
}
