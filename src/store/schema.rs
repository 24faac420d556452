//! The layout of the store: migrations, the marks by which a store is known, and the settings of every connection.

use super::errors::{At, StoreError};
use include_dir::{Dir, include_dir};
use rusqlite::Connection;
use rusqlite_migration::Migrations;
use std::path::Path;
use std::time::Duration;

static FILES: Dir<'static> = include_dir!("$CARGO_MANIFEST_DIR/migrations");

/// The highest layout that this version knows.
pub const LAYOUT: i64 = 1;

/// `tldn`: tells a store of this program from other databases.
pub const APPLICATION: i64 = 0x746c_646e;

/// How long a lock of another program is waited for.
pub const PATIENCE: Duration = Duration::from_secs(5);

/// Page cache of one connection, in KiB: the agent as a whole has to stay small.
const CACHE_KIB: i64 = 512;

/// What a file is before anything in it is touched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Nothing in it yet.
    Empty,
    /// A store with this layout.
    Store(i64),
    /// Another database.
    Foreign,
}

/// Looks at a file without changing it.
pub fn kind(c: &Connection) -> rusqlite::Result<Kind> {
    let tables: i64 = c.query_row("SELECT count(*) FROM sqlite_schema", [], |r| r.get(0))?;
    let application: i64 = c.query_row("PRAGMA application_id", [], |r| r.get(0))?;
    let layout: i64 = c.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    Ok(match (tables, application) {
        (_, APPLICATION) => Kind::Store(layout),
        (0, 0) if layout == 0 => Kind::Empty,
        _ => Kind::Foreign,
    })
}

/// Settings of the one writing connection. WAL and FULL: an alarm that was shown survives a power cut.
pub fn prepare_writer(c: &mut Connection, path: &Path, empty: bool) -> Result<(), StoreError> {
    c.busy_timeout(PATIENCE).at(path)?;
    if empty {
        // Must precede the first table: lets freed pages be handed back in small slices.
        c.pragma_update(None, "auto_vacuum", "INCREMENTAL").at(path)?;
    }
    let mode: String = c.query_row("PRAGMA journal_mode = WAL", [], |r| r.get(0)).at(path)?;
    if !mode.eq_ignore_ascii_case("wal") && !mode.eq_ignore_ascii_case("memory") {
        return Err(StoreError::Disk { path: path.into(), what: format!("write-ahead log refused, mode is {mode}") });
    }
    c.pragma_update(None, "synchronous", "FULL").at(path)?;
    c.pragma_update(None, "wal_autocheckpoint", 1000).at(path)?;
    c.pragma_update(None, "journal_size_limit", 8 << 20).at(path)?;
    prepare_any(c).at(path)?;
    migrate(c, path)
}

/// Settings of every connection.
pub fn prepare_any(c: &Connection) -> rusqlite::Result<()> {
    c.pragma_update(None, "cache_size", -CACHE_KIB)?;
    c.pragma_update(None, "temp_store", "MEMORY")?;
    c.set_prepared_statement_cache_capacity(48);
    Ok(())
}

fn migrate(c: &mut Connection, path: &Path) -> Result<(), StoreError> {
    use rusqlite_migration::Error as E;
    let all = Migrations::from_directory(&FILES).map_err(|e| StoreError::Internal(e.to_string()))?;
    all.to_latest(c).map_err(|e| match e {
        E::RusqliteError { err, .. } => StoreError::from_sql(path, &err),
        e => StoreError::Internal(e.to_string()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_migration_file_is_counted_and_applied() {
        // The loader takes only `NN-name/up.sql` and ignores anything else in silence, so count what is on disk.
        let on_disk = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/migrations"))
            .unwrap()
            .map(|e| e.unwrap().path())
            .inspect(|p| assert!(p.join("up.sql").is_file(), "{} has no up.sql", p.display()))
            .count();
        assert_eq!(on_disk as i64, LAYOUT);
        let mut c = Connection::open_in_memory().unwrap();
        prepare_writer(&mut c, Path::new(":memory:"), true).unwrap();
        assert_eq!(kind(&c).unwrap(), Kind::Store(LAYOUT));
    }

    /// Others read these views with tools of their own: names and order of columns are a promise.
    #[test]
    fn the_views_keep_their_columns() {
        let mut c = Connection::open_in_memory().unwrap();
        prepare_writer(&mut c, Path::new(":memory:"), true).unwrap();
        let names: Vec<(String, String)> = c
            .prepare("SELECT type, name FROM sqlite_schema WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%' ORDER BY type, name")
            .unwrap()
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let text: String = names
            .iter()
            .map(|(kind, name)| {
                let q = c.prepare(&format!("SELECT * FROM {name}")).unwrap();
                format!("{kind} {name}: {}\n", q.column_names().join(", "))
            })
            .collect();
        insta::assert_snapshot!("layout", text);
    }
}
