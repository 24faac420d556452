//! A report made in a process of its own: this very program, run once more with the command `report`.
//!
//! A night of readings takes tens of megabytes for a moment. The agent stays small all night when somebody else takes them
//! and gives them back to the system at the end.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt};
use tokio::process::Command;

/// A report must be made within this time; on the smallest boards with a slow card it takes a few seconds.
const TIME_LIMIT: Duration = Duration::from_secs(90);
/// Longest report that is taken.
const REPORT_BYTES: u64 = 32 << 20;
/// Longest complaint that is passed on.
const COMPLAINT_BYTES: u64 = 4 << 10;

/// This very program, also when its file was replaced by a newer one since it started.
pub fn this_program() -> Option<PathBuf> {
    let by_the_kernel = Path::new("/proc/self/exe");
    if by_the_kernel.exists() { Some(by_the_kernel.into()) } else { std::env::current_exe().ok() }
}

/// Runs `program report --store STORE --night NIGHT` with further arguments, and gives what it wrote to its output.
///
/// # Errors
/// In the person's words: that it could not be run, what it complained of, or that it took too long.
pub async fn made_by(program: &Path, store: &Path, night: &str, more: &[&OsStr]) -> Result<Vec<u8>, String> {
    let mut child = Command::new(program)
        .arg("report")
        .args([OsStr::new("--store"), store.as_os_str(), OsStr::new("--night"), OsStr::new(night)])
        .args(more)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .map_err(|e| format!("the report's own process could not be started: {e}"))?;
    let (out, err) = (child.stdout.take(), child.stderr.take());
    let whole = async { tokio::join!(all(out, REPORT_BYTES), all(err, COMPLAINT_BYTES), child.wait()) };
    let Ok((out, err, status)) = tokio::time::timeout(TIME_LIMIT, whole).await else {
        return Err(format!("the report was not done within {} s", TIME_LIMIT.as_secs()));
    };
    let status = status.map_err(|e| format!("the report's own process could not be waited for: {e}"))?;
    if !status.success() {
        let complaint = String::from_utf8_lossy(&err);
        return Err(match complaint.trim() {
            "" => format!("the report's own process failed ({status})"),
            words => words.trim_start_matches("tilldawn: ").to_owned(),
        });
    }
    if out.len() as u64 >= REPORT_BYTES {
        return Err(format!("the report is longer than {} MB", REPORT_BYTES >> 20));
    }
    Ok(out)
}

/// Reads the first `limit` bytes and lets the rest pass, so that the writer is never stuck.
async fn all(source: Option<impl AsyncRead + Unpin>, limit: u64) -> Vec<u8> {
    let Some(mut source) = source else { return vec![] };
    let mut kept = Vec::new();
    if (&mut source).take(limit).read_to_end(&mut kept).await.is_ok() {
        let _ = tokio::io::copy(&mut source, &mut tokio::io::sink()).await;
    }
    kept
}

#[cfg(all(test, unix))]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    fn script(dir: &Path, body: &str) -> PathBuf {
        let p = dir.join("program");
        std::fs::write(&p, format!("#!/bin/sh\n{body}\n")).unwrap();
        std::fs::set_permissions(&p, std::fs::Permissions::from_mode(0o755)).unwrap();
        p
    }

    #[tokio::test]
    async fn what_it_writes_and_what_it_complains_of() {
        let dir = tempfile::tempdir().unwrap();
        let made = |body: &'static str| {
            let p = script(dir.path(), body);
            async move { made_by(&p, Path::new("a store.db"), "last", &[OsStr::new("--as"), OsStr::new("html")]).await }
        };
        let said = String::from_utf8(made("printf '%s|' \"$@\"").await.unwrap()).unwrap();
        assert_eq!(said, "report|--store|a store.db|--night|last|--as|html|");
        assert_eq!(made("echo 'tilldawn: no such night' >&2; exit 2").await.unwrap_err(), "no such night");
        assert!(made("exit 3").await.unwrap_err().contains("exit status: 3"));
        let none = made_by(&dir.path().join("gone"), Path::new("s"), "last", &[]).await;
        assert!(none.unwrap_err().contains("could not be started"));
    }
}
