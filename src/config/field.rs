//! One value of a configuration, read as what is wanted there; what does not fit is noted with its place and a remedy.

use super::human::{self, BadQuantity};
use super::section::{Section, Source};
use crate::model::{Name, Span};
use std::ops::Range;
use std::path::PathBuf;
use toml::de::DeValue;

/// A value of a table.
pub(super) struct Field<'a> {
    pub(super) source: &'a Source<'a>,
    /// `link.house.every`
    pub path: String,
    pub(super) pattern: String,
    /// Where the value stands.
    pub at: Range<usize>,
    pub(super) value: &'a DeValue<'a>,
}

pub(super) fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.into() } else { format!("{path}.{key}") }
}

/// The value as it was written, short enough for a message.
fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(s) => s.chars().take(80).collect(),
        DeValue::Integer(i) => i.as_str().chars().take(40).collect(),
        DeValue::Float(f) => f.as_str().chars().take(40).collect(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::Datetime(d) => d.to_string(),
        DeValue::Array(_) => "[…]".into(),
        DeValue::Table(_) => "{…}".into(),
    }
}

impl<'a> Field<'a> {
    /// Notes an error about this value.
    pub fn wrong(&self, problem: impl Into<String>, expected: impl Into<String>, remedy: impl Into<String>) {
        self.source.errors.add(&self.at, &self.path, problem, expected, remedy);
    }

    /// Notes that the value is no quantity of the wanted kind.
    pub fn bad(&self, e: BadQuantity, example: &str) {
        self.wrong(e.problem, e.expected, format!("write {} = \"{example}\"", self.last()));
    }

    /// The value as it was written.
    pub fn shown(&self) -> String {
        shown(self.value)
    }

    /// The last part of the key.
    pub fn last(&self) -> &str {
        self.path.rsplit('.').next().unwrap_or(&self.path)
    }

    fn of_another_kind(&self, expected: &str, example: &str) {
        let kind = match self.value {
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::String(_) => "a text",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let problem = format!("`{}` is {kind}", self.shown());
        self.wrong(problem, expected, format!("write {} = {example}", self.last()));
    }

    pub fn as_str(&self) -> Option<&'a str> {
        self.value.as_str()
    }

    /// A text that is not empty.
    pub fn text(&self, expected: &str) -> Option<String> {
        match self.value.as_str() {
            Some(t) if t.trim().is_empty() => {
                self.wrong("the text is empty", expected, "fill it in, or take the line out");
                None
            }
            Some(t) if t.contains(|c: char| c.is_control()) => {
                self.wrong("the text contains a line end or control character", expected, "write it on one line");
                None
            }
            Some(t) => Some(t.into()),
            None => {
                self.of_another_kind(expected, "\"…\"");
                None
            }
        }
    }

    pub fn flag(&self) -> Option<bool> {
        if let DeValue::Boolean(b) = self.value {
            return Some(*b);
        }
        self.of_another_kind("true or false, without quotes", "true");
        None
    }

