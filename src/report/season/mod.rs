//! The report on many nights: what the faults go with, and whether a remedy helped.
//!
//! [`mod@gather`] reads the season from the store, [`mod@compose`] has it judged and worded, and text, HTML and JSON are made from the
//! [`model`] alone. [`mod@freeze`] is what is fixed when a remedy is written down.

pub mod air;
mod between;
pub mod compose;
pub mod freeze;
pub mod gather;
mod html;
mod imported;
mod json;
pub mod model;
pub mod picture;
mod signals;
mod text;
mod words;

pub use compose::compose;
pub use gather::{Gathered, Wish, gather, zone_of};
pub use html::to_html;
pub use json::to_json;
pub use model::SeasonReport;
pub use text::to_text;
