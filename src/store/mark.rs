//! A person's mark, written into a store that no agent holds: one that was copied home, or whose agent is stopped. While an
//! agent runs, marks go through it.

use super::errors::{At, StoreError};
use super::schema::{self, Kind};
use super::words::word;
use super::{Reader, lock};
use crate::model::Mark;
use rusqlite::{Connection, OpenFlags, TransactionBehavior, params};
use std::path::Path;

/// Adds a mark to an incident. False if there is no such incident. Begins no run: the record of how the agent last ended
/// stays as it is.
///
/// # Errors
/// [`StoreError::Held`] while an agent runs; as [`Reader::open`]; what the disk said.
pub fn mark(path: &Path, incident: i64, m: &Mark) -> Result<bool, StoreError> {
    // Looks the file over first, so that nothing but a store of this layout is ever written to, and before the lock, so
    // that none is left beside a file that is no store.
    if Reader::open(path)?.incident(incident)?.is_none() {
        return Ok(false);
    }
    let _lock = lock::take(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut c = Connection::open_with_flags(path, flags).at(path)?;
    c.busy_timeout(schema::PATIENCE).at(path)?;
    c.pragma_update(None, "synchronous", "FULL").at(path)?;
    if schema::kind(&c).at(path)? != Kind::Store(schema::LAYOUT) {
        return Ok(false);
    }
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate).at(path)?;
    let rows = tx
        .execute(
            "INSERT INTO marks (incident, at, at_boot, kind, words, run)
             SELECT id, ?2, ?3, ?4, ?5, run FROM incidents WHERE id = ?1",
            params![incident, m.at.wall.0, m.at.boot.0, m.kind.map(word), m.words],
        )
        .at(path)?;
    tx.commit().at(path)?;
    Ok(rows == 1)
}
