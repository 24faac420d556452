//! Health of the disks below the configured paths: errors that file system and device have counted, a disk that turns read-only, how
//! fast it writes and how long a write takes, and how worn it is, where it tells.
//!
//! Kernel documents: "The /proc filesystem" (mountinfo), "I/O statistics fields" (`/proc/diskstats`; sectors of 512 bytes),
//! "ABI testing sysfs-fs-ext4" (errors_count), `ioerr_cnt` of SCSI devices (hexadecimal), "SD and MMC Device Partitions, MMC attributes"
//! (life_time: tenths of the life, 0x0B beyond it). What a disk does not tell has no signal. Only kernel memory is read, and the
//! disk itself never touched; still on a thread of its own, since some attributes are asked of the device.

use super::take::Rate;
use super::{Gauge, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::config::model::Disk;
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Signals, Span, Unit, Why, WhyCode};
use std::path::{Path, PathBuf};

const EVERY: Span = Span::secs(10);

/// One line of the mount table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mount {
    /// `254:0`; its own numbers for file systems without a device.
    pub numbers: String,
    /// Where.
    pub at: PathBuf,
    /// File system.
    pub kind: String,
    /// Device, share or name.
    pub source: String,
    /// Mounted, or turned, read-only.
    pub read_only: bool,
}

/// The mount on which a path lies: the longest that leads to it, and of equals the last, which covers the others.
pub fn mount_of(text: &[u8], path: &Path) -> Option<Mount> {
    let mut best: Option<Mount> = None;
    for l in parse::lines(text) {
        let Some(m) = mount(l) else { continue };
        let longer = best.as_ref().is_none_or(|b| m.at.as_os_str().len() >= b.at.as_os_str().len());
        if path.starts_with(&m.at) && longer {
            best = Some(m);
        }
    }
    best
}

fn mount(line: &[u8]) -> Option<Mount> {
    let f: Vec<&[u8]> = parse::fields(line).collect();
    // 36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
    let dash = f.iter().position(|x| *x == b"-")?;
    let (own, inner) = (f.get(5)?, f.get(dash + 3)?);
    let read_only = |o: &[u8]| o.split(|c| *c == b',').any(|w| w == b"ro");
    Some(Mount {
        numbers: parse::text(f.get(2)?),
        at: PathBuf::from(super::disks::unescaped(f.get(4)?)),
        kind: parse::text(f.get(dash + 1)?),
        source: super::disks::unescaped(f.get(dash + 2)?),
        read_only: read_only(own) || read_only(inner),
    })
}

/// What a line of `/proc/diskstats` says of one device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Traffic {
    /// Writes that were completed.
    pub writes: u64,
    /// Bytes written.
    pub written: u64,
    /// Time that all writes took together, ms.
    pub writing_ms: u64,
    /// Time in which something was under way, ms.
    pub busy_ms: u64,
}

/// The line of the device with these numbers.
pub fn traffic(text: &[u8], numbers: &str) -> Option<Traffic> {
    let (major, minor) = numbers.split_once(':')?;
    parse::lines(text).find_map(|l| {
        let f: Vec<&[u8]> = parse::fields(l).collect();
        if f.first()? != &major.as_bytes() || f.get(1)? != &minor.as_bytes() {
            return None;
        }
        let n = |i: usize| parse::unsigned(f.get(i)?);
        Some(Traffic { writes: n(7)?, written: n(9)?.checked_mul(512)?, writing_ms: n(10)?, busy_ms: n(12)? })
    })
}

/// Counters of errors, each with its signal.
struct Errors {
    file: String,
    hex: bool,
    gauge: Gauge,
    last: Option<u64>,
    of: &'static str,
}

struct One {
    disk: Disk,
    path: PathBuf,
    mount: Option<Mount>,
    written: Gauge,
    delay: Gauge,
    busy: Gauge,
    bytes: Rate,
    busy_rate: Rate,
    last: Option<Traffic>,
    errors: Vec<Errors>,
    life: Option<(String, Gauge)>,
    was_read_only: Option<bool>,
}

struct Storage {
    name: Name,
    roots: Roots,
    all: Vec<One>,
}

