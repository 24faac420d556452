//! Opening a store for writing: what stands at the path, how the last run ended, and where this one goes on.

use super::errors::{At, StoreError};
use super::lock::StoreLock;
use super::options::{LastRun, Opened, Options};
use super::pending::Reasons;
use super::reader::read_signals;
use super::rows_in::NumberShift;
use super::schema::{self, Kind};
use super::scribe::Scribe;
use super::writer::Writer;
use super::{health, lock};
use crate::model::rows::GapRow;
use crate::model::{Signals, Stamp, UnixMs, Why, WhyCode};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params};
use std::path::{Path, PathBuf};

/// Opens the store at `path` for the one agent that writes to it, creating it and its folder if need be.
///
/// A disk that cannot be written at present is no error: the agent goes on in memory ([`Opened::in_memory`]) and the writer tries again by
/// itself. A damaged store is set aside and a new one begun ([`Opened::set_aside`]).
///
/// # Errors
/// What a person has to decide: [`StoreError::IsFolder`], [`StoreError::NotAStore`], [`StoreError::Newer`], [`StoreError::Held`],
/// [`StoreError::Mixed`]. The file is untouched then.
pub fn open(path: &Path, options: Options) -> Result<(Writer, Opened), StoreError> {
    let started = options.clock.now();
    let mut set_aside = None;
    let attached = match attach(path, &options, started) {
        Err(StoreError::Damaged { .. }) => {
            match health::set_aside(path, started.wall) {
                Ok(aside) => set_aside = Some(aside),
                Err(e) => return in_memory(path, options, started, StoreError::from_io(path, &e)),
            }
            attach(path, &options, started)
        }
        other => other,
    };
    match attached {
        Ok(a) => {
            let signals = Signals::from_rows(a.signals.clone());
            let opened = Opened {
                signals: signals.clone(),
                last_run: a.begun.last_run,
                gap: a.begun.gap.clone(),
                machine_restarted: a.begun.machine_restarted,
                engine_state: a.engine_state.clone(),
                in_memory: None,
                set_aside: set_aside.clone(),
                run: a.begun.run,
                latest_seq: a.latest.seq,
                latest_alarm: a.latest.alarm,
                latest_session: a.latest.session,
                latest_incident: a.latest.incident,
            };
            let scribe = Scribe::new(path, options, signals, started, Some(a), None, set_aside);
            Ok((Writer::start(scribe)?, opened))
        }
        Err(e) if e.is_passing() => in_memory(path, options, started, e),
        Err(e) => Err(e),
    }
}

fn in_memory(path: &Path, options: Options, started: Stamp, why: StoreError) -> Result<(Writer, Opened), StoreError> {
    let glimpse = glimpse(path).ok().flatten();
    let signals = Signals::from_rows(glimpse.iter().flat_map(|g| g.signals.clone()));
    let latest = glimpse.as_ref().map_or_else(NumberShift::default, |g| g.latest);
    let opened = Opened {
        signals: signals.clone(),
        last_run: LastRun::Unknown,
        gap: None,
        machine_restarted: false,
        engine_state: glimpse.as_ref().and_then(|g| g.engine_state.clone()),
        in_memory: Some(why.to_string()),
        set_aside: None,
        run: 0,
        latest_seq: latest.seq,
        latest_alarm: latest.alarm,
        latest_session: latest.session,
        latest_incident: latest.incident,
    };
    let scribe = Scribe::new(path, options, signals, started, None, Some((why, glimpse)), None);
    Ok((Writer::start(scribe)?, opened))
}

/// A store that was opened for writing.
pub(super) struct Attached {
    pub c: Connection,
    pub lock: StoreLock,
    pub signals: Vec<(crate::model::SignalId, crate::model::SignalDef)>,
    pub reasons: Reasons,
    pub begun: Begun,
    pub engine_state: Option<serde_json::Value>,
    pub latest: NumberShift,
}

/// The run that begins, and the one before it.
pub(super) struct Begun {
    pub run: i64,
    pub last_run: LastRun,
    pub gap: Option<GapRow>,
    pub machine_restarted: bool,
    pub last_seen: Option<UnixMs>,
}

pub(super) fn attach(path: &Path, options: &Options, started: Stamp) -> Result<Attached, StoreError> {
    if std::fs::metadata(path).is_ok_and(|m| m.is_dir()) {
        return Err(StoreError::IsFolder { path: path.into() });
    }
    if let Some(dir) = path.parent().filter(|d| !d.as_os_str().is_empty()) {
        std::fs::create_dir_all(dir).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotADirectory | std::io::ErrorKind::AlreadyExists => {
                StoreError::NotAStore { path: path.into(), why: format!("`{}` is no folder", dir.display()) }
            }
            _ => StoreError::from_io(path, &e),
        })?;
    }
    let lock = lock::take(path)?;
    let mut c = connect(path, &lock)?;
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate).at(path)?;
    claim(&tx, path, options.invented, &options.field, started.wall)?;
    let begun = begin_run(&tx, options, started).at(path)?;
    let signals = read_signals(&tx).at(path)?;
    let reasons = read_reasons(&tx).at(path)?;
    let engine_state = read_engine_state(&tx).at(path)?;
    let latest = latest(&tx).at(path)?;
    tx.commit().at(path)?;
    Ok(Attached { c, lock, signals, reasons, begun, engine_state, latest })
}

