//! How a program ended, where the kernel does not tell it by the process itself: from the kernel's log, the result that the
//! service manager keeps of its unit, or a memory image (core file) that was written. Nothing of it seen: nothing is said.

use super::ended::Ended;
use super::roll::Process;
use crate::model::Span;
use crate::probe::Roots;
use crate::probe::files::fits;
use crate::probe::kernel_log::Heard;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::{Duration, SystemTime};

/// The slow ways together may take so long: an alarm waits for them.
const PATIENCE: Duration = Duration::from_millis(100);
/// A memory image written this long before the end was noticed is of that end.
const LATELY: Span = Span::secs(60);
/// Where the service manager's collector puts memory images (systemd-coredump(8)).
const COLLECTED: &str = "/var/lib/systemd/coredump";

/// An end and where it is known from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reason {
    /// The end.
    pub how: Ended,
    /// "the kernel's log", "the result of its unit", "its memory image".
    pub from: &'static str,
}

/// Everything that can be asked once the process is gone.
pub async fn elsewhere(roots: &Roots, heard: &Heard, p: &Process, ended: crate::model::BootMs) -> Option<Reason> {
    if let Some(signal) = heard.signal_of(p.id.pid, ended) {
        return Some(Reason { how: Ended::Signal { signal, core: false }, from: "the kernel's log" });
    }
    let unit = async {
        let (unit, user) = p.unit.as_ref().filter(|_| roots.is_system())?;
        ask_manager(unit, *user, p.id.pid).await
    };
    let core = async {
        let (roots, pid, cwd) = (roots.clone(), p.id.pid, p.cwd.clone());
        tokio::task::spawn_blocking(move || core_file(&roots, pid, cwd.as_deref(), SystemTime::now())).await.ok()?
    };
    let (unit, core) = tokio::time::timeout(PATIENCE, async { tokio::join!(unit, core) }).await.ok()?;
    unit.map(|how| Reason { how, from: "the result of its unit" })
        .or_else(|| core.map(|_| Reason { how: Ended::Crashed, from: "its memory image" }))
}

/// What the service manager keeps of the unit's main process.
async fn ask_manager(unit: &str, user: bool, pid: u32) -> Option<Ended> {
    let mut c = tokio::process::Command::new("systemctl");
    if user {
        c.arg("--user");
    }
    c.args(["show", "--property=ExecMainPID,ExecMainCode,ExecMainStatus", "--", unit]);
    let out = c.stdin(Stdio::null()).stderr(Stdio::null()).kill_on_drop(true).output().await.ok()?;
    unit_result(&String::from_utf8_lossy(&out.stdout), pid)
}

/// Reads `systemctl show`; none if it speaks of another process. Codes: `si_code` of a dead child (POSIX `<signal.h>`: 1
/// exited, 2 killed, 3 dumped).
pub fn unit_result(text: &str, pid: u32) -> Option<Ended> {
    let value = |key: &str| {
        let line = text.lines().find_map(|l| l.strip_prefix(key)?.strip_prefix('='));
        line.and_then(|v| v.trim().parse::<i64>().ok())
    };
    if value("ExecMainPID")? != i64::from(pid) {
        return None;
    }
    let status = i32::try_from(value("ExecMainStatus")?).ok()?;
    match value("ExecMainCode")? {
        1 => Some(Ended::Code(status)),
        2 => Some(Ended::Signal { signal: status, core: false }),
        3 => Some(Ended::Signal { signal: status, core: true }),
        _ => None,
    }
}

