//! Reading: a read-only connection of its own, so that no view can hold up the writer.
//!
//! Open one for each request or report and drop it afterwards: it then always sees the file that stands at the path, even after a
//! damaged store was set aside. Methods called between [`Reader::snapshot`] and the drop of what it returns see one state.

use super::errors::{At, StoreError};
use super::schema::{self, Kind};
use super::{health, lock};
use crate::model::rows::{GapRow, RunRow};
use crate::model::{Name, SignalDef, SignalId, Unit, UnixMs};
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use std::path::{Path, PathBuf};

/// A store, for reading.
pub struct Reader {
    pub(super) c: Connection,
    pub(super) path: PathBuf,
    incomplete: Option<String>,
}

/// Holds one state of the store still; ends when dropped.
pub struct Snapshot<'a>(&'a Reader);

impl Drop for Snapshot<'_> {
    fn drop(&mut self) {
        let _ = self.0.c.execute_batch("COMMIT");
    }
}

impl Reader {
    /// Opens the store at `path` for reading. Never creates or changes a file of its own.
    ///
    /// # Errors
    /// [`StoreError::Missing`], [`StoreError::IsFolder`], [`StoreError::NotAStore`], [`StoreError::Newer`], [`StoreError::Damaged`], or why
    /// the disk cannot be read. On a full or read-only disk a store that no agent holds is read without its latest,
    /// not yet merged part if need be; [`Reader::incomplete`] then says so.
    pub fn open(path: &Path) -> Result<Reader, StoreError> {
        match std::fs::metadata(path) {
            Err(e) => return Err(StoreError::from_io(path, &e)),
            Ok(m) if m.is_dir() => return Err(StoreError::IsFolder { path: path.into() }),
            Ok(m) if m.len() == 0 => return Err(StoreError::Missing { path: path.into() }),
            Ok(_) => {}
        }
        let mut tries = 0;
        loop {
            match Self::open_as(path, false) {
                Err(e) if e.is_passing() => {
                    if lock::held_by(path).is_none() {
                        return Self::as_it_lies(path, &e);
                    }
                    // An agent that cannot write the disk tries again from time to time, and holds the lock for that instant.
                    if tries == lock::TRIES || !matches!(e, StoreError::ReadOnly { .. }) {
                        return Err(e);
                    }
                    tries += 1;
                    std::thread::sleep(lock::BETWEEN_TRIES);
                }
                other => return other,
            }
        }
    }

    /// A store that nobody writes and that cannot be opened in the usual way, as on a read-only disk.
    fn as_it_lies(path: &Path, why: &StoreError) -> Result<Reader, StoreError> {
        let mut r = Self::open_as(path, true)?;
        let log = std::fs::metadata(lock::beside(path, "-wal")).map_or(0, |m| m.len());
        if log > 0 {
            r.incomplete = Some(format!("the latest part of the store could not be read ({why})"));
        }
        Ok(r)
    }

