//! What one cycle of the agent hands to the engine and then to the store.

use super::{Event, Reading, Stamp};

/// All readings and events that arrived since the last batch. `at` is the instant of judging, not before any event in it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    /// The instant at which the batch is judged.
    pub at: Stamp,
    /// Readings, each with its own time.
    pub readings: Vec<Reading>,
    /// Events, each with its own time; the engine orders them.
    pub events: Vec<Event>,
}
