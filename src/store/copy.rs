//! A safe copy of the store while the agent runs.

use super::errors::{At, StoreError};
use super::reader::Reader;
use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};
use std::path::Path;
use std::time::Duration;

/// Copies the store at `from` to the new file `to`, page by page, as it stands at one moment; the agent goes on writing meanwhile.
/// `progress` is told pages done and pages in all. Gives the size of the copy in bytes.
///
/// # Errors
/// As [`Reader::open`]; [`StoreError::Refused`] if `to` exists; what the disk of `to` said. An unfinished copy is removed.
pub fn copy(from: &Path, to: &Path, mut progress: impl FnMut(u64, u64)) -> Result<u64, StoreError> {
    if to.exists() {
        return Err(StoreError::Refused(format!("`{}` exists already: name a new file for the copy", to.display())));
    }
    let reader = Reader::open(from)?;
    let done = (|| {
        let mut target = Connection::open(to).at(to)?;
        {
            let backup = Backup::new(&reader.c, &mut target).at(to)?;
            loop {
                let step = backup.step(256).at(to)?;
                let p = backup.progress();
                progress(
                    u64::try_from(p.pagecount - p.remaining).unwrap_or(0),
                    u64::try_from(p.pagecount).unwrap_or(0),
                );
                match step {
                    StepResult::Done => break,
                    StepResult::More => {}
                    _ => std::thread::sleep(Duration::from_millis(50)),
                }
            }
        }
        target.close().map_err(|(_, e)| StoreError::from_sql(to, &e))
    })();
    match done {
        Ok(()) => std::fs::metadata(to).map(|m| m.len()).map_err(|e| StoreError::from_io(to, &e)),
        Err(e) => {
            for end in ["", "-journal", "-wal", "-shm"] {
                let _ = std::fs::remove_file(super::lock::beside(to, end));
            }
            Err(e)
        }
    }
}
