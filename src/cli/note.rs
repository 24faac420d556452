//! `tilldawn note`: what a person knows about an incident and the record cannot.

use super::reach::{Reach, ask};
use super::session::said;
use super::{Done, Failure, WELL, configured, say};
use crate::clock::{Clock, SystemClock};
use crate::config::paths;
use crate::house::{Client, ClientError};
use crate::model::{Mark, MarkKind, Span, UnixMs};
use crate::store::{self, Reader};
use clap::{Args, ValueEnum};
use hyper::Method;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// Say what an incident was, if you know it: your own doing, cloud, a test, or not a fault
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn note last cloud\n  tilldawn note 17 my-doing tried the new profile\n  tilldawn note 17 --take-back\n\nA marked incident stays in the record and is shown, but is not counted as a fault."
)]
pub struct Arguments {
    /// Number of the incident, as the report and the page show it, or `last`
    #[arg(value_name = "INCIDENT")]
    which: String,
    /// What it was
    #[arg(value_enum, required_unless_present = "take_back")]
    mark: Option<Was>,
    /// Your own words
    #[arg(value_name = "WORDS")]
    words: Vec<String>,
    /// Take the mark back: it counts again
    #[arg(long, conflicts_with_all = ["mark", "words"])]
    take_back: bool,
    /// Write into this store, which no agent holds, instead of asking the running agent
    #[arg(long, value_name = "FILE", conflicts_with_all = ["at", "token", "fingerprint"])]
    store: Option<PathBuf>,
    #[command(flatten)]
    reach: Reach,
}

/// What an incident was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Was {
    /// I did that
    MyDoing,
    /// Cloud stopped the frames
    Cloud,
    /// A test
    Test,
    /// Not a fault
    NotAFault,
}

impl From<Was> for MarkKind {
    fn from(w: Was) -> MarkKind {
        match w {
            Was::MyDoing => MarkKind::MyDoing,
            Was::Cloud => MarkKind::Cloud,
            Was::Test => MarkKind::Test,
            Was::NotAFault => MarkKind::NotAFault,
        }
    }
}

/// Notes it.
pub fn run(a: Arguments) -> Done {
    let kind = a.mark.map(MarkKind::from);
    let words = a.words.join(" ");
    if let Some(path) = &a.store {
        return into_store(path, &a.which, kind, words);
    }
    let client = a.reach.client()?;
    match ask_agent(&client, &a.which, kind, &words) {
        Ok(answer) => {
            say::say(said(&answer));
            Ok(WELL)
        }
        Err(Problem::Agent(e)) => Err(e),
        // The agent of this machine does not run: then its store is free to be written to.
        Err(Problem::Unreachable(e)) if a.reach.is_own() => {
            let path = configured(a.reach.config())?.agent.store.unwrap_or_else(paths::default_store);
            if !path.exists() || store::held_by(&path).is_some() {
                return Err(e);
            }
            into_store(&path, &a.which, kind, words)
        }
        Err(Problem::Unreachable(e)) => Err(e),
    }
}

enum Problem {
    Unreachable(Failure),
    Agent(Failure),
}

fn ask_agent(client: &Client, which: &str, kind: Option<MarkKind>, words: &str) -> Result<Value, Problem> {
    let mut unreachable = false;
    let answer = ask(async {
        let exchange = async {
            let id = match which {
                "last" => {
                    let list = client.get("/api/v1/incidents").await?;
                    let last = list.get("incidents").and_then(Value::as_array).and_then(|l| l.last());
                    last.and_then(|i| i.get("id")).map_or_else(|| "last".into(), ToString::to_string)
                }
                n => n.to_string(),
            };
            let body = json!({"mark": kind, "words": words});
            client.ask(Method::PUT, &format!("/api/v1/incidents/{id}/mark"), Some(&body)).await
        };
        exchange.await.inspect_err(|e| unreachable = matches!(e, ClientError::Unreachable { .. }))
    });
    answer.map_err(|e| if unreachable { Problem::Unreachable(e) } else { Problem::Agent(e) })
}

fn into_store(path: &Path, which: &str, kind: Option<MarkKind>, words: String) -> Done {
    let fail = |e: store::StoreError| Failure::new(e.to_string());
    let now = SystemClock.now();
    let id = match which {
        "last" => {
            let all =
                Reader::open(path).and_then(|r| r.incidents(UnixMs(0), now.wall + Span::hours(1))).map_err(fail)?;
            all.last().map(|r| r.incident.id).ok_or_else(|| Failure::new("no incident is on record yet"))?
        }
        n => number(n)?,
    };
    if !store::mark(path, id, &Mark { at: now, kind, words }).map_err(fail)? {
        return Err(Failure::new(format!("there is no incident `{id}` in `{}`", path.display())));
    }
    say::say(&match kind {
        Some(k) => format!("incident {id} marked: {}", k.word()),
        None => format!("mark of incident {id} taken back"),
    });
    Ok(WELL)
}

/// The number of an incident.
///
/// # Errors
/// When it is none.
pub fn number(text: &str) -> Result<i64, Failure> {
    text.parse()
        .map_err(|_| Failure::new(format!("`{text}` is no incident: expected its number, such as `17`, or `last`")))
}
