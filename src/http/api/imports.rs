//! What was recorded elsewhere, brought in through the running agent, or taken back, a part at a time.

use crate::analysis::recorded::signals::definition;
use crate::http::act::{self, Through};
use crate::http::app::App;
use crate::http::auth::Who;
use crate::http::extract::{Json, LATEST_MS, Params};
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::model::command::{ImportPart, TakenIn};
use crate::model::rows::{ImportRow, ImportedFault};
use crate::model::{Command, FaultKind, Name, Unit, UnixMs};
use axum::Extension;
use axum::extract::State;
use serde::{Deserialize, Serialize};

/// Most readings in one part.
pub const MOST: usize = 2500;
/// Most faults in one part: with long names they fit into a body.
pub const FAULTS: usize = 200;
/// Most letters in the name of a file or of a fault.
pub const LETTERS: usize = 200;

/// One part: readings of a signal, or faults, or the note of a file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Part {
    #[serde(default)]
    readings: Option<Readings>,
    #[serde(default)]
    faults: Option<Vec<Fault>>,
    #[serde(default)]
    note: Option<Note>,
    /// Out again, not in.
    #[serde(default)]
    take_back: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Readings {
    signal: Name,
    unit: String,
    values: Vec<(f64, f64)>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Fault {
    #[serde(deserialize_with = "super::whole")]
    from: i64,
    #[serde(default, deserialize_with = "super::maybe_whole")]
    to: Option<i64>,
    name: String,
    #[serde(default)]
    kind: Option<FaultKind>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Note {
    source: String,
    digest: String,
    summary: serde_json::Map<String, serde_json::Value>,
}

/// How much was new, or was taken out.
#[derive(Debug, Serialize)]
pub struct Came {
    said: String,
    new: u64,
    known: u64,
}

fn instant(field: &str, t: i64) -> Result<UnixMs, Problem> {
    if (0..=LATEST_MS).contains(&t) {
        Ok(UnixMs(t))
    } else {
        Err(Problem::parameter(
            field,
            format!("`{t}` is not for `{field}`: expected milliseconds since 1970, before the year 2100"),
        ))
    }
}

fn few(field: &str, n: usize, most: usize) -> Result<(), Problem> {
    if (1..=most).contains(&n) {
        return Ok(());
    }
    Err(Problem::parameter(field, format!("expected 1 to {most} at once; send the rest in a further part")))
}

fn short(field: &str, text: &str) -> Result<String, Problem> {
    match text.trim() {
        t if t.is_empty() || t.chars().count() > LETTERS => {
            Err(Problem::parameter(field, format!("expected 1 to {LETTERS} letters")))
        }
        t => Ok(t.to_owned()),
    }
}

impl Readings {
    fn checked(self) -> Result<ImportPart, Problem> {
        let unit = Unit::from_code(&self.unit).ok_or_else(|| {
            Problem::parameter("unit", "expected the code of a unit, as `/api/v1/signals` shows them")
        })?;
        few("values", self.values.len(), MOST)?;
        let signal = definition(&self.signal, unit);
        let mut readings = Vec::with_capacity(self.values.len());
        for (t, v) in self.values {
            // Within the whole numbers that a double holds, so the cast loses nothing.
            if t.fract() != 0.0 || !(0.0..=LATEST_MS as f64).contains(&t) {
                return Err(Problem::parameter(
                    "values",
                    "expected whole milliseconds since 1970, before the year 2100",
                ));
            }
            readings.push((UnixMs(t as i64), signal.round(v)));
        }
        Ok(ImportPart::Readings { signal, readings })
    }
}

impl Fault {
    fn checked(self) -> Result<ImportedFault, Problem> {
        let (from, to) = (instant("from", self.from)?, self.to.map(|t| instant("to", t)).transpose()?);
        if to.is_some_and(|t| t < from) {
            return Err(Problem::new(Kind::Contradiction, "a fault must not end before it begins"));
        }
        Ok(ImportedFault { from, to, name: short("name", &self.name)?, kind: self.kind })
    }
}

impl Note {
    fn checked(self) -> Result<ImportPart, Problem> {
        if self.digest.len() != 64 || !self.digest.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(Problem::parameter("digest", "expected the 64 hexadecimal digits of a SHA-256 sum"));
        }
        let (source, digest) = (short("source", &self.source)?, self.digest.to_ascii_lowercase());
        Ok(ImportPart::Note { source, digest, summary: self.summary.into() })
    }
}

impl Part {
    fn checked(self) -> Result<ImportPart, Problem> {
        match (self.readings, self.faults, self.note) {
            (Some(r), None, None) => r.checked(),
            (None, Some(f), None) => {
                few("faults", f.len(), FAULTS)?;
                Ok(ImportPart::Faults { faults: f.into_iter().map(Fault::checked).collect::<Result<_, _>>()? })
            }
            (None, None, Some(n)) => n.checked(),
            _ => Err(Problem::new(Kind::Contradiction, "expected exactly one of `readings`, `faults` and `note`")),
        }
    }
}

/// The notes of all files that were brought in.
#[derive(Debug, Serialize)]
pub struct Imports {
    imports: Vec<ImportRow>,
}

/// `GET /api/v1/imports`
pub async fn notes(State(app): State<App>, p: Params) -> Result<axum::Json<Imports>, Problem> {
    p.finish()?;
    let imports = readers::read(&app, |r| r.imports()).await?;
    Ok(axum::Json(Imports { imports }))
}

/// `POST /api/v1/imports`
pub async fn take(
    State(app): State<App>,
    Extension(who): Extension<Who>,
    Json(part): Json<Part>,
) -> Result<axum::Json<Came>, Problem> {
    let command = if part.take_back { Command::TakeBack } else { Command::Import };
    let said = act::ask(&app, command(part.checked()?), &who, Through::Api).await?;
    let t = TakenIn::from_words(&said).unwrap_or_default();
    Ok(axum::Json(Came { said, new: t.new, known: t.known }))
}