/// The probe, if disks are watched.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    if s.config.disks.is_empty() {
        return vec![];
    }
    let one = |d: &Disk| {
        let g = |q: &str, unit, res, high, what: &str| {
            let def = SignalDef::new(d.name.quantity(q), unit, res, format!("{}: {what}", d.title));
            Gauge::new(&s.signals, def.within(0.0, high))
        };
        let (mount, bytes, busy_rate, last, errors, life, was_read_only) = Default::default();
        One {
            written: g("written", Unit::BytesPerSecond, 1024.0, 1e12, "bytes written to it"),
            delay: g("write-delay", Unit::Milliseconds, 0.1, 1e9, "mean time of one write"),
            busy: g("busy", Unit::Percent, 0.1, 101.0, "share of time in which it was at work"),
            path: d.path.clone(),
            disk: d.clone(),
            mount,
            bytes,
            busy_rate,
            last,
            errors,
            life,
            was_read_only,
        }
    };
    let all = s.config.disks.iter().map(one).collect();
    let mut p = Storage { name: literal("probe.storage"), roots: s.roots.clone(), all };
    let table = p.roots.read("proc/self/mountinfo").unwrap_or_default();
    for o in &mut p.all {
        find(o, &p.roots, &table, &s.signals);
    }
    vec![Box::new(p)]
}

/// Finds the device anew when another one is mounted there. Gives what the new one does not tell.
fn find(o: &mut One, roots: &Roots, table: &[u8], signals: &Signals) -> Vec<Gauge> {
    let mount = mount_of(table, &o.path);
    let same = |a: &Option<Mount>, b: &Option<Mount>| {
        a.as_ref().map(|m| (&m.numbers, &m.at)) == b.as_ref().map(|m| (&m.numbers, &m.at))
    };
    if same(&o.mount, &mount) {
        o.mount = mount;
        return vec![];
    }
    (o.bytes, o.busy_rate, o.last, o.was_read_only) = Default::default();
    let mut gone: Vec<Gauge> = o.errors.drain(..).map(|e| e.gauge).chain(o.life.take().map(|l| l.1)).collect();
    if let Some(m) = &mount {
        let count = |q: &str, what: &str| {
            let what = format!("{}: {what}", o.disk.title);
            Gauge::new(signals, SignalDef::new(o.disk.name.quantity(q), Unit::Count, 1.0, what).within(0.0, 1e15))
        };
        for f in counters(roots, m) {
            let (q, what) = match f.of {
                "file system" => ("file-system-errors", "errors that the file system has counted"),
                _ => ("device-errors", "errors that the device's driver has counted"),
            };
            o.errors.push(Errors { file: f.file, hex: f.hex, gauge: count(q, what), last: None, of: f.of });
        }
        o.life = life_file(roots, m).map(|f| {
            let what = format!("{}: share of its life that is used up, at most", o.disk.title);
            let def = SignalDef::new(o.disk.name.quantity("life-used"), Unit::Percent, 10.0, what);
            (f, Gauge::new(signals, def.within(0.0, 110.0)))
        });
    }
    o.mount = mount;
    gone.retain(|g| !o.errors.iter().any(|e| e.gauge.id() == g.id()) && !o.life.iter().any(|l| l.1.id() == g.id()));
    gone
}

struct Counter {
    file: String,
    hex: bool,
    of: &'static str,
}

/// Name of the device behind a mount, and of the whole disk of which it is a part.
fn device(roots: &Roots, m: &Mount) -> (Option<String>, Option<String>) {
    let own = std::fs::read_link(roots.path(format!("sys/dev/block/{}", m.numbers)))
        .ok()
        .and_then(|p| Some(p.file_name()?.to_str()?.to_string()))
        .or_else(|| m.source.strip_prefix("/dev/").filter(|s| !s.contains('/')).map(str::to_string));
    let whole = own.as_ref().and_then(|own| {
        if roots.path(format!("sys/block/{own}")).exists() {
            return Some(own.clone());
        }
        // A part lies in the folder of its disk.
        let disks = std::fs::read_dir(roots.path("sys/block")).ok()?;
        let mut all = disks.flatten().filter_map(|e| e.file_name().into_string().ok());
        all.find(|d| roots.path(format!("sys/block/{d}/{own}")).exists())
    });
    (own, whole)
}

