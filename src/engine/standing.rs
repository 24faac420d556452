//! The present as the agent publishes it.

use crate::model::live::{AlarmNow, DarkNow, ThingNow};
use crate::model::{Condition, Session, UnixMs};

/// The engine's part of what the agent publishes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Standing {
    /// Condition of the whole.
    pub condition: Condition,
    /// One sentence of state.
    pub sentence: String,
    /// What to try, if something is wrong.
    pub try_this: Vec<String>,
    /// Every watched thing.
    pub things: Vec<ThingNow>,
    /// Standing alarms, worst and earliest first.
    pub alarms: Vec<AlarmNow>,
    /// The session that goes on, if any.
    pub session: Option<Session>,
    /// Darkness tonight.
    pub dark: DarkNow,
    /// In words, what would wake somebody tonight.
    pub wakes: Vec<String>,
    /// Latest transition number.
    pub seq: i64,
    /// The last light frame, if frames are watched.
    pub last_light_frame: Option<UnixMs>,
}
