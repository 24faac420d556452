//! Rows as views read them from the store.

use super::command::HardWhen;
use super::{Incident, Mark, Span, Transition, UnixMs};
use serde::{Deserialize, Serialize};

/// Minimum, mean, maximum of one signal over one stretch of time. Nothing known in it: `count` is zero.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bucket {
    /// Start of the stretch.
    pub from: UnixMs,
    /// End of the stretch (excluded).
    pub to: UnixMs,
    /// Smallest value; not a number when `count` is zero.
    pub min: f64,
    /// Mean of the values.
    pub mean: f64,
    /// Largest value.
    pub max: f64,
    /// Number of known values.
    pub count: u32,
    /// Number of unavailable readings.
    pub unavailable: u32,
}

/// An alarm with its whole life.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmLife {
    /// Its transitions in order; the first is the raising.
    pub steps: Vec<Transition>,
}

/// A stretch in which the agent was not looking.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GapRow {
    /// Last instant known before.
    pub from: UnixMs,
    /// First instant known after.
    pub to: UnixMs,
    /// Why: "crash", "power_cut", "machine_restart", "stopped", "stall", "suspend", "never_ran", "dropped" (readings that
    /// memory could not hold).
    pub why: String,
}

/// One run of the agent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RunRow {
    /// Number, growing.
    pub id: i64,
    /// First instant.
    pub started: UnixMs,
    /// Last instant known to be watched.
    pub last_seen: UnixMs,
    /// "running", "clean", "crash", "power_cut", "machine_restart".
    pub ended: String,
    /// The machine's boot id during the run.
    pub boot_id: String,
    /// Version of the program.
    pub version: String,
}

/// A remedy as stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RemedyRow {
    /// Number.
    pub id: i64,
    /// What was changed.
    pub name: String,
    /// When it was written down.
    pub added: UnixMs,
    /// From when on.
    pub since: UnixMs,
    /// Until when.
    pub until: Option<UnixMs>,
    /// Evening dates on which it was in use; empty means every night.
    pub only_nights: Vec<String>,
    /// The rule for hard hours, frozen when it was added.
    pub hard_when: Option<HardWhen>,
    /// Length of the record before `since`, when it was added.
    pub record_before: Span,
    /// Entered after nights of its own time had already passed.
    pub hindsight: bool,
}

/// A change of software, ports, drivers or settings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChangeRow {
    /// When it was seen.
    pub at: UnixMs,
    /// What: "program.mount version", "kernel", …
    pub what: String,
    /// Before; empty if not known.
    pub old: String,
    /// After.
    pub new: String,
}

/// An incident with its marks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct IncidentRow {
    /// The incident.
    pub incident: Incident,
    /// All marks in order.
    pub marks: Vec<Mark>,
}

/// A fault brought in from elsewhere.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ImportedFault {
    /// Start.
    pub from: UnixMs,
    /// End; none: the rest of that night was lost.
    pub to: Option<UnixMs>,
    /// The person's name for it.
    pub name: String,
    /// Kind, if stated.
    pub kind: Option<super::FaultKind>,
}

/// The note of a file that was brought in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ImportRow {
    /// When it was brought in.
    pub at: UnixMs,
    /// Its name.
    pub source: String,
    /// SHA-256 of its content and of how it was read, in hexadecimal digits.
    pub digest: String,
    /// How it was read and what was taken: `signals`, `holds_ms`, `zone`, `first_ms`, `last_ms`, …
    pub summary: serde_json::Value,
}
