//! `tilldawn status`: the present state of an agent, as a short letter.

use super::present::{Alarm, Summary};
use super::reach::{Reach, ask};
use super::{Done, Failure, WELL, say, wrong};
use crate::config::words::{and, fill, heading};
use crate::model::{Condition, Span, UnixMs};
use crate::report::say::zoned;
use clap::Args;
use jiff::tz::TimeZone;

/// Say how things stand now: 0 all well, 1 something is wrong or unknown, 2 the agent cannot be reached
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn status\n  tilldawn status --at http://field-pc:7417 --token ~/.config/tilldawn/token"
)]
pub struct Arguments {
    #[command(flatten)]
    reach: Reach,
}

/// Knowledge older than this is no knowledge of the present.
const OLD: Span = Span::secs(60);

/// Asks and tells.
pub fn run(a: Arguments) -> Done {
    let client = a.reach.client()?;
    let json = ask(client.get("/api/v1/summary"))?;
    let s: Summary = serde_json::from_value(json).map_err(|e| {
        Failure(format!("what answers at {} is no agent that this program understands: {e}", client.at()))
    })?;
    say::say(&letter(&s, &TimeZone::system()));
    Ok(if is_well(&s) { WELL } else { wrong() })
}

/// Whether there is nothing to look at: known, fresh, and as it should be.
fn is_well(s: &Summary) -> bool {
    let fresh = s.age_ms.is_some_and(|a| a <= OLD.0);
    fresh && matches!(s.condition, Condition::Working | Condition::NotInUse)
}

/// A local clock time; with the date if it is not within a day of `now`.
pub fn clock(at: UnixMs, now: UnixMs, zone: &TimeZone) -> String {
    let near = (at.0 - now.0).abs() < Span::hours(20).0;
    let form = if near { "%H:%M" } else { "%-d %B, %H:%M" };
    zoned(at, zone).strftime(form).to_string()
}

/// The letter.
fn letter(s: &Summary, zone: &TimeZone) -> String {
    let at = |t: UnixMs| clock(t, s.at, zone);
    let mut out = String::new();
    if s.invented {
        out.push_str("Invented: these are no real readings.\n");
    }
    let sentence = if s.sentence.is_empty() { "Nothing is known yet." } else { &s.sentence };
    match s.age_ms {
        Some(age) if age <= OLD.0 => {
            out.push_str(&fill(0, sentence));
            out.push_str(&format!("{}, seen {} ago.\n", s.field, Span(age)));
        }
        Some(age) => {
            out.push_str(&fill(0, &format!(
                "The last that is known is {} old: the agent answers but no longer looks. How it stands now is unknown.",
                Span(age)
            )));
            out.push_str(&fill(0, &format!("{}, then: {sentence}", s.field)));
        }
        None => out.push_str("The agent has only just started: nothing has been looked at yet.\n"),
    }
    let section = |out: &mut String, title: &str, lines: Vec<String>| {
        if !lines.is_empty() {
            out.push_str(&format!("\n{title}\n"));
            lines.iter().for_each(|l| out.push_str(&fill(2, l)));
        }
    };
    section(&mut out, "Alarms", s.alarms.iter().map(|a| alarm(a, s.at, zone)).collect());
    section(&mut out, "What to try", s.try_this.clone());
    section(&mut out, "What is watched", things(s, zone));
    let unreadable = s
        .unreadable
        .iter()
        .map(|u| if u.text.is_empty() { u.signal.clone() } else { format!("{}: {}", u.signal, u.text) });
    section(&mut out, "What cannot be read", unreadable.collect());
    let mut tonight = vec![match &s.session {
        Some(x) => format!("In session since {}.", at(x.started)),
        None => "No session.".into(),
    }];
    tonight.extend(match (&s.dark, s.dark.from, s.dark.to) {
        (d, _, Some(to)) if d.known && d.dark => Some(format!("Dark until {}.", at(to))),
        (d, Some(from), Some(to)) if d.known => Some(format!("Dark from {} to {}.", at(from), at(to))),
        (d, _, _) if d.known => Some("No darkness ahead.".into()),
        _ => None,
    });
    section(&mut out, "Tonight", tonight);
    section(&mut out, "This would wake somebody", s.wakes.clone());
    // Before the first cycle nothing is known of the store either.
    if !s.store.well && s.age_ms.is_some() {
        let why = if s.store.because.is_empty() { "the reason is not known" } else { &s.store.because };
        section(&mut out, "The store", vec![format!("Readings are kept in memory only: {why}.")]);
    }
    out
}