    /// A number without a unit, if it is one.
    pub fn number(&self) -> Option<f64> {
        match self.value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|v| v as f64),
            DeValue::Float(f) => f.as_str().replace('_', "").parse().ok().filter(|v: &f64| v.is_finite()),
            _ => None,
        }
    }

    /// A whole number within limits.
    pub fn whole(&self, least: i64, most: i64) -> Option<i64> {
        let expected = format!("a whole number from {least} to {most}");
        let v = match self.value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).unwrap_or(i64::MAX),
            _ => {
                self.of_another_kind(&expected, &least.to_string());
                return None;
            }
        };
        if (least..=most).contains(&v) {
            return Some(v);
        }
        let near = if v < least { least } else { most };
        self.wrong(
            format!("`{}` is not possible here", self.shown()),
            expected,
            format!("write {} = {near}", self.last()),
        );
        None
    }

    /// A number within limits, plain or with one of these endings (`12`, `12°`, `420 m`), each with its factor.
    pub fn number_in(&self, least: f64, most: f64, endings: &[(&str, f64)], example: &str) -> Option<f64> {
        let unit = endings.first().map_or(String::new(), |(u, _)| format!(", with or without {u}"));
        let expected = format!("a number from {least} to {most}{unit}");
        let with_ending = || {
            let t = self.value.as_str()?.trim();
            endings.iter().find_map(|(u, factor)| {
                let v: f64 = t.strip_suffix(u)?.trim_end().replace('−', "-").parse().ok()?;
                v.is_finite().then_some(v * factor)
            })
        };
        let Some(v) = self.number().or_else(with_ending) else {
            self.wrong(
                format!("`{}` does not fit", self.shown()),
                expected,
                format!("write {} = {example}", self.last()),
            );
            return None;
        };
        if (least..=most).contains(&v) {
            return Some(v);
        }
        self.wrong(
            format!("`{}` is not possible here", self.shown()),
            expected,
            format!("write your own, such as {} = {example}", self.last()),
        );
        None
    }

    /// A length of time within limits.
    pub fn span(&self, least: Span, most: Span) -> Option<Span> {
        let example = if least.0 > 60_000 { least.to_string() } else { "30 s".into() };
        let Some(t) = self.value.as_str() else {
            let n = self.shown();
            let example = if self.number().is_some() { format!("\"{n} s\"") } else { format!("\"{example}\"") };
            self.of_another_kind("a length of time with its unit, in quotes", &example);
            return None;
        };
        match human::span(t) {
            Ok(s) if (least..=most).contains(&s) => Some(s),
            Ok(s) => {
                let near = if s < least { least } else { most };
                self.wrong(
                    format!("`{t}` is not possible here"),
                    format!("a length of time from {least} to {most}"),
                    format!("write {} = \"{near}\"", self.last()),
                );
                None
            }
            Err(e) => {
                self.bad(e, &example);
                None
            }
        }
    }

    /// A path: absolute, from the home folder (`~/…`), or from the folder of the configuration file.
    pub fn path(&self) -> Option<PathBuf> {
        let t = self.text("a path in quotes")?;
        self.whole_path(&t)
    }

    /// The absolute form of a path that was written.
    pub fn whole_path(&self, t: &str) -> Option<PathBuf> {
        if let Some(rest) = t.strip_prefix("~/") {
            if let Some(home) = &self.source.home {
                return Some(home.join(rest));
            }
            self.wrong(
                format!("`{t}` starts at the home folder, and there is none here"),
                "a path in quotes",
                "write the path from the root on",
            );
            return None;
        }
        let path = PathBuf::from(t);
        Some(match self.source.folder {
            // A sound device or drive of another system (`/dev/…` checked on Windows) stays as it is.
            Some(folder) if path.is_relative() && !t.starts_with('/') => folder.join(path),
            _ => path,
        })
    }

    /// A list of texts, each with its place.
    pub fn texts(&self, expected: &str) -> Option<Vec<(String, Range<usize>)>> {
        let Some(list) = self.value.as_array() else {
            self.of_another_kind(expected, "[\"…\", \"…\"]");
            return None;
        };
        let mut all = Vec::with_capacity(list.len());
        let mut good = true;
        for item in list.iter() {
            match item.get_ref().as_str() {
                Some(t) if !t.is_empty() => all.push((t.to_owned(), item.span())),
                _ => {
                    self.source.errors.add(
                        &item.span(),
                        &self.path,
                        format!("`{}` does not fit in this list", shown(item.get_ref())),
                        expected,
                        "write each part in quotes of its own",
                    );
                    good = false;
                }
            }
        }
        good.then_some(all)
    }

    /// A program and its arguments: a list that is not empty.
    pub fn command(&self) -> Option<Vec<String>> {
        let expected = "a list of the program and its arguments, each in quotes (no shell reads it)";
        let all: Vec<String> = self.texts(expected)?.into_iter().map(|(t, _)| t).collect();
        if all.is_empty() {
            self.wrong("the list is empty", expected, "name the program, or take the line out");
            return None;
        }
        Some(all)
    }

    /// A list of names (or one name), each with its place.
    pub fn names(&self) -> Option<Vec<(Name, Range<usize>)>> {
        let expected = "a list of names such as [\"program.mount\"]";
        let all = match self.value.as_str() {
            Some(one) => vec![(one.to_owned(), self.at.clone())],
            None => self.texts(expected)?,
        };
        let mut names = Vec::with_capacity(all.len());
        for (t, at) in all {
            match Name::new(&t) {
                Ok(n) => names.push((n, at)),
                Err(_) => self.source.errors.add(
                    &at,
                    &self.path,
                    format!("`{t}` is not a name"),
                    "two or three parts of a–z, 0–9, - or _, joined by dots, such as `program.mount`",
                    "write the kind and the name as in the heading of its table, without brackets",
                ),
            }
        }
        Some(names)
    }

    /// The tables under this one: `[link.house]` under `link`, in the order of the text.
    pub fn sections(&self) -> Vec<(String, Section<'a>)> {
        let Some(table) = self.value.as_table() else {
            self.of_another_kind("tables with a name of their own", "… in a table of its own");
            return vec![];
        };
        let mut all = vec![];
        for (key, value) in table.iter() {
            let own = key.get_ref().to_string();
            match value.get_ref().as_table() {
                Some(inner) => all.push((
                    own.clone(),
                    Section::new(self.source, join(&self.path, &own), join(&self.pattern, "*"), key.span(), inner),
                )),
                None => self.source.errors.add(
                    &key.span(),
                    &join(&self.path, &own),
                    format!("`{own}` stands in no table of its own"),
                    format!("a heading with a name, such as [{}.house]", self.path),
                    format!("write [{}.NAME] above it, with a name of your choice", self.path),
                ),
            }
        }
        all.sort_by_key(|(_, s)| s.at.start);
        all
    }

    /// This one table.
    pub fn section(&self) -> Option<Section<'a>> {
        let Some(table) = self.value.as_table() else {
            self.of_another_kind("a table", &format!("… under a heading [{}]", self.path));
            return None;
        };
        Some(Section::new(self.source, self.path.clone(), self.pattern.clone(), self.at.clone(), table))
    }

    /// A list of tables: `[[log.guiding.pattern]]`, or `{ … }` in a list.
    pub fn section_list(&self) -> Vec<Section<'a>> {
        let Some(list) = self.value.as_array() else {
            self.of_another_kind("a list of tables", "[{ … }]");
            return vec![];
        };
        let mut all = vec![];
        for (i, item) in list.iter().enumerate() {
            match item.get_ref().as_table() {
                Some(table) => all.push(Section::new(
                    self.source,
                    format!("{}[{}]", self.path, i + 1),
                    self.pattern.clone(),
                    item.span(),
                    table,
                )),
                None => self.source.errors.add(
                    &item.span(),
                    &self.path,
                    format!("`{}` does not fit in this list", shown(item.get_ref())),
                    "a table such as { … }",
                    "write it in braces with its keys",
                ),
            }
        }
        all
    }
}
