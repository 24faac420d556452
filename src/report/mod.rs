//! The morning report and the report on many nights: model first, then text, HTML, JSON. Also the pictures.
//!
//! Reads through `store` queries only. Everything that draws or words something is pure and works from plain data; only
//! the functions that say so touch the store or a file.

pub mod apart;
pub mod export;
mod file;
pub mod leadup;
pub mod learned;
pub mod look;
pub mod morning;
pub mod paper;
pub mod picture;
pub mod say;
pub mod season;
pub mod settings;
mod sheet;

pub use file::{WholeFile, write_whole};
