//! Where a command's answer goes: a file that appears whole or not at all, or standard output.

use super::{Failure, say};
use std::path::Path;

/// Writes `text` to the file, or to standard output when none is named.
///
/// # Errors
/// When the file cannot be written.
pub fn put(file: Option<&Path>, text: &str) -> Result<(), Failure> {
    match file {
        Some(f) => crate::report::write_whole(f, text.as_bytes()).map_err(|e| {
            Failure::new(format!("`{}` cannot be written: {e}; name another place with --out", f.display()))
        }),
        None => {
            say::say(text);
            Ok(())
        }
    }
}
