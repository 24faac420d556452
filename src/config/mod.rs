//! The configuration: the checked model that the other rooms use, loading from TOML, and checking.
//!
//! Every error names file, line, key, what was expected and a remedy; all errors come in one go. Touches no other source
//! than the file it is told to read.

pub mod builtin;
pub mod human;
pub mod model;
pub mod paths;
pub mod words;

pub use model::Config;
