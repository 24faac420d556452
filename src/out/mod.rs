//! Acts and words that leave the agent: commands that a rule may run, off unless configured.

pub mod notice;
pub mod policy;
pub mod runner;
