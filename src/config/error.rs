//! What is wrong with a configuration: file, line, key, what was expected, and a remedy. Every error of a file in one go.

use super::words::fill;
use std::cell::RefCell;
use std::fmt;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// One thing wrong with a configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConfigError {
    /// The file; none when the text came from no file.
    pub file: Option<PathBuf>,
    /// Line, counted from 1; 0 when the file as a whole is meant.
    pub line: usize,
    /// Column in characters, counted from 1; 0 when the file as a whole is meant.
    pub column: usize,
    /// Full key such as `link.house.every`; empty when the file as a whole is meant.
    pub key: String,
    /// What is wrong, lower case, with the offending value in backticks.
    pub problem: String,
    /// What was expected there.
    pub expected: String,
    /// The way out.
    pub remedy: String,
}

impl ConfigError {
    /// An error about the file as a whole.
    pub fn whole(
        file: &Path,
        problem: impl Into<String>,
        expected: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        ConfigError {
            file: Some(file.into()),
            line: 0,
            column: 0,
            key: String::new(),
            problem: problem.into(),
            expected: expected.into(),
            remedy: remedy.into(),
        }
    }

    /// Where it stands: `tilldawn.toml, line 12, link.house.every`.
    pub fn place(&self) -> String {
        let mut at = self.file.as_ref().map_or_else(|| "configuration".into(), |f| f.display().to_string());
        if self.line > 0 {
            at.push_str(&format!(", line {}", self.line));
        }
        if !self.key.is_empty() {
            at.push_str(&format!(", {}", self.key));
        }
        at
    }

    /// The error over several lines, for a person at a terminal.
    pub fn in_full(&self) -> String {
        let line = |what: &str, text: &str| fill(4, &format!("{what}{text}"));
        format!(
            "{}\n{}{}{}",
            self.place(),
            line("", &self.problem),
            line("expected: ", &self.expected),
            line("remedy: ", &self.remedy)
        )
    }
}

/// The error on one line, for logs and events.
impl fmt::Display for ConfigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; expected {}; {}", self.place(), self.problem, self.expected, self.remedy)
    }
}

impl std::error::Error for ConfigError {}

/// Gathers errors while a text is read.
pub(super) struct Errors<'a> {
    text: &'a str,
    file: Option<&'a Path>,
    found: RefCell<Vec<(usize, ConfigError)>>,
}

impl<'a> Errors<'a> {
    pub fn new(text: &'a str, file: Option<&'a Path>) -> Errors<'a> {
        Errors { text, file, found: RefCell::default() }
    }

    /// Notes an error at this stretch of the text.
    pub fn add(
        &self,
        at: &Range<usize>,
        key: &str,
        problem: impl Into<String>,
        expected: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let (line, column) = line_and_column(self.text, at.start);
        let error = ConfigError {
            file: self.file.map(Path::to_path_buf),
            line,
            column,
            key: key.into(),
            problem: problem.into(),
            expected: expected.into(),
            remedy: remedy.into(),
        };
        self.found.borrow_mut().push((at.start, error));
    }

    /// Every error, in the order of the text, each once.
    pub fn into_list(self) -> Vec<ConfigError> {
        let mut found = self.found.into_inner();
        found.sort_by_key(|(at, _)| *at);
        let mut list: Vec<ConfigError> = Vec::with_capacity(found.len());
        for (_, e) in found {
            if !list.contains(&e) {
                list.push(e);
            }
        }
        list
    }
}

/// Line and column of a byte offset, both counted from 1; an offset past the end is the end.
pub(super) fn line_and_column(text: &str, offset: usize) -> (usize, usize) {
    let mut at = offset.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |i| i + 1);
    (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
}

/// The known word that is nearest to `word`, if it is near enough to be meant. Dotted parts that are the same count for
/// nothing, so that `temperature.tube` is not near to `temperature.box`.
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let far = |k: &str| {
        // `house` for `link.house`: the whole word is there, only the kind is missing.
        if k.split('.').any(|part| part == word) {
            return Some(0);
        }
        let (mut a, mut b) = (word, k);
        while let (Some((x, a_rest)), Some((y, b_rest))) = (a.split_once('.'), b.split_once('.')) {
            if x != y {
                break;
            }
            (a, b) = (a_rest, b_rest);
        }
        let d = strsim::damerau_levenshtein(a, b);
        (d <= (a.chars().count().max(b.chars().count()) / 3).max(1)).then_some(d)
    };
    known.into_iter().filter_map(|k| far(k).map(|d| (d, k))).min().map(|(_, k)| k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_count_from_one_and_columns_in_characters() {
        let t = "a\nü = 1\n";
        assert_eq!(line_and_column(t, 0), (1, 1));
        assert_eq!(line_and_column(t, 3), (2, 1), "inside a character is its start");
        assert_eq!(line_and_column(t, 5), (2, 3));
        assert_eq!(line_and_column(t, 999), (3, 1));
    }

    #[test]
    fn the_nearest_name_is_proposed_only_when_near() {
        let known = ["link.house", "link.gateway", "program.mount"];
        assert_eq!(nearest("link.huose", known), Some("link.house"));
        assert_eq!(nearest("mount", known), Some("program.mount"));
        assert_eq!(nearest("temperature.box", known), None);
        assert_eq!(nearest("temperature.tubes", ["temperature.box"]), None);
        assert_eq!(nearest("link.house.los", ["link.house.loss", "link.house"]), Some("link.house.loss"));
    }
}
