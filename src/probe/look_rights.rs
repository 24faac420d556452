//! What this process may look at and what it may not, with the line that grants it; and which configured paths are not here.
//!
//! Tried out, not guessed: each part makes the very attempt that the probe would make.

use super::Roots;
use crate::config::Config;
use std::path::Path;

/// How the agent is run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// From a terminal.
    ByHand,
    /// The user unit of the person who images.
    UserUnit,
    /// The hardened system unit.
    SystemUnit,
}

/// One thing that cannot be seen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Blind {
    /// What cannot be seen, and what follows.
    pub what: String,
    /// The line that grants it; empty where nothing can.
    pub grant: String,
}

fn blind(what: impl Into<String>, grant: impl Into<String>) -> Blind {
    Blind { what: what.into(), grant: grant.into() }
}

impl Form {
    /// Said to people.
    pub fn words(self) -> &'static str {
        match self {
            Form::ByHand => "run by hand",
            Form::UserUnit => "run as a user unit",
            Form::SystemUnit => "run as the hardened system unit",
        }
    }
}

const OTHERS: &str = "executables, mapped libraries and open files of other users' programs: which of them draws in software \
and which holds a device stays unknown; their names, processor time and memory are seen";
const KERNEL_LOG: &str = "the kernel's own lines (USB resets, over-current, I/O errors): a reason for a lost device may stay \
unknown";
const ECHO: &str = "ICMP echo: links are judged by TCP connect and the neighbour table instead";
const DROP_INS: &str = "/etc/systemd/system/tilldawn.service.d/";

/// What a form of installation cannot see unless more is granted, by its unit file.
pub fn of_form(form: Form) -> Vec<Blind> {
    let echo = || blind(ECHO, "sysctl -w net.ipv4.ping_group_range='0 2147483647'");
    match form {
        Form::ByHand | Form::UserUnit => vec![
            blind(OTHERS, "the system unit with the drop-in other-users-programs.conf"),
            blind(KERNEL_LOG, "usermod -aG systemd-journal USER, then log in anew"),
            echo(),
            blind("anything after you log out, without lingering: the agent ends with you", "loginctl enable-linger"),
        ],
        Form::SystemUnit => {
            let drop_in = |what: &str, file: &str| {
                blind(what, format!("copy systemd/system/tilldawn.service.d/{file}.example to {DROP_INS}{file}"))
            };
            vec![
                drop_in(OTHERS, "other-users-programs.conf"),
                drop_in(KERNEL_LOG, "kernel-log.conf"),
                drop_in("whether the clock is synchronised", "clock-state.conf"),
                drop_in("frames and logs in somebody's home folder", "frames-folder.conf"),
                drop_in(ECHO, "echo.conf"),
                blind(
                    "programs of a person cannot be restarted: actions run as the agent's own user",
                    "the user unit, or a unit of your own that the action starts through the service manager",
                ),
            ]
        }
    }
}

/// Who runs this process, how, and what it cannot see.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rights {
    /// The user's name, or its number.
    pub user: String,
    /// How it is run.
    pub form: Form,
    /// What cannot be seen.
    pub blind: Vec<Blind>,
}

