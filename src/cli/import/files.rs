//! A file that is brought in: read, judged, and told.

use crate::analysis::recorded::signals::Series;
use crate::analysis::recorded::{Layout, Refused, faults, signals, table};
use crate::cli::Failure;
use crate::model::rows::{ImportRow, ImportedFault};
use crate::model::{Span, UnixMs, zone_name};
use crate::report::paper::clean;
use crate::report::say::{count, sentence_start, zoned};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// Refused rows that are listed one by one.
const LISTED: usize = 100;

/// What a file holds.
pub enum Content {
    /// Signals.
    Signals(Vec<Series>),
    /// Faults.
    Faults(Vec<ImportedFault>),
}

/// A file that can be brought in.
pub struct File {
    path: PathBuf,
    /// What it holds.
    pub content: Content,
    /// Rows and cells that were left out.
    pub refused: Vec<Refused>,
    notes: Vec<String>,
    rows: usize,
    /// SHA-256 of its content and of how it was read.
    pub digest: String,
    /// SHA-256 of its content alone.
    pub content_digest: String,
    how: Value,
    zone: jiff::tz::TimeZone,
}

/// Refuses a form of times that no time can have.
///
/// # Errors
/// What is wrong with it.
pub fn check_format(format: &str) -> Result<(), Failure> {
    // An instant written and read back by the form shows whether the form is one.
    let sample = jiff::civil::date(2026, 1, 12).at(22, 14, 3, 0).to_zoned_datetime(jiff::tz::TimeZone::UTC);
    let fine = sample.and_then(|z| {
        let text = jiff::fmt::strtime::format(format, &z)?;
        jiff::fmt::strtime::parse(format, text)?.to_date()
    });
    fine.map(|_| ()).map_err(|e| {
        Failure(format!("`{format}` is no form of times with a date ({e}): expected such as `%d.%m.%Y %H:%M:%S`"))
    })
}

impl File {
    /// Reads and judges it.
    ///
    /// # Errors
    /// A file that cannot be read, or holds nothing that can be used.
    pub fn read(path: &Path, is_faults: bool, layout: &Layout, holds: Span) -> Result<File, Failure> {
        let named = |why: &dyn std::fmt::Display| {
            let why: Vec<String> = why.to_string().lines().map(clean).collect();
            Failure(format!("`{}` cannot be brought in: {}", path.display(), why.join("\n")))
        };
        let size = std::fs::metadata(path).map_err(|e| named(&e))?;
        if size.is_dir() {
            return Err(named(&"it is a folder; name the file in it"));
        }
        if size.len() > table::LARGEST as u64 {
            return Err(named(&"it is larger than 1 GiB; cut it into seasons"));
        }
        let bytes = std::fs::read(path).map_err(|e| named(&e))?;
        let zone = layout.zone.clone();
        let zone_stated = zone.as_ref().and_then(zone_name).unwrap_or_else(|| "UTC".into());
        let how = json!({
            "is": if is_faults { "faults" } else { "signals" },
            "zone": zone_stated,
            "holds_ms": holds.0,
            "shift_ms": layout.shift_ms,
            "skip_lines": layout.skip_lines,
            "time_format": layout.time_format,
            "maps": layout.maps.iter().map(|m| format!("{m:?}")).collect::<Vec<_>>(),
        });
        let hex = |s: Sha256| s.finalize().iter().map(|b| format!("{b:02x}")).collect::<String>();
        let mut sum = Sha256::new();
        sum.update(&bytes);
        let content_digest = hex(sum.clone());
        sum.update(how.to_string().as_bytes());
        let digest = hex(sum);
        let (content, refused, notes, rows) = if is_faults {
            let l = faults::read(&bytes, layout).map_err(|e| named(&e))?;
            (Content::Faults(l.faults), l.refused, l.notes, l.rows)
        } else {
            let r = signals::read(&bytes, layout).map_err(|e| named(&e))?;
            (Content::Signals(r.series), r.refused, r.notes, r.rows)
        };
        let zone = zone.unwrap_or(jiff::tz::TimeZone::UTC);
        let f = File { path: path.into(), content, refused, notes, rows, digest, content_digest, how, zone };
        if f.entries() == 0 {
            let why = match (is_faults, f.refused.is_empty()) {
                (_, false) => format!("no row of it can be used\n{}", f.list_refused()),
                (true, true) => "it lists no fault".into(),
                (false, true) => "it has a heading and no reading".into(),
            };
            return Err(named(&why));
        }
        Ok(f)
    }

    /// Its name for people.
    pub fn shown(&self) -> String {
        format!("`{}`", self.path.display())
    }

