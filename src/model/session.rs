//! Sessions: the time in which the chain of programs is meant to work tonight.

use super::Stamp;
use serde::{Deserialize, Serialize};

/// Why a session began.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SessionStart {
    /// The chain was up and a light frame arrived.
    LightFrame,
    /// All programs of the chain are up (no frames folder configured).
    ChainUp,
    /// A person said so.
    Person,
    /// Dark hours began (no chain configured).
    Dusk,
    /// No site and no chain: always in session.
    Always,
}

/// Why a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SessionEnd {
    /// A person said so.
    Person,
    /// The programs were closed one after another, with nothing left hanging.
    OrderlyClose,
    /// Dawn.
    Dawn,
    /// The machine stopped and did not come back that night.
    MachineStopped,
    /// The configuration changed so that this session has no meaning.
    Reconfigured,
}

/// One session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Session {
    /// Number, growing.
    pub id: i64,
    /// When it began.
    pub started: Stamp,
    /// Why it began.
    pub why: SessionStart,
    /// When it ended; none while it goes on.
    pub ended: Option<Stamp>,
    /// Why it ended.
    pub end_why: Option<SessionEnd>,
}
