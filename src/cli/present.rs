//! The agent's summary as the command line reads it. Missing parts are unknown, never good.

use crate::model::{Condition, Name, Priority, UnixMs};
use serde::Deserialize;

/// What `/api/v1/summary` tells, as far as it is used here.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Summary {
    /// Name of the field PC.
    pub field: String,
    /// Invented data.
    pub invented: bool,
    /// Condition of the whole.
    pub condition: Condition,
    /// One sentence of state.
    pub sentence: String,
    /// When it was judged.
    pub at: UnixMs,
    /// How old that is, by the agent's own clock.
    pub age_ms: Option<i64>,
    /// What to try.
    #[serde(rename = "try")]
    pub try_this: Vec<String>,
    /// Watched things.
    pub things: Vec<Thing>,
    /// Standing alarms.
    pub alarms: Vec<Alarm>,
    /// The session that goes on.
    pub session: Option<SessionRow>,
    /// Darkness tonight.
    pub dark: Dark,
    /// What would wake somebody.
    pub wakes: Vec<String>,
    /// What cannot be read.
    pub unreadable: Vec<Unreadable>,
    /// The store.
    pub store: Store,
}

/// A watched thing.
#[derive(Clone, Debug, Deserialize)]
pub struct Thing {
    /// Its name.
    pub thing: Name,
    /// What the person calls it.
    #[serde(default)]
    pub title: String,
    /// Its condition.
    #[serde(default)]
    pub condition: Condition,
    /// Since when.
    #[serde(default)]
    pub since: Option<UnixMs>,
    /// Why it is not working.
    #[serde(default)]
    pub because: String,
}

/// A standing alarm.
#[derive(Clone, Debug, Deserialize)]
pub struct Alarm {
    /// Its number.
    pub alarm: i64,
    /// How much it matters.
    pub priority: Priority,
    /// Since when.
    pub since: UnixMs,
    /// Whether its condition still holds.
    #[serde(default)]
    pub standing: bool,
    /// Whether a person has seen it.
    #[serde(default)]
    pub acknowledged: bool,
    /// Held back until.
    #[serde(default)]
    pub shelved_until: Option<UnixMs>,
    /// It comes and goes.
    #[serde(default)]
    pub chattering: bool,
    /// Whether it is in the store.
    #[serde(default)]
    pub saved: Option<bool>,
    /// One sentence.
    #[serde(default)]
    pub text: String,
}

/// A session.
#[derive(Clone, Debug, Deserialize)]
pub struct SessionRow {
    /// When it began.
    pub started: UnixMs,
    /// Why it began.
    #[serde(default)]
    pub why: Option<crate::model::SessionStart>,
    /// When it ended.
    #[serde(default)]
    pub ended: Option<UnixMs>,
    /// Why it ended.
    #[serde(default)]
    pub end_why: Option<crate::model::SessionEnd>,
}

/// Darkness tonight.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Dark {
    /// Whether a site is configured.
    pub known: bool,
    /// Whether it is dark now.
    pub dark: bool,
    /// Start of the present or next dark stretch.
    pub from: Option<UnixMs>,
    /// Its end.
    pub to: Option<UnixMs>,
}

/// A signal that cannot be read.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Unreadable {
    /// Which.
    pub signal: String,
    /// Why.
    pub text: String,
}

/// The store.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(default)]
pub struct Store {
    /// Whether writing works.
    pub well: bool,
    /// Why not.
    pub because: String,
}