/// Opens the file for writing, if it is a store of ours or empty. A lock file says that an agent has worked here before, so it must not
/// stay beside a file that is refused.
fn connect(path: &Path, lock: &StoreLock) -> Result<Connection, StoreError> {
    let opened = connect_to(path, lock);
    if !lock.known && matches!(opened, Err(StoreError::NotAStore { .. })) {
        let _ = std::fs::remove_file(lock::lock_path(path));
    }
    opened
}

fn connect_to(path: &Path, lock: &StoreLock) -> Result<Connection, StoreError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut c = Connection::open_with_flags(path, flags).at(path)?;
    c.busy_timeout(schema::PATIENCE).at(path)?;
    let empty = match schema::kind(&c) {
        Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) && !lock.known => {
            return Err(StoreError::NotAStore { path: path.into(), why: "it is no database".into() });
        }
        Err(e) => return Err(StoreError::from_sql(path, &e)),
        Ok(Kind::Foreign) => {
            return Err(StoreError::NotAStore { path: path.into(), why: "it is another program's database".into() });
        }
        Ok(Kind::Store(n)) if n > schema::LAYOUT => {
            return Err(StoreError::Newer { path: path.into(), found: n, known: schema::LAYOUT });
        }
        Ok(Kind::Store(_)) => false,
        Ok(Kind::Empty) => true,
    };
    schema::prepare_writer(&mut c, path, empty)?;
    Ok(c)
}

/// Opens a store that no agent holds, without beginning a run.
pub(super) fn open_for_import(path: &Path, lock: &StoreLock, created: UnixMs) -> Result<Connection, StoreError> {
    if std::fs::metadata(path).is_ok_and(|m| m.is_dir()) {
        return Err(StoreError::IsFolder { path: path.into() });
    }
    let mut c = connect(path, lock)?;
    let tx = c.transaction_with_behavior(TransactionBehavior::Immediate).at(path)?;
    claim(&tx, path, false, "", created)?;
    tx.commit().at(path)?;
    Ok(c)
}

/// Writes the facts of a new store, or checks that real and invented data stay apart.
fn claim(tx: &Transaction, path: &Path, invented: bool, field: &str, created: UnixMs) -> Result<(), StoreError> {
    let held: Option<String> =
        tx.query_row("SELECT value FROM meta WHERE key = 'invented'", [], |r| r.get(0)).optional().at(path)?;
    match held {
        Some(v) if (v == "1") != invented => Err(StoreError::Mixed { path: path.into(), holds_invented: v == "1" }),
        Some(_) => Ok(()),
        None => {
            let facts = [
                ("created", created.0.to_string()),
                ("invented", if invented { "1".into() } else { "0".into() }),
                ("field", field.to_string()),
            ];
            for (k, v) in facts {
                tx.execute("INSERT OR REPLACE INTO meta (key, value) VALUES (?, ?)", (k, v)).at(path)?;
            }
            Ok(())
        }
    }
}

