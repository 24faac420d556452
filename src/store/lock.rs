//! One agent per store: an advisory lock on a file beside it, which also names the process that holds it.

use super::errors::StoreError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// How often, and how long after one another, something is tried that an agent or a reader may stand in the way of for an instant.
pub const TRIES: usize = 20;
/// See [`TRIES`].
pub const BETWEEN_TRIES: Duration = Duration::from_millis(25);

/// Held until it is dropped. The file stays: removing it would let two agents lock two different files of one name.
#[derive(Debug)]
pub struct StoreLock {
    _file: Option<File>,
    /// Whether the lock file was there before, so that an agent has worked on this store.
    pub known: bool,
}

/// The lock file of a store.
pub fn lock_path(store: &Path) -> PathBuf {
    beside(store, ".lock")
}

/// A file beside the store: its name with an ending.
pub fn beside(store: &Path, ending: &str) -> PathBuf {
    let mut name = store.file_name().unwrap_or_default().to_os_string();
    name.push(ending);
    store.with_file_name(name)
}

/// Takes the lock. Where the disk cannot take or lock a file (full, read-only, some network disks), the store goes unlocked.
pub fn take(store: &Path) -> Result<StoreLock, StoreError> {
    let path = lock_path(store);
    let known = path.exists();
    let file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path)
        .or_else(|_| OpenOptions::new().read(true).open(&path));
    let Ok(mut file) = file else {
        return Ok(StoreLock { _file: None, known });
    };
    // A reader looks at the lock for an instant, and an agent that was just told to stop needs a moment.
    let mut outcome = file.try_lock();
    for _ in 0..TRIES {
        if !matches!(outcome, Err(TryLockError::WouldBlock)) {
            break;
        }
        std::thread::sleep(BETWEEN_TRIES);
        outcome = file.try_lock();
    }
    match outcome {
        Ok(()) => {
            // Only a hint for people; a disk that cannot take it does not matter.
            let _ =
                file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
            Ok(StoreLock { _file: Some(file), known })
        }
        Err(TryLockError::WouldBlock) => Err(StoreError::Held { path: store.into(), pid: holder(&mut file) }),
        Err(TryLockError::Error(_)) => Ok(StoreLock { _file: None, known }),
    }
}

/// Whether an agent holds the store at this moment, and which.
pub fn held_by(store: &Path) -> Option<Option<u32>> {
    let mut file = OpenOptions::new().read(true).open(lock_path(store)).ok()?;
    match file.try_lock_shared() {
        Err(TryLockError::WouldBlock) => Some(holder(&mut file)),
        _ => None,
    }
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_agent_is_told_who_holds_the_store() {
        let dir = tempfile::tempdir().unwrap();
        let store = dir.path().join("a.db");
        assert_eq!(held_by(&store), None);
        let first = take(&store).unwrap();
        assert!(!first.known);
        let e = take(&store).unwrap_err();
        assert_eq!(e, StoreError::Held { path: store.clone(), pid: Some(std::process::id()) });
        assert!(e.to_string().contains(&format!("process {}", std::process::id())), "{e}");
        assert_eq!(held_by(&store), Some(Some(std::process::id())));
        drop(first);
        assert!(take(&store).unwrap().known);
    }
}
