//! What outlives a run: stored with every commit, taken up by the next start.

use serde::{Deserialize, Serialize};

/// The engine's whole memory.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EngineState {
    /// The last numbers given.
    #[serde(default)]
    pub numbers: Numbers,
}

/// The last numbers given; zero: none yet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
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
