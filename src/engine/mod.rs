//! Turns batches of readings and events into alarm transitions, sessions and incidents. Pure: no clock, file, SQL, thread,
//! async, log or randomness; time comes in with the batch, so the same batches always give the same alarms.

pub mod plan;
pub mod standing;
pub mod state;

pub use plan::{Learned, Plan};
pub use standing::Standing;
pub use state::{EngineState, Numbers};

use crate::model::rows::GapRow;
use crate::model::{Batch, Command, Outcome, Signals, Stamp, UnixMs, command::CommandError};

/// The engine: a state machine that is told what happened and answers what it means.
#[derive(Debug)]
pub struct Engine {
    plan: Plan,
    state: EngineState,
}

impl Engine {
    /// An engine that starts afresh, or goes on where a stored state left off.
    pub fn new(plan: Plan, restored: Option<EngineState>) -> Engine {
        Engine { plan, state: restored.unwrap_or_default() }
    }

    /// Takes a new configuration. Alarms of rules and things that are gone are closed.
    pub fn replan(&mut self, plan: Plan, _at: Stamp) -> Outcome {
        self.plan = plan;
        Outcome::default()
    }

    /// Takes new dark hours (last night's, tonight's, tomorrow's), in any order.
    pub fn set_dark(&mut self, dark: Vec<(UnixMs, UnixMs)>) {
        self.plan.set_dark(dark);
    }

    /// Takes what the analysis of earlier nights has learned.
    pub fn set_learned(&mut self, learned: Learned) {
        self.plan.learned = learned;
    }

    /// Numbers never to be given again, for a store whose engine state was lost but whose rows are there.
    pub fn continue_from(&mut self, last: Numbers) {
        self.state.numbers = self.state.numbers.at_least(last);
    }

    /// Judges one batch.
    pub fn step(&mut self, _batch: &Batch, _signals: &Signals) -> Outcome {
        Outcome::default()
    }

    /// Carries out a person's wish. The text says what was done.
    ///
    /// # Errors
    /// [`CommandError::NotFound`] for an unknown alarm or incident; [`CommandError::NotNow`] when the present state forbids it.
    pub fn command(&mut self, _at: Stamp, _c: &Command, _by: &str) -> Result<(Outcome, String), CommandError> {
        Err(CommandError::NotNow("the engine cannot do this yet".into()))
    }

    /// Tells of a stretch in which nobody was looking; called once after a start that follows an earlier run, before the
    /// first step. `clean`: whether the machine (if it restarted) or else the agent stopped in an orderly way; none: not known.
    pub fn after_gap(&mut self, _gap: &GapRow, _machine_restarted: bool, _clean: Option<bool>, _at: Stamp) -> Outcome {
        Outcome::default()
    }

    /// The present, in words and conditions.
    pub fn standing(&self) -> Standing {
        Standing::default()
    }

    /// Grows whenever [`Engine::standing`] would answer something new.
    pub fn version(&self) -> u64 {
        0
    }

    /// What a later start needs to go on from here.
    pub fn state(&self) -> EngineState {
        self.state.clone()
    }
}
