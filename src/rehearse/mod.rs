//! Invented nights with a known truth, through the real engine and the real store.

pub mod garden;
pub mod season;
pub mod truth;
