//! What outlives a run: stored with every commit, taken up by the next start.

use super::closing::Closing;
use super::flood::Flood;
use super::frames::FrameTrack;
use super::incident::Incidents;
use super::presence::Presence;
use super::slot::Kept;
use crate::model::{BootMs, Name, Session, Span, Stamp, UnixMs};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The engine's whole memory. Serialised as one JSON value; fields that an older version did not write take their defaults.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct EngineState {
    /// The last instant judged.
    pub at: Stamp,
    /// The last numbers given.
    pub numbers: Numbers,
    /// The session that goes on.
    pub session: Option<Session>,
    /// Why no session begins by itself.
    pub(crate) blocked: Option<Blocked>,
    /// Start of the latest dark stretch seen.
    pub(crate) dusk: Option<UnixMs>,
    /// The end of the last gap.
    pub(crate) looking_since: Option<BootMs>,
    pub(crate) closing: Closing,
    pub(crate) frames: FrameTrack,
    pub(crate) incidents: Incidents,
    pub(crate) flood: Flood,
    /// Sentences of the alarms of the present flood.
    pub(crate) flooded: Vec<String>,
    pub(crate) slots: Vec<Kept>,
    pub(crate) presence: BTreeMap<Name, Presence>,
}

/// Why no session begins by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Blocked {
    /// A person ended it: until the chain was down once, or dusk.
    Person,
    /// Dawn ended it: until the chain was down once, or dusk.
    Dawn,
}

/// The last numbers given; zero: none yet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Numbers {
    /// Transitions.
    pub seq: i64,
    /// Alarms.
    pub alarm: i64,
    /// Incidents.
    pub incident: i64,
    /// Sessions.
    pub session: i64,
}

impl Numbers {
    /// The larger of each.
    pub fn at_least(self, o: Numbers) -> Numbers {
        Numbers {
            seq: self.seq.max(o.seq),
            alarm: self.alarm.max(o.alarm),
            incident: self.incident.max(o.incident),
            session: self.session.max(o.session),
        }
    }
}

impl EngineState {
    /// All times since boot moved by `by`, for a machine whose since-boot clock began anew.
    pub(crate) fn shift(&mut self, by: Span) {
        self.at.boot = self.at.boot + by;
        if let Some(s) = &mut self.session {
            s.started.boot = s.started.boot + by;
        }
        self.looking_since = self.looking_since.map(|l| l + by);
        self.closing.shift(by);
        self.frames.shift(by);
        self.incidents.shift(by);
        self.flood.shift(by);
        self.slots.iter_mut().for_each(|k| k.shift(by));
        self.presence.values_mut().for_each(|p| p.shift(by));
    }
}
