//! What the agent publishes after each cycle, for the page and the API: the present, in one plain record.

use super::{AlarmId, Condition, Name, Priority, Session, SignalId, Stamp, UnixMs, Value};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// The present state. Made anew at each cycle; readers hold an `Arc` of it.
#[derive(Clone, Debug, Default)]
pub struct Live {
    /// Number of the cycle.
    pub cycle: u64,
    /// When it was judged.
    pub at: Stamp,
    /// Name of this field PC, as configured.
    pub field: String,
    /// True when the data is invented (a rehearsal).
    pub invented: bool,
    /// Condition of the whole.
    pub condition: Condition,
    /// One sentence of state.
    pub sentence: String,
    /// What to try, if something is wrong.
    pub try_this: Vec<String>,
    /// Every watched thing.
    pub things: Arc<[ThingNow]>,
    /// Standing alarms, worst and earliest first.
    pub alarms: Vec<AlarmNow>,
    /// The latest reading of each signal, in the order of the signal table.
    pub latest: Vec<(SignalId, UnixMs, Value)>,
    /// The session that goes on, if any.
    pub session: Option<Session>,
    /// Darkness tonight.
    pub dark: DarkNow,
    /// In words, what would wake somebody tonight.
    pub wakes: Arc<[String]>,
    /// How the probes do.
    pub probes: Vec<ProbeNow>,
    /// How the store does.
    pub store: StoreNow,
    /// Latest transition number.
    pub seq: i64,
    /// When the agent started.
    pub agent_started: Stamp,
    /// Share of frames: the last light frame, if frames are watched.
    pub last_light_frame: Option<UnixMs>,
}

/// A watched thing now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThingNow {
    /// Its name.
    pub thing: Name,
    /// What the person calls it ("mount program").
    pub title: String,
    /// Its condition.
    pub condition: Condition,
    /// Since when (wall time); none if unknown.
    pub since: Option<UnixMs>,
    /// Why it is not working, in words; empty when it works.
    pub because: String,
}

/// A standing alarm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmNow {
    /// Which raising.
    pub alarm: AlarmId,
    /// Which rule.
    pub rule: Name,
    /// Which thing.
    pub thing: Name,
    /// How much it matters.
    pub priority: Priority,
    /// Since when.
    pub since: Stamp,
    /// Whether its condition still holds (false: returned to normal but not acknowledged).
    pub standing: bool,
    /// Whether a person has seen it.
    pub acknowledged: bool,
    /// Held back until this time.
    pub shelved_until: Option<UnixMs>,
    /// It comes and goes.
    pub chattering: bool,
    /// Raised for longer than a day.
    pub stale: bool,
    /// Whether its commit succeeded.
    pub saved: bool,
    /// One plain sentence.
    pub text: String,
    /// The incident it belongs to.
    pub incident: Option<i64>,
}

/// Darkness tonight.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DarkNow {
    /// Whether a site is configured.
    pub known: bool,
    /// Whether it is dark now.
    pub dark: bool,
    /// Start of the present or next dark stretch.
    pub from: Option<UnixMs>,
    /// End of the present or next dark stretch.
    pub to: Option<UnixMs>,
}

/// A probe now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProbeNow {
    /// Its name: `probe.processor`.
    pub probe: Name,
    /// Period in milliseconds.
    pub period_ms: i64,
    /// "well", "stuck", "panicked", "waiting".
    pub state: Arc<str>,
    /// How long the last run took, in microseconds.
    pub took_us: i64,
    /// Runs that failed, hung or panicked since start.
    pub troubles: u64,
}

/// The store now.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StoreNow {
    /// Whether writing works.
    pub well: bool,
    /// Why not, in words.
    pub because: String,
    /// Last successful commit.
    pub last_commit: Option<UnixMs>,
    /// Readings kept in memory, not yet written.
    pub waiting: u64,
    /// Fine readings dropped since start because memory for waiting ones was full.
    pub dropped: u64,
    /// Bytes of the store's files.
    pub bytes: u64,
}
