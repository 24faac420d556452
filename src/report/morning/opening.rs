//! The opening sentences: dark hours, yield, incidents and what they cost.

use super::model::{Class, IncidentPart, NightState, Totals};
use super::rows::NightRows;
use crate::model::Span;
use crate::report::say;

/// "night of 12 January 2026".
pub fn night_title(rows: &NightRows) -> String {
    format!("night of {}", date_words(&rows.night.date))
}

/// `2026-01-12` as "12 January 2026"; anything else as it is.
pub fn date_words(date: &str) -> String {
    date.parse::<jiff::civil::Date>().map_or_else(|_| date.to_string(), |d| d.strftime("%-d %B %Y").to_string())
}

/// The sentences.
pub fn opening(rows: &NightRows, state: NightState, t: &Totals, incidents: &[IncidentPart]) -> Vec<String> {
    if state == NightState::Nothing {
        return nothing(rows);
    }
    let mut out = vec![];
    if state == NightState::Running {
        let now = say::clock(rows.written, &rows.settings.time_zone());
        out.push(format!("The night goes on; this is how it stands at {now}."));
    }
    out.push(darkness(rows, t));
    out.extend(faults(t, incidents, state));
    out.extend(beside(t, incidents));
    if t.not_watched >= Span::mins(1) {
        out.push(format!(
            "Not watched: {} of the session; what happened then is not known.",
            say::rough(t.not_watched)
        ));
    }
    out
}

fn nothing(rows: &NightRows) -> Vec<String> {
    let mut out = vec![format!("Nothing was recorded in the {}.", night_title(rows))];
    out.push(match rows.runs.iter().max_by_key(|r| r.last_seen) {
        Some(r) if r.last_seen < rows.night.from => format!(
            "The agent was last seen on {}.",
            say::zoned(r.last_seen, &rows.settings.time_zone()).strftime("%-d %B %Y at %H:%M")
        ),
        _ => "The agent did not run, or this store belongs to another time or machine.".into(),
    });
    out
}

fn darkness(rows: &NightRows, t: &Totals) -> String {
    let running = rows.running();
    let t = &Totals {
        dark: t.dark.map(say::rough),
        session: say::rough(t.session),
        dark_in_session: say::rough(t.dark_in_session),
        ..*t
    };
    let session = if t.session == Span::ZERO {
        return match t.dark {
            _ if running => "No session has begun: nothing is meant to work yet.".into(),
            Some(d) if d > Span::ZERO => format!("{d} of darkness, and no session: nothing was meant to work."),
            _ => "No session: nothing was meant to work.".into(),
        };
    } else {
        t.session
    };
    let light = match (t.yield_share, t.light_frames) {
        (Some(y), Some(n)) => {
            Some(format!("{} filled {} % of {{it}}", say::count(n, "light frame"), say::number(y * 100.0, 0)))
        }
        (None, Some(0)) => Some("no light frame arrived".into()),
        (None, Some(n)) => Some(format!("{} arrived", say::count(n, "light frame"))),
        _ => None,
    };
    let (base, it) = match t.dark {
        None => (format!("A session of {session}; dark hours are not known, since no site is set"), "the session"),
        Some(Span::ZERO) => (
            format!(
                "A session of {session}; the Sun never stood {}° below the horizon",
                say::number(rows.settings.dark_below, 0)
            ),
            "the session",
        ),
        Some(d) if t.dark_in_session >= d - Span::mins(1) => (format!("{d} of darkness, all of it in session"), "it"),
        Some(d) => (format!("{d} of darkness, {} of it in session", t.dark_in_session), "that"),
    };
    match light {
        Some(l) => format!("{base}; {}.", l.replace("{it}", it)),
        None => format!("{base}."),
    }
}

