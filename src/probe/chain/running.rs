//! The programs that run now, as far as this user may look into them: what they hold open and whom they talk to.

use crate::probe::Roots;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// File endings that frames have: those of the FITS standard's files in practice, and plain picture files of cameras.
const FRAMES: [&str; 6] = ["fits", "fit", "fts", "fz", "dng", "tiff"];
/// File endings of text logs.
const LOGS: [&str; 2] = ["log", "txt"];
/// Beginnings of device nodes that equipment hangs on.
const NODES: [&str; 9] = [
    "/dev/ttyUSB",
    "/dev/ttyACM",
    "/dev/ttyAMA",
    "/dev/ttyS",
    "/dev/video",
    "/dev/bus/usb/",
    "/dev/hidraw",
    "/dev/usb/",
    "/dev/serial/",
];
/// Programs that run others: what they run is the name worth having.
const RUNNERS: [&str; 12] =
    ["python", "perl", "ruby", "node", "java", "mono", "wine", "bash", "sh", "dash", "box64", "ld-linux"];

/// One process.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Process {
    /// Its number.
    pub pid: u32,
    /// File name of its executable.
    pub executable: String,
    /// The script or archive that the executable runs, as it was typed, if it is a runner of others.
    pub script: Option<String>,
    /// Its systemd unit, if it is one that a person could name.
    pub unit: Option<String>,
    /// Device nodes that it holds open.
    pub nodes: BTreeSet<String>,
    /// Frames that it has open for writing.
    pub frames: BTreeSet<PathBuf>,
    /// Text logs that it has open for writing.
    pub logs: BTreeSet<PathBuf>,
    /// Sockets that it holds.
    pub sockets: BTreeSet<u64>,
}

/// All processes at one instant.
#[derive(Clone, Debug, Default)]
pub struct Snapshot {
    /// Those that could be looked into.
    pub open: Vec<Process>,
    /// How many could not, since they belong to another user.
    pub closed: usize,
}

/// Looks at every process. Those that end in between are left out, as are threads of the kernel and this process.
pub fn snapshot(roots: &Roots) -> Snapshot {
    let mut all = Snapshot::default();
    for e in std::fs::read_dir(roots.path("/proc")).into_iter().flatten().flatten() {
        let Some(pid) = e.file_name().to_str().and_then(|n| n.parse::<u32>().ok()) else {
            continue;
        };
        if pid == std::process::id() {
            continue;
        }
        let arguments = arguments(&e.path());
        // The agent itself connects to programs to see whether they live: it is no part of the evening.
        if arguments.first().is_none_or(|a| file_name(a) == env!("CARGO_PKG_NAME")) {
            continue;
        }
        match std::fs::read_dir(e.path().join("fd")) {
            Ok(fds) => all.open.push(process(pid, &e.path(), &arguments, fds)),
            Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => all.closed += 1,
            Err(_) => {}
        }
    }
    all.open.sort_by_key(|p| p.pid);
    all
}

fn arguments(process: &Path) -> Vec<String> {
    let line = std::fs::read(process.join("cmdline")).unwrap_or_default();
    line.split(|b| *b == 0).filter(|p| !p.is_empty()).map(|p| String::from_utf8_lossy(p).into_owned()).collect()
}

fn file_name(path: &str) -> String {
    path.trim_end_matches(" (deleted)").rsplit('/').next().unwrap_or(path).to_owned()
}

fn process(pid: u32, folder: &Path, arguments: &[String], fds: std::fs::ReadDir) -> Process {
    let exe = std::fs::read_link(folder.join("exe")).ok().map(|p| p.to_string_lossy().into_owned());
    let executable = file_name(exe.as_deref().unwrap_or(&arguments[0]));
    let mut p = Process {
        pid,
        script: script(&executable, arguments),
        executable,
        unit: unit(&std::fs::read_to_string(folder.join("cgroup")).unwrap_or_default()),
        ..Process::default()
    };
    for fd in fds.flatten() {
        let Ok(to) = std::fs::read_link(fd.path()) else {
            continue;
        };
        let text = to.to_string_lossy();
        if let Some(inode) = text.strip_prefix("socket:[").and_then(|t| t.strip_suffix(']')) {
            p.sockets.extend(inode.parse::<u64>().ok());
            continue;
        }
        let text = text.trim_end_matches(" (deleted)").to_owned();
        if NODES.iter().any(|n| text.starts_with(n)) {
            p.nodes.insert(text);
            continue;
        }
        let ending = to.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        let frame = FRAMES.contains(&ending.as_str());
        if !(frame || LOGS.contains(&ending.as_str())) || !for_writing(folder, &fd.file_name()) {
            continue;
        }
        if frame {
            p.frames.insert(to)
        } else {
            p.logs.insert(to)
        };
    }
    p
}

/// Whether a descriptor is open for writing: the access mode in the octal flags of `fdinfo` (`proc_pid_fdinfo(5)`).
fn for_writing(process: &Path, fd: &std::ffi::OsStr) -> bool {
    let info = std::fs::read_to_string(process.join("fdinfo").join(fd)).unwrap_or_default();
    let flags = info.lines().find_map(|l| l.strip_prefix("flags:"));
    flags.and_then(|f| u32::from_str_radix(f.trim(), 8).ok()).is_some_and(|f| f & 3 != 0)
}

/// What a runner runs, as it was typed: its first argument that is no option.
fn script(executable: &str, arguments: &[String]) -> Option<String> {
    if !RUNNERS.iter().any(|r| executable.starts_with(r)) {
        return None;
    }
    let mut rest = arguments.iter().skip(1);
    while let Some(a) = rest.next() {
        match a.as_str() {
            // Text to be run, not a file.
            "-c" | "-e" => return None,
            "-m" => return rest.next().cloned(),
            "-jar" => return rest.next().cloned(),
            a if a.starts_with('-') => {}
            a => return Some(a.into()),
        }
    }
    None
}

/// The unit of a process from its control group, if it is a service of its own and no session, desktop or manager.
fn unit(cgroup: &str) -> Option<String> {
    let last = cgroup.lines().last()?.rsplit('/').next()?;
    let own = last.ends_with(".service") && !last.starts_with("user@") && !last.starts_with("app-");
    own.then(|| last.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_runner_runs_is_its_name() {
        let run = |t: &str| {
            let a: Vec<String> = t.split(' ').map(String::from).collect();
            script(&file_name(&a[0]), &a)
        };
        assert_eq!(run("/usr/bin/python3.11 -u /opt/pier/expose.py --night"), Some("/opt/pier/expose.py".into()));
        assert_eq!(run("java -Xmx1g -jar /opt/sky.jar"), Some("/opt/sky.jar".into()));
        assert_eq!(run("python3 -m pier.guide x"), Some("pier.guide".into()));
        assert_eq!(run("wine64-preloader C:\\pier\\mount.exe"), Some("C:\\pier\\mount.exe".into()));
        assert_eq!(run("bash -c something"), None);
        assert_eq!(run("/opt/exposures/exposures x"), None);
    }

    #[test]
    fn units_that_a_person_could_name() {
        assert_eq!(unit("0::/system.slice/mount-driver.service\n"), Some("mount-driver.service".into()));
        assert_eq!(unit("0::/user.slice/user-1000.slice/user@1000.service/app.slice/app-x.service"), None);
        assert_eq!(unit("0::/user.slice/user-1000.slice/session-2.scope"), None);
        assert_eq!(unit(""), None);
    }
}
