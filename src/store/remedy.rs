//! Remedies written into a store that no agent holds. While an agent runs, they go through it.

use super::errors::{At, StoreError};
use super::schema::{self, Kind};
use super::writer::{insert_remedy, remove_remedy_row};
use super::{Reader, lock};
use crate::model::rows::RemedyRow;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use std::path::Path;

/// Adds a remedy; its number comes back. `id` of the row is not looked at.
///
/// # Errors
/// [`StoreError::Held`] while an agent runs; as [`Reader::open`]; what the disk said.
pub fn add_remedy(path: &Path, r: &RemedyRow) -> Result<i64, StoreError> {
    written(path, |tx| insert_remedy(tx, r))
}

/// Removes a remedy. False if there is no such number.
///
/// # Errors
/// As [`add_remedy`].
pub fn remove_remedy(path: &Path, id: i64) -> Result<bool, StoreError> {
    written(path, |tx| remove_remedy_row(tx, id))
}

fn written<T>(path: &Path, f: impl FnOnce(&Transaction) -> rusqlite::Result<T>) -> Result<T, StoreError> {
    // Looks the file over first, so that nothing but a store of this layout is ever written to.
    drop(Reader::open(path)?);
    let _lock = lock::take(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut c = Connection::open_with_flags(path, flags).at(path)?;
    c.busy_timeout(schema::PATIENCE).at(path)?;
    c.pragma_update(None, "synchronous", "FULL").at(path)?;
    if schema::kind(&c).at(path)? != Kind::Store(schema::LAYOUT) {
        return Err(StoreError::NotAStore { path: path.into(), why: "its layout is another".into() });
    }
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate).at(path)?;
    let done = f(&tx).at(path)?;
    tx.commit().at(path)?;
    Ok(done)
}
