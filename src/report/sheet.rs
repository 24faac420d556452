//! The HTML file around a report: its head, the choice of looks, and numbers that stay beside their units.

use super::look::STYLE;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use regex::Regex;
use std::sync::LazyLock;

/// The whole file. `head`: what stands on either side of the running head; `body`: what follows below it.
pub(super) fn to_file(title: &str, head: [&str; 2], body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                // The file says itself that it needs nothing from outside; only its own stylesheet is let in.
                meta http-equiv="content-security-policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                // Without this a browser asks the server beside the file for a picture of its own.
                link rel="icon" href="data:,";
                meta name="generator" content=(concat!("tilldawn ", env!("CARGO_PKG_VERSION")));
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body.report {
                (looks())
                main {
                    header { @for side in head { span { (side) } } }
                    (body)
                }
            }
        }
    }
    .into_string();
    let body = page.find("<body").unwrap_or(0);
    format!("{}{}", &page[..body], tie_units(&page[body..]))
}

/// What a report is about, with the word that nothing of it was lived through.
pub(super) fn marked_invented(about: String, invented: bool) -> String {
    if invented { about + " · invented data" } else { about }
}

/// A number and the short unit behind it stay on one line.
fn tie_units(body: &str) -> String {
    static UNIT: LazyLock<Regex> = LazyLock::new(|| {
        Regex::new(r"(\d) (ms|s|min|h|d|%|°C|°F|K|dBm|kB|MB|GB|TB|B|V|W)([^\p{L}\d]|$)")
            .expect("a literal expression that compiles")
    });
    // Twice, since neighbours such as `46 min 18 s` share the character between them.
    let once = UNIT.replace_all(body, "$1\u{a0}$2$3");
    UNIT.replace_all(&once, "$1\u{a0}$2$3").into_owned()
}

/// The choice of looks: works without script, by the state of the fields alone. Not printed.
fn looks() -> Markup {
    html! {
        form.looks aria-label="Look" {
            fieldset {
                legend { "Look" }
                label { input type="radio" name="look" id="look-own" checked; " as this device" }
                label { input type="radio" name="look" id="look-day"; " day" }
                label { input type="radio" name="look" id="look-night"; " dim red" }
            }
        }
    }
}
