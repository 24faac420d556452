//! `tilldawn session`: begins, ends or shows the session.

use super::present::{SessionRow, Summary};
use super::reach::{Reach, ask};
use super::status::clock;
use super::{Done, Failure, WELL, say};
use crate::model::{SessionEnd, SessionStart, Span, UnixMs};
use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

/// Begin, end or show the session: the time in which the chain of programs is meant to work
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn session start\n  tilldawn session end\n  tilldawn session show --at http://field-pc:7417"
)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Begin a session now
    Start {
        #[command(flatten)]
        reach: Reach,
    },
    /// End the session now: closing programs afterwards is no fault
    End {
        #[command(flatten)]
        reach: Reach,
    },
    /// Show the session that goes on, and those of the last day
    Show {
        #[command(flatten)]
        reach: Reach,
    },
}

/// Begins, ends or shows.
pub fn run(a: Arguments) -> Done {
    match a.what {
        What::Start { reach } => act(&reach, "start"),
        What::End { reach } => act(&reach, "end"),
        What::Show { reach } => show(&reach),
    }
}

fn act(reach: &Reach, what: &str) -> Done {
    let client = reach.client()?;
    let answer = ask(client.post("/api/v1/session", Some(&json!({ "do": what }))))?;
    say::say(said(&answer));
    Ok(WELL)
}

/// The agent's own words about what it did.
pub fn said(answer: &Value) -> &str {
    answer.get("said").and_then(Value::as_str).unwrap_or("Done.")
}

fn show(reach: &Reach) -> Done {
    let client = reach.client()?;
    let strange = |e: serde_json::Error| Failure(format!("the agent's answer is not understood: {e}"));
    let (summary, sessions) = ask(async {
        let summary = client.get("/api/v1/summary").await?;
        let now = summary.get("at").and_then(Value::as_i64).unwrap_or_default();
        let from = now - Span::hours(24).0;
        Ok((summary, client.get(&format!("/api/v1/sessions?from={from}&to={}", now + 1)).await?))
    })?;
    let s: Summary = serde_json::from_value(summary).map_err(strange)?;
    let list = sessions.get("sessions").cloned().unwrap_or_else(|| json!([]));
    let past: Vec<SessionRow> = serde_json::from_value(list).map_err(strange)?;
    say::say(&told(&s, &past, &TimeZone::system()));
    Ok(WELL)
}

fn told(s: &Summary, past: &[SessionRow], zone: &TimeZone) -> String {
    let at = |t: UnixMs| clock(t, s.at, zone);
    let mut out = match &s.session {
        Some(x) => format!("In session since {} ({}), {} so far.\n", at(x.started), why(x), s.at - x.started),
        None => "No session goes on.\n".into(),
    };
    let ended: Vec<&SessionRow> = past.iter().filter(|x| x.ended.is_some()).collect();
    if !ended.is_empty() {
        out.push_str("\nThe last day\n");
    }
    for x in ended {
        let end = x.ended.unwrap_or(x.started);
        let end_why = match x.end_why {
            Some(SessionEnd::Person) => "somebody ended it",
            Some(SessionEnd::OrderlyClose) => "the programs were closed in an orderly way",
            Some(SessionEnd::Dawn) => "dawn",
            Some(SessionEnd::MachineStopped) => "the machine stopped",
            Some(SessionEnd::Reconfigured) => "the configuration changed",
            None => "reason not known",
        };
        out.push_str(&format!("  {} to {}, {} ({}; {end_why})\n", at(x.started), at(end), end - x.started, why(x)));
    }
    out
}

fn why(x: &SessionRow) -> &'static str {
    match x.why {
        Some(SessionStart::LightFrame) => "the chain was up and a light frame arrived",
        Some(SessionStart::ChainUp) => "the chain was up",
        Some(SessionStart::Person) => "somebody began it",
        Some(SessionStart::Dusk) => "it got dark",
        Some(SessionStart::Always) => "no chain and no site are configured",
        None => "reason not known",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sessions_are_told_with_their_reasons() {
        let s: Summary =
            serde_json::from_value(json!({"at": 36_000_000, "session": {"started": 28_800_000, "why": "person"}}))
                .unwrap();
        let past = serde_json::from_value::<Vec<SessionRow>>(json!([
            {"started": 3_600_000, "why": "chain_up", "ended": 10_800_000, "end_why": "orderly_close"},
            {"started": 28_800_000, "why": "person", "ended": null, "end_why": null}
        ]))
        .unwrap();
        assert_eq!(
            told(&s, &past, &TimeZone::UTC),
            "In session since 08:00 (somebody began it), 2 h so far.\n\nThe last day\n  01:00 to 03:00, 2 h (the chain was up; the \
             programs were closed in an orderly way)\n"
        );
        assert_eq!(told(&Summary::default(), &[], &TimeZone::UTC), "No session goes on.\n");
    }
}
