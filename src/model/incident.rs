//! Incidents: alarms and events that belong together, with the one that failed first.

use super::{AlarmId, EventKind, Name, Span, Stamp};
use serde::{Deserialize, Serialize};

/// What a person may say of an incident.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MarkKind {
    /// I did that.
    MyDoing,
    /// Cloud stopped the frames.
    Cloud,
    /// A test.
    Test,
    /// Not a fault.
    NotAFault,
}

impl MarkKind {
    /// The words said to people.
    pub fn word(self) -> &'static str {
        match self {
            MarkKind::MyDoing => "my doing",
            MarkKind::Cloud => "cloud",
            MarkKind::Test => "test",
            MarkKind::NotAFault => "not a fault",
        }
    }
}

/// A person's mark, kept with its time. The latest mark of an incident holds; `kind` none takes it back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// When it was made.
    pub at: Stamp,
    /// What it says.
    pub kind: Option<MarkKind>,
    /// The person's own words; may be empty.
    pub words: String,
}

/// Kinds of faults.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// A device left, or its contact broke.
    Device,
    /// A program ended or hung.
    Program,
    /// A link was down.
    Link,
    /// The machine restarted or froze.
    Machine,
    /// A disk was full or failed.
    Storage,
    /// Mains, battery or under-voltage.
    Power,
    /// Too hot.
    Heat,
    /// Not stated, in a list that a person kept.
    Other,
}

impl FaultKind {
    /// Every kind.
    pub const ALL: [FaultKind; 8] = [
        FaultKind::Device,
        FaultKind::Program,
        FaultKind::Link,
        FaultKind::Machine,
        FaultKind::Storage,
        FaultKind::Power,
        FaultKind::Heat,
        FaultKind::Other,
    ];
    /// The stored, served and said word.
    pub fn word(self) -> &'static str {
        match self {
            FaultKind::Device => "device",
            FaultKind::Program => "program",
            FaultKind::Link => "link",
            FaultKind::Machine => "machine",
            FaultKind::Storage => "storage",
            FaultKind::Power => "power",
            FaultKind::Heat => "heat",
            FaultKind::Other => "other",
        }
    }
    /// From its word.
    pub fn from_word(w: &str) -> Option<FaultKind> {
        FaultKind::ALL.into_iter().find(|k| k.word() == w)
    }
}

/// Why a member of an incident is held to belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Belongs {
    /// It is what failed first.
    First,
    /// By `leans_on`.
    LeansOn,
    /// By nearness in time.
    NearInTime,
}

/// One part of an incident.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Member {
    /// Which thing.
    pub thing: Name,
    /// When it broke.
    pub at: Stamp,
    /// Known to within this span before `at`.
    pub within: Span,
    /// When it was well again.
    pub until: Option<Stamp>,
    /// The alarm behind it, if one was raised.
    pub alarm: Option<AlarmId>,
    /// The event behind it, if it was an event.
    pub event: Option<EventKind>,
    /// Why it is held to belong.
    pub belongs: Belongs,
    /// One plain sentence.
    pub text: String,
}

/// One incident, as far as it is known. The engine hands out the whole record anew whenever it changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incident {
    /// Number, growing.
    pub id: i64,
    /// Session in which it happened, if any.
    pub session: Option<i64>,
    /// When the first member broke.
    pub opened: Stamp,
    /// When all members were well again; none while it goes on.
    pub closed: Option<Stamp>,
    /// The members in order; the first is what failed first.
    pub members: Vec<Member>,
    /// False when two at the head fell inside one sampling step.
    pub order_certain: bool,
    /// Kind of fault that the first-out is.
    pub kind: FaultKind,
    /// Judged afterwards: every program lived and frames kept coming.
    pub harmless: bool,
    /// Nothing broken, frames stopped: reason not seen.
    pub pause_only: bool,
    /// The latest mark, if any.
    pub mark: Option<Mark>,
}

impl Incident {
    /// Whether it counts as a fault: in a session, neither harmless nor a bare pause nor marked away.
    pub fn is_fault(&self) -> bool {
        self.session.is_some()
            && !self.harmless
            && !self.pause_only
            && self.mark.as_ref().is_none_or(|m| m.kind.is_none())
    }
}
