//! What a person may ask of the running agent, from the page, a token holder or the command line.

use super::rows::ImportedFault;
use super::{AlarmId, MarkKind, Name, SignalDef, Span, UnixMs};
use serde::{Deserialize, Serialize};

/// One wish. Answered by the agent with what came of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "do")]
pub enum Command {
    /// Begin a session now.
    SessionStart,
    /// End the session now.
    SessionEnd,
    /// Acknowledge one alarm, or all standing ones.
    Acknowledge {
        /// Which; none means all.
        alarm: Option<AlarmId>,
    },
    /// Hold back a rule on a thing for a time.
    Shelve {
        /// Which standing alarm.
        alarm: AlarmId,
        /// For how long (at most 24 h).
        lasting: Span,
    },
    /// End a shelving.
    Unshelve {
        /// Which.
        alarm: AlarmId,
    },
    /// Mark an incident.
    Mark {
        /// Which.
        incident: i64,
        /// What it was; none takes the mark back.
        kind: Option<MarkKind>,
        /// The person's words.
        words: String,
    },
    /// Record a remedy.
    RemedyAdd(RemedyWish),
    /// Forget a remedy.
    RemedyRemove {
        /// Its number.
        remedy: i64,
    },
    /// Take in a part of what was recorded elsewhere. What is there already stays as it is.
    Import(ImportPart),
    /// Take out again a part that was taken in.
    TakeBack(ImportPart),
}

/// A part of what was recorded elsewhere, small enough that no alarm waits for it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "part")]
pub enum ImportPart {
    /// Readings of one signal, in any order.
    Readings {
        /// What the signal is; one of the same name keeps its own definition.
        signal: SignalDef,
        /// Instants and values in the signal's unit.
        readings: Vec<(UnixMs, f64)>,
    },
    /// Faults.
    Faults {
        /// The faults.
        faults: Vec<ImportedFault>,
    },
    /// The note of a file: where it came from and how it was read.
    Note {
        /// Its name.
        source: String,
        /// SHA-256 of its content, in hexadecimal digits.
        digest: String,
        /// How it was read and what was taken.
        summary: serde_json::Value,
    },
}

/// How much of a part was new, or was taken out. Travels through the agent's answer in words.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct TakenIn {
    /// Readings or faults that are new in the store, or were taken out of it.
    pub new: u64,
    /// Those that were there already, or were not there any more.
    pub known: u64,
}

impl TakenIn {
    /// The words of the answer to what was brought in.
    pub fn words(self) -> String {
        format!("{} new, {} there already", self.new, self.known)
    }

    /// The words of the answer to what was taken back.
    pub fn words_back(self) -> String {
        format!("{} taken out, {} not there", self.new, self.known)
    }

    /// From the words of an answer.
    pub fn from_words(text: &str) -> Option<TakenIn> {
        let (new, rest) = text.split_once(" new, ").or_else(|| text.split_once(" taken out, "))?;
        let known = rest.strip_suffix(" there already").or_else(|| rest.strip_suffix(" not there"))?;
        Some(TakenIn { new: new.parse().ok()?, known: known.parse().ok()? })
    }
}

/// A remedy as a person states it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RemedyWish {
    /// What was changed.
    pub name: String,
    /// From when on.
    pub since: UnixMs,
    /// Until when, if it was taken away.
    pub until: Option<UnixMs>,
    /// Evening dates on which it was in use, if it was not in use every night (`2026-01-12`).
    #[serde(default)]
    pub only_nights: Vec<String>,
    /// The rule for hard hours: signal, "below" or "above", limit.
    pub hard_when: Option<HardWhen>,
}

/// Which hours are as hard as those that failed before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HardWhen {
    /// The signal, one that the remedy cannot touch.
    pub signal: Name,
    /// True: hard is below the limit; false: above.
    pub below: bool,
    /// The limit, in the signal's unit.
    pub limit: f64,
}

/// Why a wish was not met.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize)]
pub enum CommandError {
    /// There is no such alarm, incident or remedy.
    #[error("there is no {0}")]
    NotFound(String),
    /// It cannot be done in the present state.
    #[error("{0}")]
    NotNow(String),
    /// The agent is stopping or its store refused.
    #[error("the agent could not do it: {0}")]
    Failed(String),
}

/// What came of a command, for the person.
pub type CommandAnswer = Result<String, CommandError>;