/// Tries out what this process may look at.
#[cfg(target_os = "linux")]
pub fn here(roots: &Roots) -> Rights {
    let uid = rustix::process::geteuid().as_raw();
    let user = user_name(roots, uid);
    let form = form(roots);
    let mut all = vec![];
    match others(roots, uid) {
        Others::Open => {}
        Others::Closed => all.push(blind(OTHERS, of_form(form)[0].grant.clone())),
        Others::Hidden => all.push(blind(
            "other users' programs at all: the process table is mounted with hidepid",
            "mount -o remount,hidepid=0 /proc",
        )),
    }
    if super::kernel_log::way(roots).is_err() {
        all.push(blind(KERNEL_LOG, of_form(form)[1].grant.replace("USER", &user)));
    }
    if roots.is_system() && !echo_allowed() {
        all.push(blind(
            ECHO,
            format!("sysctl -w net.ipv4.ping_group_range='{0} {0}'", rustix::process::getegid().as_raw()),
        ));
    }
    if roots.read("/proc/pressure/cpu").is_err() {
        all.push(blind(
            "pressure stall (how long programs wait for processor, memory and disk)",
            "psi=1 on the kernel's command line",
        ));
    }
    // Asked of the kernel itself, which a made-up tree does not have.
    if roots.is_system() && super::kernel::wall_clock().is_err() {
        all.push(blind(
            "whether the clock is synchronised: the filter of system calls that is in force leaves it out",
            format!("copy systemd/system/tilldawn.service.d/clock-state.conf.example to {DROP_INS}clock-state.conf"),
        ));
    }
    if !roots.path("/sys/bus/usb/devices").exists() {
        all.push(blind("USB devices: this machine shows no USB bus", ""));
    } else if !roots.path("/run/udev/control").exists() {
        all.push(blind(
            "USB devices at once: without the device manager they are looked for every few seconds",
            "the udev daemon of the distribution",
        ));
    }
    let lingers = roots.path("/var/lib/systemd/linger").join(&user).exists();
    if form == Form::UserUnit && !lingers {
        all.push(of_form(form)[3].clone());
    }
    Rights { user, form, blind: all }
}

/// On other systems nothing is tried out yet.
#[cfg(not(target_os = "linux"))]
pub fn here(_: &Roots) -> Rights {
    Rights { user: "this user".into(), form: Form::ByHand, blind: vec![] }
}

#[cfg(target_os = "linux")]
fn user_name(roots: &Roots, uid: u32) -> String {
    let table = std::fs::read_to_string(roots.path("/etc/passwd")).unwrap_or_default();
    let found = table.lines().find_map(|l| {
        let mut parts = l.split(':');
        let name = parts.next()?;
        (parts.nth(1)? == uid.to_string()).then(|| name.to_owned())
    });
    found.unwrap_or_else(|| format!("user {uid}"))
}

/// From the control group, where the service manager has put this process.
#[cfg(target_os = "linux")]
fn form(roots: &Roots) -> Form {
    let group = roots.text("/proc/self/cgroup").unwrap_or_default();
    let unit = |l: &str| l.rsplit('/').next().is_some_and(|u| u.ends_with(".service") && !u.starts_with("user@"));
    match group.lines().find(|l| unit(l)) {
        Some(l) if l.contains("/user@") || l.contains("/user.slice/") => Form::UserUnit,
        Some(_) => Form::SystemUnit,
        None => Form::ByHand,
    }
}

#[cfg(target_os = "linux")]
#[derive(Debug, PartialEq)]
enum Others {
    Open,
    Closed,
    Hidden,
}

/// Whether another user's program can be looked into.
#[cfg(target_os = "linux")]
fn others(roots: &Roots, uid: u32) -> Others {
    use std::os::unix::fs::MetadataExt;
    if !roots.path("/proc/1").exists() {
        return Others::Hidden;
    }
    let mut seen_closed = false;
    for e in std::fs::read_dir(roots.path("/proc")).into_iter().flatten().flatten() {
        let of_a_program = e.file_name().to_string_lossy().bytes().all(|b| b.is_ascii_digit());
        if !of_a_program || e.metadata().map_or(true, |m| m.uid() == uid) {
            continue;
        }
        match std::fs::read_dir(e.path().join("fd")) {
            Ok(_) => return Others::Open,
            Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => seen_closed = true,
            // It ended in between.
            Err(_) => {}
        }
    }
    // Where nobody else runs anything, the superuser's right decides.
    if seen_closed || (uid != 0 && roots.is_system()) { Others::Closed } else { Others::Open }
}

/// Whether the kernel gives this user a socket for ICMP echo.
#[cfg(target_os = "linux")]
fn echo_allowed() -> bool {
    use rustix::net::{AddressFamily, SocketType, ipproto, socket};
    socket(AddressFamily::INET, SocketType::DGRAM, Some(ipproto::ICMP)).is_ok()
        || socket(AddressFamily::INET, SocketType::RAW, Some(ipproto::ICMP)).is_ok()
}

