//! The morning report: what failed first in the night, what followed, what was going on before, what it cost, and what to
//! look at today.
//!
//! [`rows`] are gathered from the store, [`compose`] makes the [`model`] from them without touching anything else, and
//! text, HTML and JSON are made from the model alone.

pub mod before;
pub mod compose;
pub mod cost;
pub mod gather;
pub mod happened;
pub mod html;
pub mod json;
pub mod model;
pub mod opening;
pub mod pictures;
pub mod reasons;
pub mod rows;
pub mod scene;
pub mod text;
pub mod today;
pub mod unusual;
pub mod watched;

use super::settings::Settings;
use crate::model::Name;
use crate::model::rows::ChangeRow;

/// A change in words: "mount program version: 1.4 became 1.5".
pub(crate) fn change_words(settings: &Settings, c: &ChangeRow) -> String {
    let (head, rest) = c.what.split_once(' ').unwrap_or((&c.what, ""));
    let named = Name::new(head).map_or_else(|_| head.to_string(), |n| settings.title(&n));
    let what = if rest.is_empty() { named } else { format!("{named} {rest}") };
    match (c.old.is_empty(), c.new.is_empty()) {
        (false, false) => format!("{what}: {} became {}", c.old, c.new),
        (true, false) => format!("{what}: now {}", c.new),
        (false, true) => format!("{what}: {} is gone", c.old),
        (true, true) => format!("{what} changed"),
    }
}

#[cfg(test)]
pub(crate) mod sample;
#[cfg(test)]
mod tests;
