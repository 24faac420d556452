//! What can go wrong with a store, each with its way out; the database library's own errors are sorted here and go no further.

use std::path::{Path, PathBuf};

/// Why the store could not do something.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// Written by a newer version of the program; left untouched.
    #[error(
        "the store `{}` has layout {found}, and this version knows layouts up to {known}: use the newer version of the program, or name another store", path.display()
    )]
    Newer {
        /// The store.
        path: PathBuf,
        /// Its layout number.
        found: i64,
        /// The highest one that this version knows.
        known: i64,
    },
    /// A file, but no store of this program; left untouched.
    #[error("`{}` is not a store of this program ({why}): name another file, or move it away", path.display())]
    NotAStore {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        why: String,
    },
    /// A folder stands where the store should be.
    #[error("`{}` is a folder, and the store is a file: name a file in it, such as `{}`", path.display(), path.join("tilldawn.db").display())]
    IsFolder {
        /// The folder.
        path: PathBuf,
    },
    /// Another agent is writing to it.
    #[error("the store `{}` is held by another agent{}: stop that one, or name another store", path.display(), pid.map(|p| format!(" (process {p})")).unwrap_or_default())]
    Held {
        /// The store.
        path: PathBuf,
        /// The other agent's process, where it can be told.
        pid: Option<u32>,
    },
    /// There is no store to read.
    #[error("there is no store at `{}`: has the agent run yet, and with this file?", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// Invented data must not mix with real readings.
    #[error(
        "the store `{}` holds {}: a rehearsal goes into a file of its own", path.display(),
        if *holds_invented { "invented data and cannot take real readings" } else { "real readings and cannot take invented data" }
    )]
    Mixed {
        /// The store.
        path: PathBuf,
        /// What it holds.
        holds_invented: bool,
    },
    /// Pages are damaged.
    #[error("the store `{}` is damaged ({what}): the running agent sets it aside and goes on in a new file", path.display())]
    Damaged {
        /// The store.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// No space left.
    #[error("no space left on the disk of `{}`: free some; what is waiting in memory is written then", path.display())]
    Full {
        /// The store.
        path: PathBuf,
    },
    /// It cannot be opened or written for want of rights, or because the file system is read-only.
    #[error("`{}` cannot be written ({what}): check its owner and whether its file system is mounted read-only", path.display())]
    ReadOnly {
        /// The store.
        path: PathBuf,
        /// What the system said.
        what: String,
    },
    /// Reading or writing failed.
    #[error("reading or writing `{}` failed ({what}): look at the disk and its cable", path.display())]
    Disk {
        /// The store.
        path: PathBuf,
        /// What the system said.
        what: String,
    },
    /// Another program holds a lock for too long.
    #[error("the store `{}` is locked by another program: close tools that have it open for writing", path.display())]
    Busy {
        /// The store.
        path: PathBuf,
    },
    /// The writer has stopped.
    #[error("the store's writer has stopped")]
    Closed,
    /// It did not finish in the time that it was given.
    #[error("the store was not done within its time limit")]
    TooLate,
    /// A row that is asked for does not exist.
    #[error("there is no {0} in the store")]
    NotFound(String),
    /// What was given cannot be stored.
    #[error("{0}")]
    Refused(String),
    /// A fault of this program.
    #[error("the store could not do it ({0}): this is a fault of the program, please report it")]
    Internal(String),
}

impl StoreError {
    /// Whether the store's own content is broken, so that it should be set aside.
    pub fn is_damage(&self) -> bool {
        matches!(self, StoreError::Damaged { .. })
    }

    /// Whether it is worth trying again later at the same path.
    pub fn is_passing(&self) -> bool {
        matches!(
            self,
            StoreError::Full { .. } | StoreError::ReadOnly { .. } | StoreError::Disk { .. } | StoreError::Busy { .. }
        )
    }

    pub(super) fn from_sql(path: &Path, e: &rusqlite::Error) -> StoreError {
        use rusqlite::ErrorCode as C;
        let path = path.to_path_buf();
        let what = e.to_string();
        match e.sqlite_error_code() {
            Some(C::DiskFull) => StoreError::Full { path },
            Some(C::ReadOnly | C::CannotOpen | C::PermissionDenied) => StoreError::ReadOnly { path, what },
            Some(C::SystemIoFailure | C::FileLockingProtocolFailed | C::NoLargeFileSupport) => {
                // A full disk cannot take the shared-memory file of the write-ahead log either.
                const SHARED_MEMORY_SIZE: i32 = rusqlite::ffi::SQLITE_IOERR_SHMSIZE;
                match e.sqlite_error() {
                    Some(f) if f.extended_code == SHARED_MEMORY_SIZE => StoreError::Full { path },
                    _ => StoreError::Disk { path, what },
                }
            }
            Some(C::DatabaseCorrupt | C::NotADatabase) => StoreError::Damaged { path, what },
            Some(C::DatabaseBusy | C::DatabaseLocked) => StoreError::Busy { path },
            _ => StoreError::Internal(what),
        }
    }

    pub(super) fn from_io(path: &Path, e: &std::io::Error) -> StoreError {
        use std::io::ErrorKind as K;
        let path = path.to_path_buf();
        match e.kind() {
            K::NotFound => StoreError::Missing { path },
            K::StorageFull | K::QuotaExceeded => StoreError::Full { path },
            K::PermissionDenied | K::ReadOnlyFilesystem => StoreError::ReadOnly { path, what: e.to_string() },
            _ => StoreError::Disk { path, what: e.to_string() },
        }
    }
}

/// Adds the store's path to a database error.
pub(super) trait At<T> {
    /// The same result with an error that names the store.
    fn at(self, path: &Path) -> Result<T, StoreError>;
}

impl<T> At<T> for rusqlite::Result<T> {
    fn at(self, path: &Path) -> Result<T, StoreError> {
        self.map_err(|e| StoreError::from_sql(path, &e))
    }
}
