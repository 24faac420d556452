//! The morning report: what failed first in the night, what followed, what was going on before, what it cost, and what to
//! look at today.
//!
//! [`rows`] are gathered from the store, [`compose`] makes the [`model`] from them without touching anything else, and
//! text, HTML and JSON are made from the model alone.

pub mod before;
pub mod compose;
pub mod cost;
pub mod drawing;
pub mod gather;
pub mod happened;
pub mod html;
pub mod json;
pub mod model;
pub mod opening;
pub mod pictures;
pub mod reasons;
pub mod rows;
pub mod said;
pub mod scene;
pub mod text;
pub mod today;
pub mod unusual;
pub mod watched;

pub use html::to_html;
pub use json::to_json;
pub use model::MorningReport;
pub use text::{incident_to_text, to_text};

use super::picture::NightPicture;
use super::settings::Settings;
use crate::model::rows::ChangeRow;
use crate::model::{Name, UnixMs};
use crate::night::Night;
use crate::store::{Reader, StoreError};
use gather::{Depth, gather};
use std::io;
use std::path::{Path, PathBuf};

/// The report of a night, as it stands at `written`.
///
/// # Errors
/// When the store cannot be read.
pub fn build(reader: &Reader, night: &Night, settings: Settings, written: UnixMs) -> Result<MorningReport, StoreError> {
    Ok(compose::compose(&gather(reader, night, settings, written, Depth::Full)?))
}

/// The picture of a night alone, for the page: reads no signal, so it is quick.
///
/// # Errors
/// When the store cannot be read.
pub fn picture(reader: &Reader, night: &Night, settings: Settings, now: UnixMs) -> Result<NightPicture, StoreError> {
    let rows = gather(reader, night, settings, now, Depth::Happenings)?;
    let incidents = happened::happened_plainly(&rows);
    Ok(pictures::night(&rows, &watched::alarms(&rows, &incidents)))
}

/// The report as JSON text.
pub fn to_json_text(r: &MorningReport) -> String {
    format!("{:#}\n", to_json(r))
}

/// Writes the report of a night into `folder` as `2026-01-12.html`, `.txt` and `.json`; each appears whole or not at all.
/// Writing the same night again replaces them. Gives the path of the HTML file.
///
/// # Errors
/// When the folder cannot be made or written to.
pub fn write_into(folder: &Path, r: &MorningReport) -> io::Result<PathBuf> {
    std::fs::create_dir_all(folder)?;
    let place = |ending: &str| folder.join(format!("{}.{ending}", r.night.date));
    super::write_whole(&place("txt"), to_text(r).as_bytes())?;
    super::write_whole(&place("json"), to_json_text(r).as_bytes())?;
    super::write_whole(&place("html"), to_html(r).as_bytes())?;
    Ok(place("html"))
}

/// An evening's date as it is said: "12 January".
pub(crate) fn quiet_words(date: &str) -> String {
    date.parse::<jiff::civil::Date>().map_or_else(|_| date.to_string(), |d| d.strftime("%-d %B").to_string())
}

/// What changed, with the title of the thing instead of its name: "mount program version" of `program.mount version`.
pub(crate) fn what_changed(settings: &Settings, what: &str) -> String {
    let (head, rest) = what.split_once(' ').unwrap_or((what, ""));
    let named = Name::new(head).map_or_else(|_| head.to_string(), |n| settings.title(&n));
    if rest.is_empty() { named } else { format!("{named} {rest}") }
}

/// A change in words: "mount program version: 1.4 became 1.5".
pub(crate) fn change_words(settings: &Settings, c: &ChangeRow) -> String {
    let what = what_changed(settings, &c.what);
    match (c.old.is_empty(), c.new.is_empty()) {
        (false, false) => format!("{what}: {} became {}", c.old, c.new),
        (true, false) => format!("{what}: now {}", c.new),
        (false, true) => format!("{what}: {} is gone", c.old),
        (true, true) => format!("{what} changed"),
    }
}

#[cfg(test)]
mod properties;
#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;
