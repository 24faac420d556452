//! Damage: looked for in the background and on every error, and what is done about it.
//!
//! A damaged store is never deleted and never written to again. It is renamed to `NAME.damaged-TIME` together with its log, and the
//! agent goes on in a new file under the old name.

use super::errors::{At, StoreError};
use super::lock::beside;
use super::schema;
use rusqlite::{Connection, OpenFlags};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Stores in which a reader of this process met damage.
static SUSPECTS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// Told by a reader that met damage.
pub(super) fn suspect(path: &Path) {
    let mut s = SUSPECTS.lock().unwrap_or_else(PoisonError::into_inner);
    if s.len() < 16 && !s.iter().any(|p| p == path) {
        s.push(path.into());
    }
}

/// Whether a reader met damage in this store since the last call.
pub(super) fn is_suspect(path: &Path) -> bool {
    let mut s = SUSPECTS.lock().unwrap_or_else(PoisonError::into_inner);
    let before = s.len();
    s.retain(|p| p != path);
    s.len() < before
}

/// Looks through the whole store for damage, on a connection of its own. Slow: for a thread of its own.
///
/// # Errors
/// [`StoreError::Damaged`] with the first finding, or why it could not be read.
pub fn look_for_damage(path: &Path) -> Result<(), StoreError> {
    let c = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)
        .at(path)?;
    c.busy_timeout(schema::PATIENCE).at(path)?;
    schema::prepare_any(&c).at(path)?;
    let found: String = c.query_row("PRAGMA quick_check(1)", [], |r| r.get(0)).at(path)?;
    if found == "ok" { Ok(()) } else { Err(StoreError::Damaged { path: path.into(), what: found }) }
}

/// Renames a damaged store and what belongs to it; the new name.
pub(super) fn set_aside(path: &Path, now: crate::model::UnixMs) -> std::io::Result<PathBuf> {
    let when = jiff::Timestamp::from_millisecond(now.0)
        .map(|t| t.strftime("%Y%m%dT%H%M%SZ").to_string())
        .unwrap_or_else(|_| now.0.to_string());
    let mut aside = beside(path, &format!(".damaged-{when}"));
    let mut n = 1;
    while aside.exists() {
        n += 1;
        aside = beside(path, &format!(".damaged-{when}-{n}"));
    }
    std::fs::rename(path, &aside)?;
    for part in ["-wal", "-shm"] {
        let from = beside(path, part);
        if from.exists() {
            std::fs::rename(&from, beside(&aside, part))?;
        }
    }
    Ok(aside)
}