/// How many faults and what they cost; then which, or which was the costliest.
fn faults(t: &Totals, incidents: &[IncidentPart], state: NightState) -> Vec<String> {
    let all: Vec<&IncidentPart> = incidents.iter().filter(|i| i.class == Class::Fault).collect();
    let lost = {
        let mut parts = vec![];
        if t.dark_lost > Span::ZERO {
            parts.push(if t.dark.is_some_and(|d| d > Span::ZERO) {
                format!("{} of darkness", say::rough(t.dark_lost))
            } else {
                format!("{} of the session", say::rough(t.dark_lost))
            });
        }
        if let Some(n) = t.frames_missing.filter(|n| *n > 0) {
            parts.push(format!("about {}", say::count(n as usize, "light frame")));
        }
        if parts.is_empty() { None } else { Some(say::list(&parts)) }
    };
    match (all.as_slice(), lost) {
        // Unknown is never shown as good: what was not watched cannot be said to have held.
        ([], _) if state == NightState::Partly => vec!["Nothing failed while it was watched.".into()],
        ([], _) if state == NightState::Running => vec!["Nothing has failed so far.".into()],
        ([], _) => vec!["Nothing failed.".into()],
        ([one], lost) => {
            let cost = lost.map_or_else(|| "One fault, which cost nothing.".into(), |l| format!("One fault cost {l}."));
            vec![cost, format!("{}: {}", one.letter, lower_start(&one.headline))]
        }
        (many, lost) => {
            let n = many.len();
            let cost =
                lost.map_or_else(|| format!("{n} faults, which cost nothing."), |l| format!("{n} faults cost {l}."));
            let worst = many.iter().max_by_key(|i| (i.cost.dark_lost, std::cmp::Reverse(i.opened)));
            let which = match worst {
                Some(w) if w.cost.dark_lost > Span::ZERO => {
                    format!(
                        "The costliest, {} ({}): {}",
                        w.letter,
                        say::rough(w.cost.dark_lost),
                        lower_start(&w.headline)
                    )
                }
                _ => format!("The first, {}: {}", many[0].letter, lower_start(&many[0].headline)),
            };
            vec![cost, which]
        }
    }
}

fn beside(t: &Totals, incidents: &[IncidentPart]) -> Vec<String> {
    let mut out = vec![];
    match t.harmless {
        0 => {}
        1 => out.push("One short break lost nothing.".into()),
        n => out.push(format!("{n} short breaks lost nothing.")),
    }
    let pause = incidents
        .iter()
        .filter(|i| i.class == Class::Pause)
        .map(|i| i.closed.map_or(Span::ZERO, |c| c - i.opened))
        .fold(Span::ZERO, |a, b| a + b);
    let pause = say::rough(pause);
    match t.pauses {
        0 => {}
        1 => out.push(format!("Light frames paused once for {pause} with nothing broken: reason not seen.")),
        n => out.push(format!("Light frames paused {n} times, {pause} in all, with nothing broken: reason not seen.")),
    }
    match t.marked {
        0 => {}
        1 => out.push("One incident is marked by you and not counted as a fault.".into()),
        n => out.push(format!("{n} incidents are marked by you and not counted as faults.")),
    }
    out
}

/// Where the dark session time went: "9 h 30 min of light, 45 min lost to faults, …"; none when frames are not watched.
pub fn where_it_went(t: &Totals) -> Option<String> {
    let between = t.between?;
    let parts: Vec<String> = [
        (t.light.unwrap_or_default(), "of light"),
        (t.dark_lost, "lost to faults"),
        (t.paused, "paused or marked by you"),
        (t.dark_not_watched, "not watched"),
        (between, if t.light_frames == Some(0) { "without a light frame" } else { "between frames" }),
    ]
    .into_iter()
    .filter(|p| p.0 >= Span::secs(30))
    .map(|(s, words)| format!("{} {words}", say::rough(s)))
    .collect();
    let whole = if t.dark.is_some_and(|d| d > Span::ZERO) { "dark in session" } else { "in session" };
    (!parts.is_empty()).then(|| format!("Of {} {whole}: {}.", say::rough(t.dark_in_session), say::list(&parts)))
}

/// "The mount program ended" inside a sentence: "the mount program ended".
pub fn lower_start(text: &str) -> String {
    let mut c = text.chars();
    match c.next() {
        // A word that is all capitals (USB) keeps them.
        Some(first) if !c.as_str().starts_with(char::is_uppercase) => {
            first.to_lowercase().collect::<String>() + c.as_str()
        }
        _ => text.to_string(),
    }
}
