//! What the engine wishes after one step: rows for the store, and words and acts for the world.

use super::{AlarmId, Event, Incident, Mark, Name, Priority, Session, Stamp, Transition};
use serde::{Deserialize, Serialize};

/// The outcome of one step. What is stored is committed before anything of it is announced.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// Steps in the lives of alarms.
    pub transitions: Vec<Transition>,
    /// Events of the engine's own (sessions, gaps, floods) and those of the batch that are worth keeping.
    pub events: Vec<Event>,
    /// Incidents that are new or have changed, each as its whole record.
    pub incidents: Vec<Incident>,
    /// Sessions that began, changed or ended, each as its whole record.
    pub sessions: Vec<Session>,
    /// Marks that a person made, each with the number of its incident.
    pub marks: Vec<(i64, Mark)>,
    /// What is to be said beyond this machine.
    pub notices: Vec<Notice>,
    /// What configured actions are to do.
    pub actions: Vec<ActionWish>,
}

/// Something to be said beyond this machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// When it was decided.
    pub at: Stamp,
    /// The alarm that it speaks of; none for a folded flood.
    pub alarm: Option<AlarmId>,
    /// How much it matters.
    pub priority: Priority,
    /// Whether it is meant to wake somebody.
    pub wakes: bool,
    /// One plain sentence.
    pub text: String,
}

/// A wish that a configured action be switched on or off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ActionWish {
    /// When it was decided.
    pub at: Stamp,
    /// Which action.
    pub action: Name,
    /// The alarm behind it.
    pub alarm: Option<AlarmId>,
    /// True: run it; false: its switching-off.
    pub on: bool,
}

impl Outcome {
    /// Whether it holds something that must be committed at once, since it will be shown or cannot be read again.
    pub fn is_urgent(&self) -> bool {
        !(self.transitions.is_empty()
            && self.events.is_empty()
            && self.incidents.is_empty()
            && self.sessions.is_empty()
            && self.marks.is_empty())
    }
}
