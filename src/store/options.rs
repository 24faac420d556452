//! How a store is opened, and what opening it tells.

use crate::clock::SharedClock;
use crate::model::rows::GapRow;
use crate::model::{Signals, Span};
use std::path::PathBuf;

/// How to open a store for writing.
#[derive(Clone)]
pub struct Options {
    /// What tells the time.
    pub clock: SharedClock,
    /// Quiet cycles are committed this often.
    pub commit_every: Span,
    /// Readings are sealed into pieces this often; longer spares the flash memory, shorter keeps the journal small. None: all at
    /// once when the store is closed, so that what is kept of a rehearsal does not depend on how fast it was made.
    pub seal_every: Option<Span>,
    /// The engine's state is saved this often while nothing happens.
    pub state_every: Span,
    /// Fine readings are kept this many days.
    pub keep_fine_days: u32,
    /// The machine's boot id; empty where there is none.
    pub boot_id: String,
    /// Version of the program.
    pub version: String,
    /// Name of this field PC.
    pub field: String,
    /// The readings are invented (a rehearsal).
    pub invented: bool,
    /// Whether the machine's own record says that it was shut down in an orderly way before this boot, where it can be told.
    pub machine_stopped_cleanly: Option<bool>,
    /// Readings that may wait between the agent and the writer before the oldest are dropped.
    pub queue_readings: usize,
    /// Bytes of packed readings that may wait for a disk before the oldest are dropped.
    pub waiting_bytes: usize,
    /// Look for damage in the background, this long after opening and then once a day; none: never.
    pub check_after: Option<Span>,
}

impl Options {
    /// The usual way.
    pub fn new(clock: SharedClock, boot_id: impl Into<String>) -> Options {
        Options {
            clock,
            commit_every: Span::secs(10),
            seal_every: Some(Span::mins(30)),
            state_every: Span::mins(1),
            keep_fine_days: 90,
            boot_id: boot_id.into(),
            version: env!("CARGO_PKG_VERSION").into(),
            field: String::new(),
            invented: false,
            machine_stopped_cleanly: None,
            queue_readings: 40_000,
            waiting_bytes: 4 << 20,
            check_after: Some(Span::secs(20)),
        }
    }
}

/// How the run before this one ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LastRun {
    /// There was none.
    First,
    /// The agent was stopped in an orderly way.
    Clean,
    /// The agent ended without a word while the machine went on: a crash or a kill.
    Crash,
    /// The machine stopped without warning: power cut, freeze, reset.
    PowerCut,
    /// The machine was restarted in an orderly way, but the agent did not get to close its store.
    MachineRestart,
    /// It could not be read, since the store could not be opened.
    Unknown,
}

impl LastRun {
    /// The stored and served word.
    pub fn code(self) -> &'static str {
        match self {
            LastRun::First => "first",
            LastRun::Clean => "clean",
            LastRun::Crash => "crash",
            LastRun::PowerCut => "power_cut",
            LastRun::MachineRestart => "machine_restart",
            LastRun::Unknown => "unknown",
        }
    }
}

/// What opening a store told.
#[derive(Debug)]
pub struct Opened {
    /// The table of signals, continuing the store's numbers. The writer stores what is added to it.
    pub signals: Signals,
    /// How the last run ended.
    pub last_run: LastRun,
    /// The stretch in which nobody was looking; none on the first run.
    pub gap: Option<GapRow>,
    /// Whether the machine was started since the last run.
    pub machine_restarted: bool,
    /// The engine's state, as last saved.
    pub engine_state: Option<serde_json::Value>,
    /// Why the agent goes on in memory for now; none if the store is open. The writer tries again by itself.
    pub in_memory: Option<String>,
    /// A damaged store that was set aside under this name.
    pub set_aside: Option<PathBuf>,
    /// Number of this run; 0 while in memory.
    pub run: i64,
    /// Latest number of a transition in the store.
    pub latest_seq: i64,
    /// Latest number of an alarm in the store.
    pub latest_alarm: i64,
    /// Latest number of a session in the store.
    pub latest_session: i64,
    /// Latest number of an incident in the store.
    pub latest_incident: i64,
}
