//! `tilldawn` keeps an unattended telescope computer honest: it runs on the small field PC beside the mount, sees every
//! dropout, hang and crash through the night, writes the morning fault report, and over many nights works out what the
//! faults go with and whether a remedy really helped.
//!
//! Data flows one way: probe → reading → engine → store → views. The rooms and their layers are in DEVELOPERS.md.

pub mod agent;
pub mod analysis;
pub mod cli;
pub mod clock;
pub mod config;
pub mod engine;
pub mod house;
pub mod http;
pub mod model;
pub mod night;
pub mod out;
pub mod probe;
pub mod rehearse;
pub mod report;
pub mod store;
