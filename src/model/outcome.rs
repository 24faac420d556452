//! What one step of the engine hands out, for the store to keep and the agent to publish and carry out.

use super::{AlarmId, Event, Incident, Mark, Name, Priority, Session, Stamp, Transition};
use serde::{Deserialize, Serialize};

/// Everything that came of one step, in the order in which it happened. Empty for a quiet cycle.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Outcome {
    /// Steps in the life of alarms.
    pub transitions: Vec<Transition>,
    /// Events of the engine's own: sessions, contact breaks, floods, marks. Those of the batch are not repeated here.
    pub events: Vec<Event>,
    /// Incidents that are new or changed; each replaces the record with the same number.
    pub incidents: Vec<Incident>,
    /// Sessions that began, ended or changed; each replaces the record with the same number.
    pub sessions: Vec<Session>,
    /// Marks that a person made, with the incident's number.
    pub marks: Vec<(i64, Mark)>,
    /// What should leave the machine.
    pub notices: Vec<Notice>,
    /// Actions that rules ask for.
    pub actions: Vec<ActionWish>,
}

/// What a notice is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoticeKind {
    /// An alarm was raised.
    Raised,
    /// An alarm has stood for long enough to wake somebody.
    Wakes,
    /// An alarm returned to normal.
    Returned,
    /// An alarm was taken back: the session ended, or its rule or thing is no longer configured.
    Removed,
    /// An alarm comes and goes too often to be announced one by one.
    Chattering,
    /// More than ten alarms in ten minutes: from here on they are folded into one notice.
    FloodBegan,
    /// The flood is over; the text names what it was made of.
    FloodEnded,
}

/// One message for people beyond this machine. The `out` room picks the ways by priority and `wakes`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// When it was made.
    pub at: Stamp,
    /// What it is about.
    pub kind: NoticeKind,
    /// The transition behind it; for a flood, the latest one.
    pub seq: i64,
    /// The alarm, unless it is about a flood.
    pub alarm: Option<AlarmId>,
    /// Its rule.
    pub rule: Option<Name>,
    /// Its watched thing or signal.
    pub thing: Option<Name>,
    /// How much it matters; for a flood, the worst of its alarms.
    pub priority: Priority,
    /// Whether it should wake somebody now.
    pub wakes: bool,
    /// One plain sentence.
    pub text: String,
}

/// An action that a rule asks for. The agent judges limits (runs per night, cool-down, clock times) and runs it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ActionWish {
    /// `action.…`
    pub action: Name,
    /// True: run it (the rule's alarm was raised). False: its switching-off (the alarm is over).
    pub on: bool,
    /// When it was asked for.
    pub at: Stamp,
    /// The alarm behind it.
    pub alarm: Option<AlarmId>,
    /// The rule.
    pub rule: Name,
    /// The watched thing or signal.
    pub thing: Name,
    /// The alarm's sentence.
    pub text: String,
}

impl Outcome {
    /// Whether nothing came of the step.
    pub fn is_empty(&self) -> bool {
        !self.is_urgent() && self.notices.is_empty() && self.actions.is_empty()
    }

    /// Whether something in it must be committed at once, together with its evidence.
    pub fn is_urgent(&self) -> bool {
        !(self.transitions.is_empty()
            && self.events.is_empty()
            && self.incidents.is_empty()
            && self.sessions.is_empty()
            && self.marks.is_empty())
    }

    /// Adds what came of a later step. An incident or session that is in both keeps the later record only.
    pub fn append(&mut self, later: Outcome) {
        self.transitions.extend(later.transitions);
        self.events.extend(later.events);
        for i in later.incidents {
            self.incidents.retain(|o| o.id != i.id);
            self.incidents.push(i);
        }
        for s in later.sessions {
            self.sessions.retain(|o| o.id != s.id);
            self.sessions.push(s);
        }
        self.marks.extend(later.marks);
        self.notices.extend(later.notices);
        self.actions.extend(later.actions);
    }
}
