//! A season as plain data: what the analysis over many nights starts from.
//!
//! Owns the tables that others fill from the store, from imported files or from invented nights. Reads nothing itself.
//! All times are UTC milliseconds, all lengths hours, all values in the signal's own unit; a value that is not known is
//! not a number, never zero.

use crate::model::rows::{ChangeRow, RemedyRow};
use crate::model::{FaultKind, Name, Unit, UnixMs};
use serde::{Deserialize, Serialize};

/// The four kinds of night.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum NightKind {
    /// At least one fault.
    #[serde(rename = "trouble")]
    Trouble,
    /// A session without a fault.
    #[serde(rename = "quiet")]
    Quiet,
    /// Nothing was meant to work.
    #[serde(rename = "no session")]
    NoSession,
    /// The agent was not looking for so much of the session that nothing can be said.
    #[serde(rename = "not watched")]
    NotWatched,
}

impl NightKind {
    /// The word said to people and written in JSON.
    pub fn word(self) -> &'static str {
        match self {
            NightKind::Trouble => "trouble",
            NightKind::Quiet => "quiet",
            NightKind::NoSession => "no session",
            NightKind::NotWatched => "not watched",
        }
    }
}

/// One fault of a night: the first-out of an incident that is neither harmless nor marked away.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Fault {
    /// When it happened.
    pub at: UnixMs,
    /// Hours since the session began.
    pub since_start: f64,
    /// Its kind.
    pub kind: FaultKind,
    /// The thing that failed first, or the person's name for it.
    pub thing: String,
    /// Index of the slice (of its night) that it ended; none where no at-risk time came before it.
    pub slice: Option<usize>,
}

/// A stretch of at-risk time inside one night, at most the stated step long. It never reaches across a fault.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Slice {
    /// First instant.
    pub from: UnixMs,
    /// Last instant (excluded).
    pub to: UnixMs,
    /// At-risk hours in it.
    pub hours: f64,
    /// Hours since the session began, at its middle.
    pub since_start: f64,
    /// It lies after the first fault of its night: inside readings in it may be consequences.
    pub after_fault: bool,
}

/// Figures of one signal over one night, from readings in session up to the first fault only.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Smallest reading.
    pub minimum: f64,
    /// Mean of the readings.
    pub mean: f64,
    /// Largest reading.
    pub maximum: f64,
}

/// One night, local noon to local noon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Night {
    /// The evening's date, `2026-01-12`.
    pub date: String,
    /// Days since the first night of the season (that night is 0).
    pub day: i32,
    /// First instant of the session; of the dark hours where there was no session.
    pub from: UnixMs,
    /// Its kind.
    pub kind: NightKind,
    /// Dark hours at the site.
    pub dark_hours: f64,
    /// Hours of session.
    pub session_hours: f64,
    /// Hours in which it could have failed: dark, in session, chain up.
    pub at_risk_hours: f64,
    /// Faults in order of time. Those marked away are not here.
    pub faults: Vec<Fault>,
    /// Number of incidents, faults or not.
    pub incidents: usize,
    /// The at-risk time, cut up, in order.
    pub slices: Vec<Slice>,
    /// For each signal of the season, its value in each slice (mean of the readings in it that came before the slice's
    /// end, or the last one held); not a number where unknown. An empty inner list: unknown all night.
    pub values: Vec<Vec<f64>>,
    /// For each signal of the season, its figures; none where unknown.
    pub figures: Vec<Option<Figures>>,
}

/// In which rank a signal is tested.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Rank {
    /// The short list that is named in the design.
    Short,
    /// Named beforehand by the person.
    Suspect,
    /// All others: never more than worth watching.
    Rest,
}

/// What a signal is, as far as the analysis must know.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeasonSignal {
    /// Its name.
    pub name: Name,
    /// Its unit.
    pub unit: Unit,
    /// One plain phrase, "box air temperature".
    pub what: String,
    /// Rank in which it is tested.
    pub rank: Rank,
    /// Nothing that fails in the chain can change it (outside air, the Sun, the calendar). Only for such signals are
    /// readings after a fault evidence; all others end at the first fault of the night, or stand at the last value before
    /// it. Only such a signal may say which hours were hard when a remedy is judged.
    pub beyond_reach: bool,
}

/// A season.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Season {
    /// All nights in order of date, also those without a session.
    pub nights: Vec<Night>,
    /// The signals; hours since session start and the day in the season are added by the analysis itself.
    pub signals: Vec<SeasonSignal>,
    /// Remedies, in order of `since`.
    pub remedies: Vec<RemedyRow>,
    /// Recorded changes of software, ports, drivers or settings, in order of time.
    pub changes: Vec<ChangeRow>,
}

/// Name under which the hours since session start are tested and reported.
pub const SINCE_START: &str = "time.since-start";
/// Name under which the day in the season is tested and reported.
pub const SEASON_DAY: &str = "time.season-day";

impl Night {
    /// Whether it counts: a trouble or quiet night with at-risk time or a fault.
    pub fn usable(&self) -> bool {
        matches!(self.kind, NightKind::Trouble | NightKind::Quiet)
            && (self.at_risk_hours > 0.0 || !self.faults.is_empty())
    }

    /// Whether it had a fault.
    pub fn trouble(&self) -> bool {
        !self.faults.is_empty()
    }

    /// The instant of its first fault.
    pub fn first_fault(&self) -> Option<UnixMs> {
        self.faults.first().map(|f| f.at)
    }
}

impl Season {
    /// Indices of the nights that count.
    pub fn usable(&self) -> Vec<usize> {
        (0..self.nights.len()).filter(|&i| self.nights[i].usable()).collect()
    }

    /// Index of a signal by name.
    pub fn signal(&self, name: &Name) -> Option<usize> {
        self.signals.iter().position(|s| &s.name == name)
    }
}

/// Whether a remedy was in use on a night.
pub fn in_use(remedy: &RemedyRow, night: &Night) -> bool {
    night.from >= remedy.since
        && remedy.until.is_none_or(|u| night.from < u)
        && (remedy.only_nights.is_empty() || remedy.only_nights.contains(&night.date))
}
