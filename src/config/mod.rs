//! The configuration: the checked model that the other rooms use, loading from TOML, and checking.
//!
//! Every error names file, line, key, what was expected and a remedy; all errors come in one go. Touches no other source
//! than the file it is told to read.

mod arrivals;
pub mod builtin;
pub mod defaults;
mod error;
mod field;
pub mod human;
mod load;
pub mod model;
mod net;
mod outward;
pub mod paths;
mod refer;
mod rules;
mod section;
mod sensors;
pub mod signals;
mod things;
pub mod words;

pub use error::{ConfigError, nearest};
pub use load::{load, parse, reload};
pub use model::Config;
pub use words::diff;
