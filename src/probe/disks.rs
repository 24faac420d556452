//! Disks: free space, free inodes, and whether they can be written. One probe for each configured path, on a thread of its
//! own, since a dead network share or a failing stick blocks for minutes.

use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take};
use crate::config::model::Disk;
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Span, Unit, Why, WhyCode};
use std::path::PathBuf;

/// Room is rounded to this: finer steps say nothing and cost storage.
const STEP: f64 = 1_048_576.0;

/// What a file system says of itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// Bytes that an ordinary program can still write.
    pub free: f64,
    /// Share of the room that ordinary programs have, in per cent.
    pub free_share: f64,
    /// Share of files that can still be made, in per cent; none where the file system has no fixed number.
    pub inodes_free_share: Option<f64>,
    /// Not mounted read-only.
    pub writable: bool,
    /// Which file system it is.
    pub device: u64,
}

#[cfg(target_os = "linux")]
fn room(path: &std::path::Path) -> std::io::Result<Room> {
    use std::os::unix::fs::MetadataExt;
    let device = std::fs::metadata(path)?.dev();
    let s = rustix::fs::statvfs(path)?;
    let unit = if s.f_frsize > 0 { s.f_frsize } else { s.f_bsize } as f64;
    // What is kept back for the administrator counts neither as free nor as room.
    let room = s.f_blocks.saturating_sub(s.f_bfree).saturating_add(s.f_bavail);
    let share = |part: u64, whole: u64| if whole > 0 { 100.0 * part as f64 / whole as f64 } else { 0.0 };
    Ok(Room {
        free: s.f_bavail as f64 * unit,
        free_share: share(s.f_bavail, room),
        inodes_free_share: (s.f_files > 0).then(|| share(s.f_favail, s.f_files)),
        writable: !s.f_flag.contains(rustix::fs::StatVfsMountFlags::RDONLY),
        device,
    })
}

#[cfg(not(target_os = "linux"))]
fn room(path: &std::path::Path) -> std::io::Result<Room> {
    let path = std::fs::canonicalize(path)?;
    let disks = sysinfo::Disks::new_with_refreshed_list().map_err(std::io::Error::other)?;
    let of = disks.iter().filter(|d| path.starts_with(d.mount_point()));
    let d = of.max_by_key(|d| d.mount_point().as_os_str().len());
    let d = d.ok_or_else(|| std::io::Error::new(std::io::ErrorKind::NotFound, "no disk with this path"))?;
    let (free, all) = (d.available_space() as f64, d.total_space() as f64);
    Ok(Room {
        free,
        free_share: if all > 0.0 { 100.0 * free / all } else { 0.0 },
        inodes_free_share: None,
        writable: !d.is_read_only(),
        device: 0,
    })
}

struct OneDisk {
    name: Name,
    disk: Disk,
    path: PathBuf,
    free: Gauge,
    share: Gauge,
    inodes: Gauge,
    writable: Gauge,
    device: Option<u64>,
}

/// The probes, one for each configured disk.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let make = |d: &Disk| -> Box<dyn Probe> {
        let g = |q: &str, unit, res, high, what: &str| {
            let def = SignalDef::new(d.name.quantity(q), unit, res, format!("{}: {what}", d.title));
            Gauge::new(&s.signals, def.within(0.0, high))
        };
        Box::new(OneDisk {
            name: Name::from_parts("probe", &format!("disk-{}", d.name.own())),
            path: s.roots.path(&d.path),
            free: g("free", Unit::Bytes, STEP, 1e18, "room left"),
            share: g("free-share", Unit::Percent, 0.1, 100.0, "share of the room left"),
            inodes: g("inodes-free-share", Unit::Percent, 0.1, 100.0, "share of files that can still be made"),
            writable: Gauge::truth(&s.signals, d.name.quantity("writable"), format!("{}: can be written", d.title)),
            device: None,
            disk: d.clone(),
        })
    };
    s.config.disks.iter().map(make).collect()
}

impl Probe for OneDisk {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        Span::secs(10)
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        [&self.free, &self.share, &self.inodes, &self.writable].map(Gauge::id).to_vec()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let r = match room(&self.path) {
            Ok(r) => r,
            Err(e) => {
                let why = Why::from_io(&self.disk.path.display().to_string(), &e);
                out.all_unavailable([&self.free, &self.share, &self.inodes, &self.writable], &why);
                return;
            }
        };
        out.known(&self.free, r.free);
        out.known(&self.share, r.free_share);
        out.truth(&self.writable, r.writable);
        let none = || Why::new(WhyCode::Unsupported, "this file system has no fixed number of files");
        out.either(&self.inodes, r.inodes_free_share.ok_or_else(none));
        // A disk that is no longer mounted leaves its empty folder behind, and that of another disk would be measured.
        if self.device.replace(r.device).is_some_and(|was| was != r.device) {
            let text = format!("{}: another file system is mounted there now", self.disk.title);
            let e = Event::new(out.at(), self.disk.name.clone(), EventKind::Changed, text);
            out.event(e.within(self.period()).with("what", "mount"));
        }
    }
}