/// The memory image of a process, if one was written a moment ago, where the kernel is told to put them (core(5)).
pub fn core_file(roots: &Roots, pid: u32, cwd: Option<&Path>, now: SystemTime) -> Option<PathBuf> {
    let pattern = roots.text("/proc/sys/kernel/core_pattern")?;
    if pattern.starts_with('|') {
        // A collector of another kind keeps them where only it knows.
        return newest(&roots.path(COLLECTED), now, |n| {
            n.starts_with("core.") && n.split('.').any(|p| p == pid.to_string())
        });
    }
    let path = Path::new(&pattern);
    let name = wildcards(path.file_name()?.to_str()?, pid);
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty());
    let folder = match folder {
        Some(f) if f.is_absolute() => roots.path(f),
        Some(f) => roots.path(cwd?).join(f),
        None => roots.path(cwd?),
    };
    // Without the number in its name a file may be another program's; so the kernel appends the number, if told to.
    let mine = |n: &str| {
        (pattern.contains("%p") && fits(&name, n)) || n.strip_suffix(&format!(".{pid}")).is_some_and(|n| fits(&name, n))
    };
    newest(&folder, now, mine)
}

/// The file name with the process's number, and `*` for everything else that the kernel fills in.
fn wildcards(pattern: &str, pid: u32) -> String {
    let mut out = String::new();
    let mut chars = pattern.chars();
    while let Some(c) = chars.next() {
        match c {
            '%' => match chars.next() {
                Some('%') => out.push('%'),
                Some('p') => out.push_str(&pid.to_string()),
                Some(_) => out.push('*'),
                None => {}
            },
            c => out.push(c),
        }
    }
    out
}

fn newest(folder: &Path, now: SystemTime, mine: impl Fn(&str) -> bool) -> Option<PathBuf> {
    let fresh = |e: &std::fs::DirEntry| {
        let age = e.metadata().ok().and_then(|m| m.modified().ok()).and_then(|t| now.duration_since(t).ok());
        age.is_none_or(|a| a <= LATELY.to_std())
    };
    std::fs::read_dir(folder)
        .ok()?
        .flatten()
        .find(|e| e.file_name().to_str().is_some_and(&mine) && fresh(e))
        .map(|e| e.path())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    #[test]
    fn results_of_units() {
        // As systemctl(1) prints properties.
        let text = |pid: u32, code: u8, status: u8| {
            format!("ExecMainPID={pid}\nExecMainCode={code}\nExecMainStatus={status}\n")
        };
        assert_eq!(unit_result(&text(7, 1, 3), 7), Some(Ended::Code(3)));
        assert_eq!(unit_result(&text(7, 2, 9), 7), Some(Ended::Signal { signal: 9, core: false }));
        assert_eq!(unit_result(&text(7, 3, 11), 7), Some(Ended::Signal { signal: 11, core: true }));
        assert_eq!(unit_result(&text(8, 3, 11), 7), None, "another process of the unit");
        assert_eq!(unit_result(&text(7, 0, 0), 7), None, "it runs");
        assert_eq!(unit_result("", 7), None);
    }

    #[test]
    fn memory_images_are_found_where_the_kernel_puts_them() {
        let b = Bench::new(&[
            ("proc/sys/kernel/core_pattern", "core\n"),
            ("home/pier/core.77", ""),
            ("home/pier/core", ""),
        ]);
        let now = SystemTime::now();
        let find = |pid| core_file(&b.roots(), pid, Some(Path::new("/home/pier")), now);
        assert_eq!(find(77), Some(b.root().join("home/pier/core.77")));
        assert_eq!(find(78), None, "without a number it may be another program's");
        let old = std::fs::File::open(b.root().join("home/pier/core.77")).unwrap();
        old.set_modified(now - Duration::from_secs(3600)).unwrap();
        assert_eq!(find(77), None, "an old one");
        b.write("proc/sys/kernel/core_pattern", "/var/crash/%e.%p.%t");
        b.write("var/crash/camera.77.1768", "");
        assert_eq!(find(77), Some(b.root().join("var/crash/camera.77.1768")));
        assert_eq!(find(7), None);
        b.write("proc/sys/kernel/core_pattern", "|/usr/lib/systemd/systemd-coredump %P %u");
        b.write("var/lib/systemd/coredump/core.camera.1000.ab12.77.1768.zst", "");
        assert!(find(77).is_some() && find(76).is_none());
    }

    proptest! {
        #[test]
        fn nothing_panics(t in ".{0,200}", pid in any::<u32>()) {
            let _ = (unit_result(&t, pid), wildcards(&t, pid));
        }
    }
}