fn counters(roots: &Roots, m: &Mount) -> Vec<Counter> {
    let (own, whole) = device(roots, m);
    let file_system =
        own.map(|d| Counter { file: format!("sys/fs/ext4/{d}/errors_count"), hex: false, of: "file system" });
    let driver = whole.map(|d| Counter { file: format!("sys/block/{d}/device/ioerr_cnt"), hex: true, of: "device" });
    file_system.into_iter().chain(driver).filter(|c| roots.path(&c.file).exists()).collect()
}

fn life_file(roots: &Roots, m: &Mount) -> Option<String> {
    let file = format!("sys/block/{}/device/life_time", device(roots, m).1?);
    roots.path(&file).exists().then_some(file)
}

fn count(text: &[u8], hex: bool) -> Option<u64> {
    if !hex {
        return parse::unsigned(text);
    }
    let t = std::str::from_utf8(parse::trim(text)).ok()?;
    u64::from_str_radix(t.strip_prefix("0x")?, 16).ok()
}

/// Share of life used up in per cent, of the two kinds of memory in an eMMC the worse: "0x01 0x03" is at most 30 %.
fn life(text: &[u8]) -> Option<f64> {
    let tenth = |f: &[u8]| count(f, true).filter(|n| (1..=0x0b).contains(n));
    let worst = parse::fields(parse::trim(text)).filter_map(tenth).max()?;
    Some(worst as f64 * 10.0)
}

impl One {
    fn traffic(&mut self, text: &Result<Vec<u8>, Why>, out: &mut Take<'_>) {
        let t = match (text, &self.mount) {
            (Err(why), _) => Err(why.clone()),
            (Ok(_), None) => Err(Why::new(WhyCode::Absent, "nothing is mounted at this path")),
            (Ok(text), Some(m)) => traffic(text, &m.numbers).ok_or_else(|| {
                let text = format!("the kernel keeps no figures of {} ({})", m.source, m.kind);
                Why::new(WhyCode::Unsupported, text)
            }),
        };
        match t {
            Err(why) => {
                (self.bytes, self.busy_rate, self.last) = Default::default();
                out.all_unavailable([&self.written, &self.delay, &self.busy], &why);
            }
            Ok(t) => {
                let at = out.at();
                out.either(&self.written, self.bytes.step(at, t.written));
                // Milliseconds a second are tenths of a per cent.
                out.either(&self.busy, self.busy_rate.step(at, t.busy_ms).map(|ms| (ms / 10.0).min(100.0)));
                let last = self.last.replace(t);
                let delay = match last {
                    None => Err(Why::new(WhyCode::NotYet, "the first look: a mean needs two")),
                    Some(l) if t.writes > l.writes && t.writing_ms >= l.writing_ms => {
                        Ok((t.writing_ms - l.writing_ms) as f64 / (t.writes - l.writes) as f64)
                    }
                    Some(_) => Err(Why::new(WhyCode::Absent, "nothing was written since the last look")),
                };
                out.either(&self.delay, delay);
            }
        }
    }

    fn health(&mut self, roots: &Roots, out: &mut Take<'_>) {
        let (at, thing) = (out.at(), self.disk.name.clone());
        for e in &mut self.errors {
            let read = roots.read(&e.file).map_err(|x| Why::from_io(&format!("/{}", e.file), &x));
            let n = read.and_then(|t| {
                count(&t, e.hex).ok_or_else(|| Why::new(WhyCode::Garbled, format!("/{}: not a count", e.file)))
            });
            if let Ok(n) = n
                && let Some(was) = e.last.replace(n)
                && n > was
            {
                let text = format!("{}: the {} has counted {} more errors", self.disk.title, e.of, n - was);
                let event = Event::new(at, thing.clone(), EventKind::Changed, text).within(EVERY);
                out.event(
                    event.with("what", format!("{thing} errors of the {}", e.of)).with("old", was).with("new", n),
                );
            }
            out.either(&e.gauge, n.map(|n| n as f64));
        }
        if let Some((file, g)) = &self.life {
            let read = roots.read(file).map_err(|x| Why::from_io(&format!("/{file}"), &x));
            let v =
                read.and_then(|t| life(&t).ok_or_else(|| Why::new(WhyCode::Absent, "the disk does not tell its wear")));
            out.either(g, v);
        }
        let Some(m) = &self.mount else { return };
        if self.was_read_only.replace(m.read_only).is_some_and(|w| w != m.read_only) {
            let word = |ro| if ro { "read-only" } else { "writable" };
            let text = match m.read_only {
                true => format!("{} has become read-only: nothing can be stored on it", self.disk.title),
                false => format!("{} can be written again", self.disk.title),
            };
            let what = format!("{thing} mode");
            let event = Event::new(at, thing, EventKind::Changed, text).within(EVERY);
            out.event(event.with("what", what).with("old", word(!m.read_only)).with("new", word(m.read_only)));
        }
    }
}

