//! `tilldawn alarms`: the standing alarms, and what a person does about them.

use super::present::Summary;
use super::reach::{Reach, ask};
use super::session::said;
use super::{Done, Failure, WELL, say, status, wrong};
use crate::config::human;
use crate::config::words::fill;
use crate::model::Span;
use clap::{Args, Subcommand};
use jiff::tz::TimeZone;
use serde_json::json;

/// List the standing alarms, say that you have seen them, or hold one back for a while
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn alarms list\n  tilldawn alarms acknowledge 12\n  tilldawn alarms acknowledge --all\n  tilldawn alarms shelve 12 --for 2h\n  tilldawn alarms unshelve 12"
)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List what stands, with the number of each; exit code 1 if any does
    List {
        #[command(flatten)]
        reach: Reach,
    },
    /// Say that you have seen an alarm, or all of them
    Acknowledge {
        /// Number of the alarm, as `alarms list` shows it
        #[arg(required_unless_present = "all", conflicts_with = "all")]
        alarm: Option<i64>,
        /// All that stand
        #[arg(long)]
        all: bool,
        #[command(flatten)]
        reach: Reach,
    },
    /// Hold an alarm back for a while: it neither shows nor wakes
    Shelve {
        /// Number of the alarm
        alarm: i64,
        /// For how long, at most a day, such as `2 h`
        #[arg(long = "for", value_name = "TIME", value_parser = human::span)]
        lasting: Span,
        #[command(flatten)]
        reach: Reach,
    },
    /// Hold an alarm back no longer
    Unshelve {
        /// Number of the alarm
        alarm: i64,
        #[command(flatten)]
        reach: Reach,
    },
}

/// Lists or acts.
pub fn run(a: Arguments) -> Done {
    let (reach, path, body) = match a.what {
        What::List { reach } => return list(&reach),
        What::Acknowledge { alarm, reach, .. } => {
            let which = alarm.map_or_else(String::new, |n| format!("/{n}"));
            (reach, format!("/api/v1/alarms{which}/acknowledge"), None)
        }
        What::Shelve { alarm, lasting, reach } => {
            let seconds = (lasting.0 + 999) / 1000;
            (reach, format!("/api/v1/alarms/{alarm}/shelve"), Some(json!({ "lasting_s": seconds })))
        }
        What::Unshelve { alarm, reach } => (reach, format!("/api/v1/alarms/{alarm}/unshelve"), None),
    };
    let client = reach.client()?;
    let answer = ask(client.post(&path, body.as_ref()))?;
    say::say(said(&answer));
    Ok(WELL)
}

fn list(reach: &Reach) -> Done {
    let client = reach.client()?;
    let json = ask(client.get("/api/v1/summary"))?;
    let s: Summary =
        serde_json::from_value(json).map_err(|e| Failure(format!("the agent's answer is not understood: {e}")))?;
    if s.alarms.is_empty() {
        say::say("No alarm stands.");
        return Ok(WELL);
    }
    let zone = TimeZone::system();
    let lines: String = s.alarms.iter().map(|a| fill(0, &status::alarm(a, s.at, &zone))).collect();
    say::say(&lines);
    let wanting = s.alarms.iter().any(|a| a.standing && a.shelved_until.is_none());
    Ok(if wanting { wrong() } else { WELL })
}