/// One alarm on a line.
pub fn alarm(a: &Alarm, now: UnixMs, zone: &TimeZone) -> String {
    let mut state = vec![if a.standing { "stands" } else { "is over" }.to_owned()];
    state.push(if a.acknowledged { "seen" } else { "not yet seen" }.into());
    if let Some(t) = a.shelved_until {
        state.push(format!("held back until {}", clock(t, now, zone)));
    }
    if a.chattering {
        state.push("comes and goes".into());
    }
    if a.saved == Some(false) {
        state.push("not in the store".into());
    }
    let text = if a.text.is_empty() { "no words came with it" } else { &a.text };
    format!(
        "{}: {}, since {}, {} priority ({}).",
        a.alarm,
        text,
        clock(a.since, now, zone),
        a.priority.word(),
        state.join(", ")
    )
}

/// What is broken in full; what works on one line.
fn things(s: &Summary, zone: &TimeZone) -> Vec<String> {
    let mut lines = vec![];
    for c in [Condition::Failed, Condition::Unknown, Condition::Impaired] {
        for t in s.things.iter().filter(|t| t.condition == c) {
            let title = if t.title.is_empty() { t.thing.to_string() } else { t.title.clone() };
            let since = t.since.map_or(String::new(), |x| format!(" since {}", clock(x, s.at, zone)));
            let because = if t.because.is_empty() { String::new() } else { format!(": {}", t.because) };
            lines.push(format!("{title}: {}{since}{because}.", c.word()));
        }
    }
    for c in [Condition::Working, Condition::NotInUse] {
        let all: Vec<&str> = s.things.iter().filter(|t| t.condition == c).map(|t| t.title.as_str()).collect();
        if !all.is_empty() {
            lines.push(format!("{}: {}.", heading(c.word()), and(&all)));
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn told(change: impl Fn(&mut Value)) -> (String, bool) {
        let mut v = json!({
            "field": "orchard pier", "condition": "failed",
            "sentence": "The mount program ended at 01:13. Guiding and frames stopped with it.",
            "at": 1_768_180_500_000_i64, "age_ms": 1400, "try": ["Start the mount program again."],
            "things": [
                {"thing": "program.mount", "title": "mount program", "condition": "failed", "since": 1_768_176_780_000_i64, "because": "it ended (signal 9)"},
                {"thing": "temperature.box", "title": "box temperature", "condition": "unknown", "since": null, "because": "no sensor"},
                {"thing": "link.house", "title": "link to house", "condition": "working", "since": null, "because": ""},
                {"thing": "link.gateway", "title": "gateway", "condition": "working", "since": null, "because": ""}
            ],
            "alarms": [{"alarm": 12, "rule": "rule.program-ended", "thing": "program.mount", "priority": "high",
                "since": 1_768_176_780_000_i64, "standing": true, "acknowledged": false, "saved": true, "text": "the mount program ended (signal 9)"}],
            "session": {"session": 3, "started": 1_768_158_660_000_i64, "why": "light_frame", "ended": null, "end_why": null},
            "dark": {"known": true, "dark": true, "from": 1_768_153_320_000_i64, "to": 1_768_194_180_000_i64},
            "wakes": ["a program of the chain gone for 5 min"],
            "unreadable": [{"signal": "temperature.box", "text": "28-0316a2795c5d is not there"}],
            "store": {"well": true, "because": ""}
        });
        change(&mut v);
        let s: Summary = serde_json::from_value(v).unwrap();
        (letter(&s, &TimeZone::get("Europe/Berlin").unwrap()), is_well(&s))
    }

    #[test]
    fn a_broken_night_as_a_letter() {
        let (text, well) = told(|_| ());
        assert!(!well);
        insta::assert_snapshot!(text);
    }

    #[test]
    fn only_what_is_known_and_fresh_is_well() {
        let with = |condition: &str, age: Value| {
            told(|v| {
                v["condition"] = condition.into();
                v["age_ms"] = age.clone();
            })
        };
        assert!(with("working", json!(100)).1);
        assert!(with("not_in_use", json!(100)).1);
        for (c, age) in
            [("unknown", json!(100)), ("impaired", json!(1)), ("working", json!(61_000)), ("working", json!(null))]
        {
            assert!(!with(c, age.clone()).1, "{c} {age}");
        }
        let (old, _) = with("working", json!(900_000));
        assert!(old.starts_with("The last that is known is 15 min old") && old.contains("unknown"), "{old}");
        // An answer without a condition is not taken for a good one.
        let s: Summary = serde_json::from_value(json!({"age_ms": 5})).unwrap();
        assert!(!is_well(&s));
    }
}
