//! `POST /act`: the buttons of the page. Whatever comes of one is said on the page that follows.

use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::Fields;
use crate::http::gate::{self, Peer};
use crate::http::problem::Problem;
use crate::http::words::Show;
use crate::model::{AlarmId, Command, Span};
use axum::Extension;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};

/// Carries the words to the next page; taken away once they were shown.
const SAID: &str = "said";
/// Takes the words away.
pub const FORGET: &str = "said=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict";
/// Most letters that are carried.
const LETTERS: usize = 400;

/// The handler.
pub async fn act(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Extension(peer): Extension<Peer>,
    fields: Fields,
) -> Response {
    let said = match wish(&app, &fields) {
        Ok(command) => match act::ask(&app, command, &who, Through::Page).await {
            Ok(said) => said,
            Err(p) => format!("It was not done: {}.", p.detail()),
        },
        Err(p) => format!("It was not done: {}.", p.detail()),
    };
    let secure = if peer.tls { "; Secure" } else { "" };
    let cookie = format!("{SAID}={}; Path=/; Max-Age=60; HttpOnly; SameSite=Strict{secure}", packed(&said));
    (StatusCode::SEE_OTHER, [(header::LOCATION, "/".to_owned()), (header::SET_COOKIE, cookie)]).into_response()
}

fn wish(app: &App, f: &Fields) -> Result<Command, Problem> {
    let alarm = || f.number("alarm").map(AlarmId);
    Ok(match f.get("do") {
        "session-start" => Command::SessionStart,
        "session-end" => Command::SessionEnd,
        "acknowledge-all" => Command::Acknowledge { alarm: None },
        "acknowledge" => Command::Acknowledge { alarm: Some(alarm()?) },
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
pub fn said(headers: &HeaderMap) -> Option<String> {
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