/// Closes the record of the run before and begins this one.
fn begin_run(tx: &Transaction, options: &Options, now: Stamp) -> rusqlite::Result<Begun> {
    struct Last {
        id: i64,
        seen: (i64, i64),
        ended: String,
        boot_id: String,
    }
    let last = tx
        .query_row("SELECT id, last_seen, last_seen_boot, ended, boot_id FROM runs ORDER BY id DESC LIMIT 1", [], |r| {
            Ok(Last { id: r.get(0)?, seen: (r.get(1)?, r.get(2)?), ended: r.get(3)?, boot_id: r.get(4)? })
        })
        .optional()?;
    let mut begun = Begun { run: 0, last_run: LastRun::First, gap: None, machine_restarted: false, last_seen: None };
    let mut from_boot = None;
    if let Some(mut last) = last {
        if last.ended == "running" {
            // The newest journal row is the mark of having been there, at no cost; an alarm may be newer still.
            for newest in [
                "SELECT at, at - boot_offset FROM journal WHERE run = ? ORDER BY id DESC LIMIT 1",
                "SELECT announced, announced_boot FROM transitions WHERE run = ? ORDER BY seq DESC LIMIT 1",
            ] {
                let seen = tx.query_row(newest, [last.id], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
                if let Some(seen) = seen.filter(|s: &(i64, i64)| s.1 > last.seen.1) {
                    last.seen = seen;
                }
            }
        }
        // Without boot ids: the machine has been up for longer than nobody has looked.
        let same_boot = match (last.boot_id.as_str(), options.boot_id.as_str()) {
            ("", _) | (_, "") => now.boot.0 > now.wall.0 - last.seen.0,
            (a, b) => a == b,
        };
        begun.machine_restarted = !same_boot;
        begun.last_run = match (last.ended.as_str(), same_boot, options.machine_stopped_cleanly) {
            ("clean", ..) => LastRun::Clean,
            (_, true, _) => LastRun::Crash,
            (_, false, Some(true)) => LastRun::MachineRestart,
            (_, false, _) => LastRun::PowerCut,
        };
        let why = if begun.last_run == LastRun::Clean { "stopped" } else { begun.last_run.code() };
        tx.execute(
            "UPDATE runs SET ended = ?, last_seen = ?, last_seen_boot = ? WHERE id = ?",
            params![begun.last_run.code(), last.seen.0, last.seen.1, last.id],
        )?;
        from_boot = same_boot.then_some(last.seen.1);
        begun.last_seen = Some(UnixMs(last.seen.0));
        begun.gap = Some(GapRow { from: UnixMs(last.seen.0), to: now.wall.max(UnixMs(last.seen.0)), why: why.into() });
    }
    tx.execute(
        "INSERT INTO runs (started, started_boot, last_seen, last_seen_boot, ended, boot_id, version)
         VALUES (?1, ?2, ?1, ?2, 'running', ?3, ?4)",
        params![now.wall.0, now.boot.0, options.boot_id, options.version],
    )?;
    begun.run = tx.last_insert_rowid();
    if let Some(g) = &begun.gap {
        tx.execute(
            "INSERT INTO gaps (from_at, to_at, why, run, from_boot, to_boot) VALUES (?, ?, ?, ?, ?, ?)",
            // The end as the clock says, even if that is before the beginning: it may be dated anew.
            params![g.from.0, now.wall.0, g.why, begun.run, from_boot, now.boot.0],
        )?;
    }
    Ok(begun)
}

pub(super) fn read_reasons(c: &Connection) -> rusqlite::Result<Reasons> {
    let mut q = c.prepare("SELECT id, code, text FROM reasons")?;
    let rows = q.query_map([], |r| {
        let code = WhyCode::from_number(r.get(1)?).unwrap_or(WhyCode::Failed);
        Ok((r.get(0)?, Why::new(code, r.get::<_, String>(2)?)))
    })?;
    Ok(Reasons::from_rows(rows.collect::<rusqlite::Result<Vec<_>>>()?))
}

fn read_engine_state(c: &Connection) -> rusqlite::Result<Option<serde_json::Value>> {
    let body: Option<Vec<u8>> =
        c.query_row("SELECT value FROM state WHERE key = 'engine'", [], |r| r.get(0)).optional()?;
    // A state that cannot be understood is as good as none: the engine starts afresh.
    Ok(body.and_then(|b| serde_json::from_slice(&b).ok()))
}

/// The highest numbers in use.
fn latest(c: &Connection) -> rusqlite::Result<NumberShift> {
    let top = |table: &str, column: &str| -> rusqlite::Result<i64> {
        c.query_row(&format!("SELECT coalesce(max({column}), 0) FROM {table}"), [], |r| r.get(0))
    };
    Ok(NumberShift {
        seq: top("transitions", "seq")?,
        alarm: top("transitions", "alarm")?,
        session: top("sessions", "id")?,
        incident: top("incidents", "id")?,
    })
}

/// What could be read of a store that cannot be opened for writing.
pub(super) struct Glimpse {
    pub signals: Vec<(crate::model::SignalId, crate::model::SignalDef)>,
    pub reasons: Reasons,
    pub engine_state: Option<serde_json::Value>,
    pub latest: NumberShift,
}

/// Reads what the agent needs to go on from a store on a full or read-only disk. The exclusive mode needs no shared-memory file, so a
/// full disk can be read with its log; a read-only one only as it stands in the main file.
fn glimpse(path: &Path) -> Result<Option<Glimpse>, StoreError> {
    if std::fs::metadata(path).map_or(0, |m| m.len()) == 0 {
        return Ok(None);
    }
    let exclusively = || -> rusqlite::Result<Glimpse> {
        let c = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX)?;
        c.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
        look(&c)
    };
    let as_it_stands = || -> rusqlite::Result<Glimpse> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        look(&Connection::open_with_flags(super::reader::uri(path, "immutable=1"), flags)?)
    };
    exclusively().or_else(|_| as_it_stands()).map(Some).at(path)
}

fn look(c: &Connection) -> rusqlite::Result<Glimpse> {
    match schema::kind(c)? {
        Kind::Store(schema::LAYOUT) => Ok(Glimpse {
            signals: read_signals(c)?,
            reasons: read_reasons(c)?,
            engine_state: read_engine_state(c)?,
            latest: latest(c)?,
        }),
        _ => Err(rusqlite::Error::InvalidQuery),
    }
}

/// Where a store was set aside, for the record.
pub(super) fn said_aside(aside: &Path) -> String {
    let name: PathBuf = aside.file_name().map(PathBuf::from).unwrap_or_default();
    format!("the store was damaged and was set aside as {}; a new one was begun", name.display())
}
