//! The store: schema, writer thread, queries, roll-up, retention. The only room with SQL.
//!
//! One SQLite file. Readings are committed every few seconds to a journal and sealed into column pieces of ten minutes with their
//! figures beside them; minutes are kept for years in rows that any SQLite tool can read; alarms, events, sessions and incidents are
//! plain rows, committed at once. One thread owns the writing connection; views open read-only connections of their own.
//! Must not judge anything: what is stored is decided by the engine and the agent. No type of the database library leaves this room.

mod bytes;
mod column;
mod commit;
mod copy;
mod disk;
mod errors;
mod health;
mod import;
mod inbox;
mod journal;
mod keys;
pub mod leadup;
mod lock;
mod mark;
#[doc(hidden)]
pub mod measure;
mod merge;
mod minutes;
mod open;
mod options;
mod pending;
mod piece;
mod query_fine;
mod query_long;
mod query_rows;
mod reader;
mod redate;
mod remedy;
mod retention;
mod rows_in;
mod schema;
mod scribe;
mod seal;
mod upkeep;
mod words;
mod writer;

pub use copy::copy;
pub use errors::StoreError;
pub use health::look_for_damage;
pub use import::{Foreign, Import, Taken, Way};
pub use inbox::Write;
pub use lock::held_by;
pub use mark::mark;
pub use open::open;
pub use options::{LastRun, Opened, Options};
pub use reader::{Reader, Snapshot};
pub use remedy::{add_remedy, remove_remedy};
pub use writer::{Later, Writer};

#[cfg(test)]
mod tests;
