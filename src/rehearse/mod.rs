//! Invented nights with a known truth, through the real engine and the real store.

mod evening;
pub mod garden;
pub mod pier;
pub mod run;
pub mod season;
pub mod truth;