/// Configured paths that are not here now, or cannot be read, in words. A camera's node may well be away at noon.
pub fn paths(c: &Config) -> Vec<String> {
    let mut lines: Vec<String> = vec![];
    let mut look = |title: &str, path: &Path, folder: bool| {
        let found = if folder { std::fs::read_dir(path).map(drop) } else { std::fs::metadata(path).map(drop) };
        if let Err(e) = found {
            let why = match e.kind() {
                std::io::ErrorKind::NotFound => "is not here now".into(),
                std::io::ErrorKind::PermissionDenied => "may not be read by this user".into(),
                std::io::ErrorKind::NotADirectory => "is no folder".into(),
                _ => format!("cannot be read: {e}"),
            };
            let line = format!("{title}: {} {why}.", path.display());
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
    };
    for p in &c.programs {
        p.holds.iter().for_each(|n| look(&p.title, n, false));
        if let Some(e) = p.find.executable.as_deref().filter(|e| e.contains('/')) {
            look(&p.title, Path::new(e), false);
        }
    }
    for d in &c.devices {
        d.node.iter().for_each(|n| look(&d.title, n, false));
    }
    for d in &c.disks {
        look(&d.title, &d.path, false);
    }
    if let Some(f) = &c.frames {
        look(&f.title, &f.folder, true);
    }
    for l in &c.logs {
        if let Some(folder) = Path::new(&l.path).parent() {
            look(&l.title, folder, true);
        }
    }
    for s in &c.sensors {
        if let crate::config::model::SensorSource::File { path, .. } = &s.source {
            look(&s.title, path, false);
        }
    }
    for a in &c.actions {
        for program in [a.run.first(), a.off.as_ref().and_then(|o| o.first())].into_iter().flatten() {
            if program.contains('/') {
                look(&a.title, Path::new(program), false);
            }
        }
    }
    lines
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use super::*;

    fn tree(files: &[(&str, &str)]) -> (tempfile::TempDir, Roots) {
        let dir = tempfile::tempdir().unwrap();
        for (path, text) in files {
            let p = dir.path().join(path.trim_start_matches('/'));
            std::fs::create_dir_all(p.parent().unwrap()).unwrap();
            std::fs::write(p, text).unwrap();
        }
        let roots = Roots::at(dir.path());
        (dir, roots)
    }

    #[test]
    fn the_form_is_told_by_the_control_group() {
        for (group, form_there) in [
            ("0::/user.slice/user-1000.slice/user@1000.service/app.slice/tilldawn.service\n", Form::UserUnit),
            ("0::/system.slice/tilldawn.service\n", Form::SystemUnit),
            ("0::/user.slice/user-1000.slice/session-2.scope\n", Form::ByHand),
            ("", Form::ByHand),
        ] {
            let (_dir, roots) = tree(&[("/proc/self/cgroup", group)]);
            assert_eq!(form(&roots), form_there, "{group}");
        }
    }

    #[test]
    fn what_is_closed_is_named_with_its_grant() {
        let uid = rustix::process::geteuid().as_raw();
        let (_dir, roots) = tree(&[
            ("/proc/1/stat", ""),
            ("/proc/self/cgroup", "0::/user.slice/user-1000.slice/user@1000.service/app.slice/tilldawn.service"),
            ("/etc/passwd", &format!("pier:x:{uid}:{uid}::/home/pier:/bin/sh\n")),
        ]);
        let r = here(&roots);
        assert_eq!((r.user.as_str(), r.form), ("pier", Form::UserUnit));
        let all: String = r.blind.iter().map(|b| format!("{} | {}\n", b.what, b.grant)).collect();
        for part in ["kernel's own lines", "-aG systemd-journal pier", "psi=1", "no USB bus", "enable-linger"] {
            assert!(all.contains(part), "{part}\n{all}");
        }
        std::fs::create_dir_all(roots.path("/var/lib/systemd/linger")).unwrap();
        std::fs::write(roots.path("/var/lib/systemd/linger/pier"), "").unwrap();
        assert!(!here(&roots).blind.iter().any(|b| b.grant.contains("linger")));
    }

    #[test]
    fn paths_that_are_away_are_told() {
        let c = crate::config::parse("[disk.gone]\npath = \"/no-such-folder\"\n", None).unwrap();
        assert_eq!(paths(&c), ["gone disk: /no-such-folder is not here now."]);
    }
}
