//! A number out of text: the text itself, or what stands at a JSON pointer (RFC 6901) in it.

use super::{Raw, RawSource};
use crate::model::{Span, Stamp, Why, WhyCode};
use std::io::Read;
use std::path::PathBuf;
use std::time::UNIX_EPOCH;

/// Longest text that is looked at, in bytes.
pub const LONGEST: usize = 64 * 1024;

/// The number in `text`. Without a pointer the text is the number, with white space around it and perhaps a unit behind it
/// (`12.5`, `12.5 °C`, `12,5`); with one, the JSON value there is a number or a text of that form.
///
/// # Errors
/// What was found instead.
pub fn number_in(text: &[u8], pointer: Option<&str>) -> Result<f64, Why> {
    let garbled = |t: String| Why::new(WhyCode::Garbled, t);
    let text = String::from_utf8_lossy(&text[..text.len().min(LONGEST)]);
    let Some(pointer) = pointer else {
        return plain(&text).ok_or_else(|| garbled(format!("no number in {}", quoted(&text))));
    };
    let json: serde_json::Value =
        serde_json::from_str(&text).map_err(|e| garbled(format!("no JSON in {}: {e}", quoted(&text))))?;
    let at = json.pointer(pointer).ok_or_else(|| garbled(format!("nothing at `{pointer}` in {}", quoted(&text))))?;
    match at {
        serde_json::Value::Number(n) => n.as_f64(),
        serde_json::Value::String(s) => plain(s),
        _ => None,
    }
    .ok_or_else(|| garbled(format!("`{pointer}` holds {}, not a number", quoted(&at.to_string()))))
}

fn plain(text: &str) -> Option<f64> {
    let t = text.trim_start_matches('\u{feff}').trim();
    let end = t.find(|c: char| !(c.is_ascii_digit() || "+-.,eE−".contains(c))).unwrap_or(t.len());
    let (digits, behind) = t.split_at(end);
    // Only a unit may follow: `12.5 °C`, but not `12.5 13.5`.
    if behind.trim().chars().any(|c| c.is_ascii_digit()) || behind.trim().chars().count() > 8 {
        return None;
    }
    let digits = digits.replace('−', "-");
    let digits = if digits.contains('.') { digits } else { digits.replacen(',', ".", 1) };
    digits.parse().ok().filter(|v: &f64| v.is_finite())
}

fn quoted(text: &str) -> String {
    let t = text.trim();
    let short: String = t.chars().take(40).collect();
    if t.is_empty() {
        "an empty text".into()
    } else if short.len() < t.len() {
        format!("`{short}…`")
    } else {
        format!("`{short}`")
    }
}

/// A file whose text holds the number. Its age is the time since it was last written.
pub struct File {
    path: PathBuf,
    pointer: Option<String>,
}

impl File {
    /// The file at `path`.
    pub fn new(path: PathBuf, pointer: Option<String>) -> File {
        File { path, pointer }
    }
}

impl RawSource for File {
    fn read(&mut self, at: Stamp) -> Result<Raw, Why> {
        let what = format!("`{}`", self.path.display());
        let io = |e: &std::io::Error| Why::from_io(&what, e);
        let file = std::fs::File::open(&self.path).map_err(|e| io(&e))?;
        let age = file
            .metadata()
            .and_then(|m| m.modified())
            .ok()
            .and_then(|t| t.duration_since(UNIX_EPOCH).ok())
            .map_or(Span::ZERO, |t| Span((at.wall.0 - Span::from(t).0).max(0)));
        let mut text = Vec::new();
        file.take(LONGEST as u64).read_to_end(&mut text).map_err(|e| io(&e))?;
        // Files of the kernel are written anew at each reading; their time stamps mean nothing.
        let age = if self.path.starts_with("/sys") || self.path.starts_with("/proc") { Span::ZERO } else { age };
        Ok(Raw { number: number_in(&text, self.pointer.as_deref())?, age })
    }
}
