//! Alarms and their life, in the terms of IEC 62682 / ANSI/ISA-18.2.

use super::{Name, Stamp, UnixMs};
use serde::{Deserialize, Serialize};

/// Number of one raising of an alarm; unique in a store, growing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct AlarmId(pub i64);

/// How much an alarm matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Priority {
    /// To know.
    Low,
    /// To look at soon.
    Medium,
    /// The night is being lost, or the machine is in danger.
    High,
}

/// Condition of a watched thing and of the whole. Worse is larger, with unknown between impaired and failed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// Not meant to work now.
    NotInUse,
    /// As it should be.
    Working,
    /// Works, but something is out of order.
    Impaired,
    /// Cannot be told; never shown as good.
    #[default]
    Unknown,
    /// Does not work.
    Failed,
}

impl Condition {
    /// The word said to people.
    pub fn word(self) -> &'static str {
        match self {
            Condition::NotInUse => "not in use",
            Condition::Working => "working",
            Condition::Impaired => "impaired",
            Condition::Unknown => "unknown",
            Condition::Failed => "failed",
        }
    }
}

impl Priority {
    /// The word said to people.
    pub fn word(self) -> &'static str {
        match self {
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
        }
    }
}

/// What changed in the life of an alarm.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "change")]
pub enum AlarmChange {
    /// The condition held for its on-delay.
    Raised,
    /// A person has seen it.
    Acknowledged {
        /// Who: "page", "command line", "token NAME".
        by: String,
    },
    /// The condition is over (for its off-delay).
    Returned,
    /// Held back by a person until a time.
    Shelved {
        /// The end of shelving.
        until: UnixMs,
        /// Who.
        by: String,
    },
    /// The shelving ended, by a person or by its time.
    Unshelved,
    /// Has stood for its time to wake somebody, unacknowledged, in a session, in the dark.
    WakesNow,
    /// Raised for longer than a day.
    Stale,
    /// Comes and goes too often to be announced one by one.
    Chattering,
    /// No longer chattering.
    Settled,
    /// The rule or the thing is no longer configured, or the session ended: closed without a return to normal.
    Removed,
}

impl AlarmChange {
    /// The stored and served word.
    pub fn code(&self) -> &'static str {
        match self {
            AlarmChange::Raised => "raised",
            AlarmChange::Acknowledged { .. } => "acknowledged",
            AlarmChange::Returned => "returned",
            AlarmChange::Shelved { .. } => "shelved",
            AlarmChange::Unshelved => "unshelved",
            AlarmChange::WakesNow => "wakes_now",
            AlarmChange::Stale => "stale",
            AlarmChange::Chattering => "chattering",
            AlarmChange::Settled => "settled",
            AlarmChange::Removed => "removed",
        }
    }
}

/// One step in the life of an alarm. Committed at once, and published after the commit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Transition {
    /// Growing number over all transitions of a store, given by the engine.
    pub seq: i64,
    /// When the condition began or ended (not when the delay was over); for a person's act, when it was done.
    pub at: Stamp,
    /// When the engine announced it (after the delay).
    pub announced: Stamp,
    /// Which raising.
    pub alarm: AlarmId,
    /// The rule: `rule.program-ended`, `rule.box-too-hot`, or the person's own.
    pub rule: Name,
    /// The watched thing or signal.
    pub thing: Name,
    /// How much it matters.
    pub priority: Priority,
    /// What changed.
    #[serde(flatten)]
    pub change: AlarmChange,
    /// Whether it should wake somebody now, judged at this instant.
    pub wakes: bool,
    /// One plain sentence: "the mount program ended (signal 9)".
    pub text: String,
    /// The value that was judged, in the signal's unit, where there is one.
    pub value: Option<f64>,
    /// The incident it belongs to, if any.
    pub incident: Option<i64>,
    /// False when it was published although its commit failed.
    pub saved: bool,
}
