//! Plain data that every room shares: time, names, units, signals, readings, events, alarms, sessions, incidents.
//!
//! Owns the words of the program. Must not read a clock, a file, a socket or a database, and imports nothing of ours. Time zones
//! come from the database of the `jiff` crate.

pub mod alarm;
pub mod batch;
pub mod command;
pub mod event;
pub mod incident;
pub mod leadup;
pub mod live;
pub mod name;
pub mod outcome;
pub mod reading;
pub mod rows;
pub mod session;
pub mod signal;
pub mod time;
pub mod unit;
pub mod zone;

pub use alarm::{AlarmChange, AlarmId, Condition, Priority, Transition};
pub use batch::Batch;
pub use command::Command;
pub use event::{Event, EventKind};
pub use incident::{FaultKind, Incident, Mark, MarkKind};
pub use live::Live;
pub use name::Name;
pub use outcome::{ActionWish, Notice, NoticeKind, Outcome};
pub use reading::{Reading, Value, Why, WhyCode};
pub use session::{Session, SessionEnd, SessionStart};
pub use signal::{BySignal, SignalDef, SignalId, Signals};
pub use time::{BootMs, Span, Stamp, UnixMs};
pub use unit::Unit;
pub use zone::{zone_name, zone_named, zone_said};
