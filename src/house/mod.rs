//! The indoor side: asking field PCs, and following them.
//!
//! Owns the client of the agent's HTTP API, for the command line and for whoever follows a field PC. Must not read a store.

pub mod client;
mod pinned;

pub use client::{Address, Client, ClientError};