    fn open_as(path: &Path, immutable: bool) -> Result<Reader, StoreError> {
        let c = if immutable {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            Connection::open_with_flags(uri(path, "immutable=1"), flags)
        } else {
            Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)
        }
        .at(path)?;
        c.busy_timeout(schema::PATIENCE).at(path)?;
        schema::prepare_any(&c).at(path)?;
        let known = |e: &rusqlite::Error| match e.sqlite_error_code() {
            Some(rusqlite::ErrorCode::NotADatabase) if !lock::lock_path(path).exists() => {
                StoreError::NotAStore { path: path.into(), why: "it is no database".into() }
            }
            _ => StoreError::from_sql(path, e),
        };
        match schema::kind(&c).map_err(|e| known(&e))? {
            Kind::Store(n) if n > schema::LAYOUT => {
                Err(StoreError::Newer { path: path.into(), found: n, known: schema::LAYOUT })
            }
            Kind::Store(n) if n < schema::LAYOUT => Err(StoreError::Refused(format!(
                "the store `{}` has the older layout {n}: start the agent once with this version, which brings it up to date",
                path.display()
            ))),
            Kind::Store(_) => Ok(Reader { c, path: path.into(), incomplete: None }),
            Kind::Empty => Err(StoreError::Missing { path: path.into() }),
            Kind::Foreign => {
                Err(StoreError::NotAStore { path: path.into(), why: "it is another program's database".into() })
            }
        }
    }

    /// Why the latest part is not there, if it is not.
    pub fn incomplete(&self) -> Option<&str> {
        self.incomplete.as_deref()
    }

    /// Holds one state still for the calls that follow.
    pub fn snapshot(&self) -> Result<Snapshot<'_>, StoreError> {
        self.ask(|c| {
            c.execute_batch("BEGIN DEFERRED")?;
            // The state is fixed by the first read.
            c.query_row("SELECT count(*) FROM meta", [], |_| Ok(()))
        })?;
        Ok(Snapshot(self))
    }

    /// Asks the database; damage that is met is told to the writer, if one runs in this process.
    pub(super) fn ask<T>(&self, f: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> Result<T, StoreError> {
        f(&self.c).map_err(|e| {
            let e = StoreError::from_sql(&self.path, &e);
            if e.is_damage() {
                health::suspect(&self.path);
            }
            e
        })
    }

    /// All signals, by number. Resolve names through this table (or [`Reader::signal_id`]), since numbers belong to one store.
    pub fn signals(&self) -> Result<Vec<(SignalId, SignalDef)>, StoreError> {
        self.ask(read_signals)
    }

    /// The number of a signal in this store.
    pub fn signal_id(&self, name: &Name) -> Result<Option<SignalId>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT id FROM signals WHERE name = ?")?
                .query_row([name.as_str()], |r| Ok(SignalId(r.get(0)?)))
                .optional()
        })
    }

    /// Whether the readings are a rehearsal's.
    pub fn is_invented(&self) -> Result<bool, StoreError> {
        Ok(self.meta("invented")?.as_deref() == Some("1"))
    }

    /// A fact about the store: `created`, `invented`, `field`.
    pub fn meta(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT value FROM meta WHERE key = ?")?.query_row([key], |r| r.get(0)).optional()
        })
    }

    /// Runs of the agent, oldest first.
    pub fn runs(&self) -> Result<Vec<RunRow>, StoreError> {
        self.ask(|c| {
            c.prepare_cached(
                "SELECT id, started, CASE WHEN ended = 'running' THEN max(last_seen, coalesce((SELECT at FROM journal j WHERE j.run = r.id
                 ORDER BY j.id DESC LIMIT 1), 0)) ELSE last_seen END, ended, boot_id, version FROM runs r ORDER BY id",
            )?
            .query_map([], |r| {
                Ok(RunRow {
                    id: r.get(0)?,
                    started: UnixMs(r.get(1)?),
                    last_seen: UnixMs(r.get(2)?),
                    ended: r.get(3)?,
                    boot_id: r.get(4)?,
                    version: r.get(5)?,
                })
            })?
            .collect()
        })
    }

    /// Stretches not watched that touch `from..to`.
    pub fn gaps(&self, from: UnixMs, to: UnixMs) -> Result<Vec<GapRow>, StoreError> {
        self.ask(|c| {
            c.prepare_cached("SELECT from_at, max(from_at, to_at), why FROM gaps WHERE from_at < ?2 AND to_at > ?1 ORDER BY from_at, id")?
                .query_map([from.0, to.0], |r| Ok(GapRow { from: UnixMs(r.get(0)?), to: UnixMs(r.get(1)?), why: r.get(2)? }))?
                .collect()
        })
    }
}

/// A URI for SQLite: everything but plain characters is escaped.
pub(super) fn uri(path: &Path, parameters: &str) -> String {
    let mut out = String::from("file:");
    let text = path.to_string_lossy().replace('\\', "/");
    if cfg!(windows) && !text.starts_with('/') {
        out.push('/');
    }
    for b in text.bytes() {
        match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' | b':' => out.push(b as char),
            _ => out.push_str(&format!("%{b:02X}")),
        }
    }
    out + "?" + parameters
}

pub(super) fn read_signals(c: &Connection) -> rusqlite::Result<Vec<(SignalId, SignalDef)>> {
    c.prepare_cached("SELECT id, name, unit, resolution, low, high, what, place FROM signals ORDER BY id")?
        .query_map([], |r| {
            let name: String = r.get(1)?;
            let unit: String = r.get(2)?;
            // A name that a later version allows and this one does not is made to fit rather than hiding the whole store.
            let name = Name::new(&name).unwrap_or_else(|_| Name::from_parts("other", &name));
            Ok((
                SignalId(r.get(0)?),
                SignalDef {
                    name,
                    unit: Unit::from_code(&unit).unwrap_or(Unit::None),
                    resolution: r.get(3)?,
                    low: r.get(4)?,
                    high: r.get(5)?,
                    what: r.get(6)?,
                    place: r.get(7)?,
                },
            ))
        })?
        .collect()
}