/// File systems that hold no files of people.
const INNER: [&str; 24] = [
    "autofs",
    "bdev",
    "binfmt_misc",
    "bpf",
    "cgroup",
    "cgroup2",
    "configfs",
    "debugfs",
    "devpts",
    "devtmpfs",
    "efivarfs",
    "fusectl",
    "hugetlbfs",
    "mqueue",
    "nsfs",
    "overlay",
    "proc",
    "pstore",
    "ramfs",
    "rpc_pipefs",
    "securityfs",
    "squashfs",
    "sysfs",
    "tracefs",
];

/// Mount points of file systems that hold files of people, with their kind, from `/proc/mounts` (fstab(5), with octal
/// escapes).
pub fn mounts(text: &[u8]) -> Vec<(PathBuf, String)> {
    let mut all: Vec<(PathBuf, String)> = vec![];
    for l in super::parse::lines(text) {
        let mut f = super::parse::fields(l).skip(1);
        let (Some(path), Some(kind)) = (f.next(), f.next()) else { continue };
        let (path, kind) = (PathBuf::from(unescaped(path)), super::parse::text(kind));
        let temporary = kind == "tmpfs" || path.starts_with("/boot") || path.starts_with("/snap");
        let root = path == std::path::Path::new("/");
        if (root || !(temporary || INNER.contains(&kind.as_str()))) && path.is_absolute() {
            all.retain(|(p, _)| *p != path);
            all.push((path, kind));
        }
    }
    all
}

/// Text of the mount tables without its octal escapes.
pub(super) fn unescaped(b: &[u8]) -> String {
    let mut out = vec![];
    let mut i = 0;
    while i < b.len() {
        let octal = b.get(i + 1..i + 4).filter(|d| b[i] == b'\\' && d.iter().all(|c| matches!(c, b'0'..=b'7')));
        match octal {
            Some(d) => {
                let n = d.iter().fold(0_u32, |n, c| n * 8 + u32::from(c - b'0'));
                out.push(n as u8);
                i += 4;
            }
            None => {
                out.push(b[i]);
                i += 1;
            }
        }
    }
    String::from_utf8_lossy(&out).into_owned()
}

/// What the look around says: every mounted file system that may hold files of people.
pub fn found(roots: &Roots) -> Vec<Found> {
    let text = roots.read("proc/mounts").unwrap_or_default();
    let mut all: Vec<Found> = vec![];
    for (path, kind) in mounts(&text) {
        let shown = path.display().to_string();
        let own = if shown == "/" { "root".into() } else { Name::part(&shown) };
        let lines = vec![format!("[disk.{own}]"), format!("path = {}", toml::Value::from(shown.as_str()))];
        // Not measured here: asking a dead share would hang the look around.
        let note = if own == "root" { format!("{kind}, watched without configuration") } else { kind };
        let health = super::storage::note(roots, &path);
        let note = if health.is_empty() { note } else { format!("{note}; {health}") };
        all.push(Found::with_lines(Group::Disks, shown, lines, note));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    #[test]
    fn a_real_folder_has_room_and_a_missing_one_says_so() {
        let mut b = Bench::new(&[("data/x", "")]);
        let d = |n: &str, p: &str| Disk { name: Name::new(n).unwrap(), title: n.into(), path: p.into() };
        b.config.disks = vec![d("disk.data", "/data"), d("disk.gone", "/gone")];
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert!(b.value("disk.data.free").is_some_and(|v| v > 0.0));
        assert!(b.value("disk.data.free-share").is_some());
        assert_eq!(b.value("disk.data.writable"), Some(1.0));
        assert_eq!(b.why("disk.gone.free"), Some(WhyCode::Absent));
        assert!(b.why_text("disk.gone.free").contains("/gone"), "{}", b.why_text("disk.gone.free"));
        b.all_in_range();
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn shares_agree_with_df() {
        // The coreutils manual: available / (used + available). `df` rounds the used share up to whole per cents.
        let out = std::process::Command::new("df").args(["--output=avail,pcent", "-B1", "/"]).output().unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        let mut f = text.lines().nth(1).unwrap().split_whitespace();
        let avail: f64 = f.next().unwrap().parse().unwrap();
        let used: f64 = f.next().unwrap().trim_end_matches('%').parse().unwrap();
        let r = room(std::path::Path::new("/")).unwrap();
        // Others write to this disk meanwhile.
        assert!((r.free - avail).abs() < 0.02 * avail + 1e9, "{} {avail}", r.free);
        assert!((100.0 - r.free_share - used).abs() <= 1.5, "{} {used}", r.free_share);
    }

    #[test]
    fn mounts_of_people_are_listed() {
        let text = "/dev/sda1 / ext4 rw 0 0\nproc /proc proc rw 0 0\n/dev/sdb1 /media/pier\\040stick vfat rw 0 0\n\
            tmpfs /run tmpfs rw 0 0\nnas:/frames /mnt/frames nfs4 rw 0 0\n/dev/sda2 /boot/efi vfat rw 0 0\n";
        let b = Bench::new(&[("proc/mounts", text)]);
        let f = found(&b.roots());
        let titles: Vec<_> = f.iter().map(|f| f.title.as_str()).collect();
        assert_eq!(titles, ["/", "/media/pier stick", "/mnt/frames"]);
        assert_eq!(f[1].config_lines, ["[disk.media-pier-stick]", "path = \"/media/pier stick\""]);
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = mounts(&b);
        }
    }
}