impl Probe for Storage {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        EVERY
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        let of = |o: &One| {
            let mut ids = [&o.written, &o.delay, &o.busy].map(Gauge::id).to_vec();
            ids.extend(o.errors.iter().map(|e| e.gauge.id()));
            ids.extend(o.life.iter().map(|l| l.1.id()));
            ids
        };
        self.all.iter().flat_map(of).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let table = self.roots.read("proc/self/mountinfo");
        let stats = self.roots.read("proc/diskstats").map_err(|e| Why::from_io("/proc/diskstats", &e));
        for o in &mut self.all {
            if let Ok(table) = &table {
                let gone = find(o, &self.roots, table, out.signals);
                out.all_unavailable(&gone, &Why::new(WhyCode::Absent, "another disk is at this path now"));
            }
            o.traffic(&stats, out);
            o.health(&self.roots, out);
        }
    }
}

/// What is worth knowing of the disk under a path, for the look around; empty where nothing is.
pub fn note(roots: &Roots, path: &Path) -> String {
    let table = roots.read("proc/self/mountinfo").unwrap_or_default();
    let Some(m) = mount_of(&table, path) else { return String::new() };
    let mut said = vec![];
    if m.read_only {
        said.push("read-only now".to_string());
    }
    for c in counters(roots, &m) {
        if let Some(n) = roots.read(&c.file).ok().and_then(|t| count(&t, c.hex)).filter(|n| *n > 0) {
            said.push(format!("its {} has counted {n} errors", c.of));
        }
    }
    if let Some(v) = life_file(roots, &m).and_then(|f| roots.read(f).ok()).and_then(|t| life(&t)) {
        said.push(format!("up to {v} % of its life is used up"));
    }
    said.join("; ")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    const TABLE: &str = "22 1 179:2 / / rw,noatime - ext4 /dev/mmcblk0p2 rw\n\
        36 22 8:1 / /media/pier\\040stick rw - ext4 /dev/sda1 rw,errors=remount-ro\n\
        40 22 0:44 / /mnt/frames rw - nfs4 nas:/frames rw\n";
    const STATS: &str =
        " 179 2 mmcblk0p2 9 0 9 9 100 5 2000 400 0 300 700 0 0 0 0 0 0\n   8 1 sda1 1 1 1 1 10 0 100 50 0 60 50\n";

    fn bench() -> Bench {
        let mut b = Bench::new(&[
            ("proc/self/mountinfo", TABLE),
            ("proc/diskstats", STATS),
            ("sys/fs/ext4/mmcblk0p2/errors_count", "0\n"),
            ("sys/fs/ext4/sda1/errors_count", "3\n"),
            ("sys/block/sda/sda1/partition", "1\n"),
            ("sys/block/sda/device/ioerr_cnt", "0x2f\n"),
            ("sys/block/mmcblk0/mmcblk0p2/partition", "2\n"),
            ("sys/block/mmcblk0/device/life_time", "0x01 0x03\n"),
        ]);
        let d = |n: &str, p: &str| Disk { name: literal(n), title: n.into(), path: p.into() };
        let all = [("disk.root", "/"), ("disk.stick", "/media/pier stick/x"), ("disk.share", "/mnt/frames")];
        b.config.disks = all.map(|(n, p)| d(n, p)).to_vec();
        b
    }

    #[test]
    fn figures_errors_and_wear() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!(b.why("disk.root.written"), Some(WhyCode::NotYet));
        assert_eq!(b.value("disk.stick.file-system-errors"), Some(3.0));
        assert_eq!(b.value("disk.stick.device-errors"), Some(47.0));
        assert_eq!(b.value("disk.root.life-used"), Some(30.0));
        assert_eq!(b.why("disk.share.written"), Some(WhyCode::Unsupported));
        assert!(b.why_text("disk.share.busy").contains("nas:/frames"));
        assert!(b.events().is_empty());
        // In one second: 20 writes of together 1 MiB that took 90 ms each; busy for half of it.
        b.write("proc/diskstats", &STATS.replace("100 5 2000 400 0 300", "120 5 4048 2200 0 800"));
        b.write("sys/fs/ext4/sda1/errors_count", "5\n");
        b.run(&mut p);
        assert_eq!(b.value("disk.root.written"), Some(1_048_576.0));
        assert_eq!((b.value("disk.root.write-delay"), b.value("disk.root.busy")), (Some(90.0), Some(50.0)));
        assert_eq!(b.why("disk.stick.write-delay"), Some(WhyCode::Absent));
        assert_eq!(b.events()[0].text, "disk.stick: the file system has counted 2 more errors");
    }

    #[test]
    fn a_disk_that_turns_read_only_is_told_once_and_another_one_is_found() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        // An error of the device turns the file system read-only, though the mount itself stays as it was.
        b.write("proc/self/mountinfo", &TABLE.replace("rw,errors=remount-ro", "ro,errors=remount-ro"));
        b.run(&mut p);
        let e = b.events();
        assert_eq!((e.len(), e[0].thing.as_str(), e[0].detail["new"].as_str()), (1, "disk.stick", Some("read-only")));
        assert!(
            note(&b.roots(), Path::new("/media/pier stick")).contains("read-only now; its file system has counted 3")
        );
        b.run(&mut p);
        assert!(b.events().is_empty());
        // Unplugged: the path lies on the root disk now, and that is no error of the stick.
        b.write("proc/self/mountinfo", TABLE.lines().next().unwrap());
        b.run(&mut p);
        assert!(b.events().is_empty());
        assert_eq!(b.value("disk.stick.file-system-errors"), Some(0.0));
        b.remove("proc/diskstats");
        b.run(&mut p);
        assert_eq!(b.why("disk.root.busy"), Some(WhyCode::Absent));
    }

    /// The kernel document's own example of the mount table.
    #[test]
    fn the_documents_example() {
        let m = mount(b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue").unwrap();
        assert_eq!((m.numbers.as_str(), m.at.to_str().unwrap(), m.kind.as_str()), ("98:0", "/mnt2", "ext3"));
        assert!(!m.read_only);
        assert_eq!(life(b"0x0b 0x00"), Some(110.0));
        assert_eq!(life(b"0x00 0x00"), None);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn the_real_root_has_figures() {
        let table = std::fs::read("/proc/self/mountinfo").unwrap();
        let m = mount_of(&table, Path::new("/")).unwrap();
        let stats = std::fs::read("/proc/diskstats").unwrap();
        // A container's root may have no device of its own.
        if let Some(t) = traffic(&stats, &m.numbers) {
            assert!(t.writes == 0 || t.written > 0);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(a in proptest::collection::vec(any::<u8>(), 0..200), n in any::<[u64; 5]>(), cut in 0..200_usize) {
            let b = bench();
            let mut p = b.probes(probes);
            let line = format!("179 2 x 0 0 0 0 {} 0 {} {} 0 {} {}", n[0], n[1], n[2], n[3], n[4]);
            for text in [line.as_bytes(), &a, STATS.as_bytes().get(..cut).unwrap_or(&a), STATS.as_bytes(), line.as_bytes()] {
                b.write_bytes("proc/diskstats", text);
                b.write_bytes("sys/fs/ext4/sda1/errors_count", text);
                b.write_bytes("sys/block/sda/device/ioerr_cnt", text);
                b.write_bytes("sys/block/mmcblk0/device/life_time", text);
                b.run(&mut p);
                b.all_in_range();
            }
            b.write_bytes("proc/self/mountinfo", &a);
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
