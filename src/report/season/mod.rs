//! The report on many nights: what the faults go with, and whether a remedy helped.
//!
//! [`gather`] reads the season from the store, [`compose`] has it judged and worded, and text, HTML and JSON are made from the
//! [`model`] alone.

pub mod air;
pub mod freeze;
pub mod gather;
pub mod imported;
pub mod signals;
