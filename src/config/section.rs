//! One table of a configuration, read key by key. Notes which keys were asked for, so that the others are unknown keys.

use super::error::{Errors, nearest};
use super::field::{Field, join};
use crate::model::{Name, Span};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// What all sections of one text share.
pub(super) struct Source<'a> {
    /// Where errors are gathered.
    pub errors: Errors<'a>,
    /// The folder of the configuration file: relative paths start there.
    pub folder: Option<&'a Path>,
    /// The home folder, for `~/`.
    pub home: Option<PathBuf>,
    /// Every key that was asked for, with `*` for names: what the annotated example must show.
    pub asked: RefCell<BTreeSet<String>>,
}

/// A table.
pub(super) struct Section<'a> {
    pub source: &'a Source<'a>,
    /// `link.house`
    pub path: String,
    /// `link.*`
    pattern: String,
    /// Where its heading stands.
    pub at: Range<usize>,
    table: &'a DeTable<'a>,
    asked: RefCell<Vec<&'static str>>,
}

impl<'a> Section<'a> {
    pub fn root(source: &'a Source<'a>, table: &'a DeTable<'a>) -> Section<'a> {
        Section::new(source, String::new(), String::new(), 0..0, table)
    }

    pub fn new(
        source: &'a Source<'a>,
        path: String,
        pattern: String,
        at: Range<usize>,
        table: &'a DeTable<'a>,
    ) -> Section<'a> {
        Section { source, path, pattern, at, table, asked: RefCell::default() }
    }

    /// The value of `key`, if it is there.
    pub fn get(&self, key: &'static str) -> Option<Field<'a>> {
        let mut asked = self.asked.borrow_mut();
        if !asked.contains(&key) {
            asked.push(key);
            self.source.asked.borrow_mut().insert(join(&self.pattern, key));
        }
        let value = self.table.get(key)?;
        Some(Field {
            source: self.source,
            path: join(&self.path, key),
            pattern: join(&self.pattern, key),
            at: value.span(),
            value: value.get_ref(),
        })
    }

    /// Whether `key` is there.
    pub fn has(&self, key: &'static str) -> bool {
        self.get(key).is_some()
    }

    /// The full name of a key of this table.
    pub fn key(&self, key: &str) -> String {
        join(&self.path, key)
    }

    /// Reports every key that nobody asked for.
    pub fn finish(self) {
        let asked = self.asked.into_inner();
        for key in self.table.keys() {
            let word = key.get_ref().as_ref();
            if asked.contains(&word) {
                continue;
            }
            let remedy = match nearest(word, asked.iter().copied()) {
                Some(near) => format!("write `{near}`, or take the line out"),
                None => "take the line out".into(),
            };
            let here = if self.path.is_empty() { "at the top" } else { "here" };
            self.source.errors.add(
                &key.span(),
                &join(&self.path, word),
                format!("`{word}` is not known {here}"),
                format!("one of {}", asked.join(", ")),
                remedy,
            );
        }
    }

    /// Notes an error about this table as a whole.
    pub fn wrong(&self, problem: impl Into<String>, expected: impl Into<String>, remedy: impl Into<String>) {
        self.source.errors.add(&self.at, &self.path, problem, expected, remedy);
    }

    pub fn text(&self, key: &'static str) -> Option<String> {
        self.get(key)?.text("a text in quotes")
    }
    pub fn flag(&self, key: &'static str) -> Option<bool> {
        self.get(key)?.flag()
    }
    pub fn span(&self, key: &'static str, least: Span, most: Span) -> Option<Span> {
        self.get(key)?.span(least, most)
    }
    pub fn whole(&self, key: &'static str, least: i64, most: i64) -> Option<i64> {
        self.get(key)?.whole(least, most)
    }
    pub fn path(&self, key: &'static str) -> Option<PathBuf> {
        self.get(key)?.path()
    }
    pub fn names(&self, key: &'static str) -> Option<Vec<(Name, Range<usize>)>> {
        self.get(key)?.names()
    }
}
