//! The one stylesheet of page and reports: ink on paper by day, one red on black at night, black on white in print.
//!
//! Classes and custom properties only; nothing in the program writes a `style` attribute, so that a strict content
//! security policy holds.

/// The stylesheet itself. The page serves it as a file; reports carry it inside.
pub const STYLE: &str = include_str!("look.css");