    /// How the same content was read when it was brought in with other times, as the words of the command that differ now; none if it was
    /// not.
    pub fn read_otherwise(&self, notes: &[ImportRow]) -> Option<String> {
        let was = &notes.iter().rev().find(|n| n.summary["content"] == self.content_digest)?.summary;
        let now = self.summary();
        if (&was["first_ms"], &was["last_ms"]) == (&now["first_ms"], &now["last_ms"]) {
            return None;
        }
        let mut words = vec![];
        let differ = |key: &str| was[key] != now[key];
        if differ("zone") {
            words.push(format!("--zone '{}'", was["zone"].as_str().unwrap_or("UTC")));
        }
        if differ("shift_ms") {
            words.push(format!("--shift '{}'", Span(was["shift_ms"].as_i64().unwrap_or_default())));
        }
        if differ("time_format") {
            words.push(
                was["time_format"].as_str().map_or("no --time-format".into(), |f| format!("--time-format '{f}'")),
            );
        }
        if differ("skip_lines") {
            words.push(format!("--skip-lines {}", was["skip_lines"]));
        }
        if words.is_empty() {
            words.push("the --map of that time".into());
        }
        Some(words.join(" "))
    }

    /// Its name in the store.
    pub fn source(&self) -> String {
        let name = self.path.file_name().map_or_else(|| "file".into(), |n| n.to_string_lossy().into_owned());
        name.chars().filter(|c| !c.is_control()).take(200).collect()
    }

    /// Readings or faults in it.
    pub fn entries(&self) -> u64 {
        match &self.content {
            Content::Signals(s) => s.iter().map(|s| s.values.len() as u64).sum(),
            Content::Faults(f) => f.len() as u64,
        }
    }

    fn ends(&self) -> Option<(UnixMs, UnixMs)> {
        match &self.content {
            Content::Signals(s) => {
                let ends = s.iter().filter_map(|s| Some((s.values.first()?.0, s.values.last()?.0)));
                ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
            }
            Content::Faults(f) => Some((f.first()?.from, f.last()?.from)),
        }
    }

    /// What it holds, in a few lines.
    pub fn opening(&self) -> String {
        let entries = usize::try_from(self.entries()).unwrap_or(usize::MAX);
        let what = match &self.content {
            Content::Signals(s) => {
                let names: Vec<&str> = s.iter().map(|s| s.signal.as_str()).collect();
                let shown = match names.as_slice() {
                    [head @ .., _, _, _] if head.len() > 3 => {
                        format!("{} and {} more", names[..4].join(", "), names.len() - 4)
                    }
                    all => all.join(", "),
                };
                format!("{} of {shown}", count(entries, "reading"))
            }
            Content::Faults(_) => count(entries, "fault"),
        };
        let when = self.ends().map_or(String::new(), |(a, b)| {
            let at = |t| zoned(t, &self.zone).strftime("%-d %B %Y %H:%M").to_string();
            format!(", {} to {} ({})", at(a), at(b), self.how["zone"].as_str().unwrap_or("UTC"))
        });
        let mut out = format!("{}: {}, {what}{when}.", self.shown(), count(self.rows, "row"));
        for n in &self.notes {
            out += &format!("\n  {}.", sentence_start(&clean(n)));
        }
        if !self.refused.is_empty() {
            out += &format!(
                "\n  {} could not be used; they are listed.",
                count(self.refused.len(), "row or cell|rows or cells")
            );
        }
        out
    }

    /// Every row that was left out, with its line and the reason; beyond a hundred, those that follow are summed up by reason.
    pub fn list_refused(&self) -> String {
        let mut lines = vec![format!("{}: left out:", self.shown())];
        for r in self.refused.iter().take(LISTED) {
            lines.push(format!("  line {}: {}", r.line, clean(&r.reason)));
        }
        if let [first, .., last] | [first @ last] = &self.refused[LISTED.min(self.refused.len())..] {
            let more = self.refused.len() - LISTED;
            lines.push(format!(
                "  {more} more, from line {} ({}) to line {} ({})",
                first.line,
                clean(&first.reason),
                last.line,
                clean(&last.reason)
            ));
        }
        lines.join("\n")
    }

    /// For the note in the store.
    pub fn summary(&self) -> Value {
        let mut s = self.how.clone();
        let ends = self.ends();
        s["content"] = self.content_digest.clone().into();
        s["rows"] = self.rows.into();
        s["entries"] = self.entries().into();
        s["left_out"] = self.refused.len().into();
        s["first_ms"] = ends.map(|e| e.0.0).into();
        s["last_ms"] = ends.map(|e| e.1.0).into();
        if let Content::Signals(all) = &self.content {
            s["signals"] = all.iter().map(|s| s.signal.as_str()).collect::<Vec<_>>().into();
        }
        s
    }
}
