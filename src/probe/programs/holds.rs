//! The talk of a program with its device: a program that lives while its device node is closed, or was deleted under it, does
//! nothing any more.
//!
//! Nodes that a program must keep open (`holds`) are a sign of life: when one is closed, that is told as an event and judged as
//! a hang. Nodes that it was seen holding for a while are learned; when such a one is closed, that is an event only.

use super::roll::{Id, Roll};
use crate::model::{Event, EventKind, Name, SignalId, Span, Stamp, Why, WhyCode};
use crate::probe::{Gauge, Lane, Probe, Roots, Setup, Take, literal};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Open files are looked at this often where a program must keep a node open.
const PERIOD: Span = Span::secs(3);
/// And this often where nodes are only learned.
const PERIOD_LEARNING: Span = Span::secs(10);
/// A node held for this long is one that the program works with.
const LEARNED: Span = Span::mins(1);
/// Beginnings of device nodes that equipment hangs on.
const NODES: [&str; 7] =
    ["/dev/ttyUSB", "/dev/ttyACM", "/dev/ttyAMA", "/dev/video", "/dev/bus/usb/", "/dev/hidraw", "/dev/usb/"];
/// More open files than these are not looked through.
const MOST: usize = 4096;

/// How a node is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Held {
    Open,
    /// It is open, but the node was deleted: the device has left.
    Deleted,
    No,
}

/// A node of one program.
struct Node {
    /// As configured or as first seen.
    path: PathBuf,
    must: bool,
    /// Since when it has been held.
    since: Option<Stamp>,
    /// It was held for long enough, so its loss counts.
    known: bool,
    /// When it was first seen not held. Told at the second look, since a program that ends closes its files first.
    lost: Option<Stamp>,
    told: bool,
}

struct One {
    id: Option<Id>,
    gauge: Option<Gauge>,
    nodes: Vec<Node>,
}

/// The probe.
pub struct Holds {
    name: Name,
    roots: Roots,
    roll: Arc<Roll>,
    period: Span,
    programs: Vec<One>,
}

impl Holds {
    /// Looks at the programs of the roll.
    pub fn new(s: &Setup<'_>, roll: Arc<Roll>) -> Holds {
        let one = |p: &crate::config::model::Program| One {
            id: None,
            gauge: (!p.holds.is_empty()).then(|| {
                Gauge::truth(&s.signals, p.name.quantity("holds"), format!("{}: keeps its device open", p.title))
            }),
            nodes: p.holds.iter().map(|h| Node::new(h.clone(), true)).collect(),
        };
        let programs: Vec<One> = roll.entries().iter().map(|e| one(&e.program)).collect();
        let period = if programs.iter().any(|p| p.gauge.is_some()) { PERIOD } else { PERIOD_LEARNING };
        Holds { name: literal("probe.open-devices"), roots: s.roots.clone(), roll, period, programs }
    }
}

impl Node {
    fn new(path: PathBuf, must: bool) -> Node {
        Node { path, must, since: None, known: must, lost: None, told: false }
    }
}

/// Device nodes that a process has open, by path; true: the node was deleted since.
fn open_nodes(roots: &Roots, pid: u32) -> io::Result<BTreeMap<PathBuf, bool>> {
    let mut all = BTreeMap::new();
    for fd in std::fs::read_dir(roots.path(format!("proc/{pid}/fd")))?.take(MOST).flatten() {
        let Ok(to) = std::fs::read_link(fd.path()) else { continue };
        let Some(text) = to.to_str().filter(|t| t.starts_with("/dev/")) else { continue };
        match text.strip_suffix(" (deleted)") {
            Some(t) => _ = all.entry(PathBuf::from(t)).or_insert(true),
            // Held twice, and once in a sound way: sound.
            None => _ = all.insert(PathBuf::from(text), false),
        }
    }
    Ok(all)
}

/// Where a node's name leads, below the root: `/dev/serial/by-id/…` is a link to `/dev/ttyUSB0`.
fn target(roots: &Roots, node: &Path) -> PathBuf {
    let Ok(link) = std::fs::read_link(roots.path(node)) else { return node.to_path_buf() };
    let joined = node.parent().unwrap_or(Path::new("/")).join(link);
    // Only `..` between folders that exist under /dev: resolved by name.
    let mut out = PathBuf::new();
    for part in joined.components() {
        match part {
            std::path::Component::ParentDir => _ = out.pop(),
            other => out.push(other),
        }
    }
    out
}

impl Probe for Holds {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.programs.iter().filter_map(|p| Some(p.gauge.as_ref()?.id())).collect()
    }
    fn recover(&mut self) {
        for p in &mut self.programs {
            p.id = None;
        }
    }

    fn take(&mut self, out: &mut Take<'_>) {
        for i in 0..self.programs.len() {
            let (id, name, title) = {
                let all = self.roll.entries();
                let e = &all[i];
                (e.current.as_ref().map(|p| p.id), e.program.name.clone(), e.program.title.clone())
            };
            let one = &mut self.programs[i];
            let Some(id) = id else {
                one.forget();
                if let Some(g) = &one.gauge {
                    out.unavailable(g, Why::new(WhyCode::Absent, "not running"));
                }
                continue;
            };
            if one.id != Some(id) {
                one.forget();
                one.id = Some(id);
            }
            match open_nodes(&self.roots, id.pid) {
                Ok(open) => one.judge(&self.roots, &open, (&name, &title), self.period, out),
                Err(e) => {
                    let why = match e.kind() {
                        io::ErrorKind::PermissionDenied => Why::new(
                            WhyCode::Refused,
                            "belongs to another user: run the agent as that user, or grant it CAP_SYS_PTRACE and \
                             CAP_DAC_READ_SEARCH",
                        ),
                        io::ErrorKind::NotFound => Why::new(WhyCode::Absent, "not running"),
                        _ => Why::from_io("open devices", &e),
                    };
                    if let Some(g) = &one.gauge {
                        out.unavailable(g, why);
                    }
                }
            }
        }
    }
}

impl One {
    /// Another process, or none: what is known of its nodes begins anew.
    fn forget(&mut self) {
        self.id = None;
        self.nodes.retain(|n| n.must);
        for n in &mut self.nodes {
            (n.since, n.lost, n.told) = (None, None, false);
        }
    }

    fn judge(
        &mut self,
        roots: &Roots,
        open: &BTreeMap<PathBuf, bool>,
        (name, title): (&Name, &str),
        period: Span,
        out: &mut Take<'_>,
    ) {
        let at = out.at();
        for path in open.keys().filter(|p| NODES.iter().any(|n| p.to_string_lossy().starts_with(n))) {
            let there = self.nodes.iter().any(|n| n.path == *path || target(roots, &n.path) == *path);
            if !there && self.nodes.len() < 64 {
                self.nodes.push(Node::new(path.clone(), false));
            }
        }
        let mut holds = true;
        for n in &mut self.nodes {
            let to = target(roots, &n.path);
            let held = match open.get(&to).or_else(|| open.get(&n.path)) {
                Some(false) => Held::Open,
                Some(true) => Held::Deleted,
                None => Held::No,
            };
            holds &= held == Held::Open || !n.must;
            if held == Held::Open {
                let since = *n.since.get_or_insert(at);
                n.known |= at.boot - since.boot >= LEARNED;
                n.lost = None;
                if std::mem::take(&mut n.told) {
                    let text = format!("{title} holds {} again", n.path.display());
                    if n.must {
                        let missing = (at.boot - since.boot).0.max(0);
                        out.event(
                            Event::new(at, name.clone(), EventKind::SignBack, text)
                                .within(period)
                                .with("sign", SIGN)
                                .with("missing_ms", missing),
                        );
                    }
                }
                continue;
            }
            // One that was never held: it is not connected yet, which the person sees.
            if n.since.is_none() || !n.known || n.told {
                continue;
            }
            let first = *n.lost.get_or_insert(at);
            if first.boot == at.boot {
                continue;
            }
            (n.told, n.since) = (true, None);
            let what = match held {
                Held::Deleted => format!("{} was deleted under {title}", n.path.display()),
                _ => format!("{title} closed {} and runs on", n.path.display()),
            };
            let event = |kind| Event::new(first, name.clone(), kind, what.clone()).within(period);
            out.event(
                event(EventKind::DeviceClosed)
                    .with("program", name.as_str())
                    .with("node", n.path.display().to_string())
                    .with("deleted", held == Held::Deleted)
                    .with("must", n.must),
            );
            if n.must {
                out.event(event(EventKind::SignMissing).with("sign", SIGN).with("limit_s", 0));
            }
        }
        // A learned node that is closed for good is not looked for again.
        self.nodes.retain(|n| n.must || n.since.is_some());
        if let Some(g) = &self.gauge {
            out.truth(g, holds);
        }
    }
}

/// The word for this sign of life.
const SIGN: &str = "device";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::model::{FindBy, Program};
    use crate::probe::programs::parts;
    use crate::probe::testing::Bench;
    use std::os::unix::fs::symlink;

    const PID: u32 = 500;

    fn bench(holds: &[&str]) -> Bench {
        let mut b = Bench::new(&[
            ("proc/1/comm", "init\n"),
            ("proc/500/cmdline", "/usr/bin/mountd\0"),
            ("proc/500/comm", "mountd\n"),
        ]);
        let zeros = "0 ".repeat(30);
        b.write(
            "proc/500/stat",
            &format!("{PID} (mountd) S 1 1 1 0 -1 0 0 0 0 0 5 0 0 0 20 0 1 0 90000 0 100 {zeros}\n"),
        );
        std::fs::create_dir_all(b.root().join("proc/500/fd")).unwrap();
        b.config.programs = vec![Program {
            name: literal("program.mount"),
            title: "mount program".into(),
            find: FindBy { executable: Some("mountd".into()), ..FindBy::default() },
            leans_on: vec![],
            alive: vec![],
            holds: holds.iter().map(PathBuf::from).collect(),
        }];
        b
    }

    fn fd(b: &Bench, n: u32, to: Option<&str>) {
        let p = b.root().join(format!("proc/500/fd/{n}"));
        let _ = std::fs::remove_file(&p);
        if let Some(to) = to {
            symlink(to, p).unwrap();
        }
    }

    fn kinds(b: &Bench) -> Vec<EventKind> {
        b.events().iter().map(|e| e.kind).collect()
    }

    #[test]
    fn a_node_that_must_be_held_is_closed_and_opened_again() {
        let b = bench(&["/dev/serial/by-id/pier-mount"]);
        std::fs::create_dir_all(b.root().join("dev/serial/by-id")).unwrap();
        symlink("../../ttyUSB0", b.root().join("dev/serial/by-id/pier-mount")).unwrap();
        fd(&b, 3, Some("/dev/ttyUSB0"));
        let mut p = b.probes(parts).0.probes;
        b.run(&mut p);
        b.run(&mut p);
        assert_eq!(b.value("program.mount.holds"), Some(1.0));
        fd(&b, 3, None);
        b.run(&mut p);
        assert_eq!((b.value("program.mount.holds"), kinds(&b)), (Some(0.0), vec![]), "it may be about to end");
        b.run(&mut p);
        assert_eq!(kinds(&b), [EventKind::DeviceClosed, EventKind::SignMissing]);
        assert!(b.events()[0].text.contains("closed /dev/serial/by-id/pier-mount and runs on"));
        b.run(&mut p);
        assert!(kinds(&b).is_empty(), "told once");
        fd(&b, 4, Some("/dev/ttyUSB0"));
        b.run(&mut p);
        assert_eq!(kinds(&b), [EventKind::SignBack]);
        // The device leaves: its node is deleted under the program.
        fd(&b, 4, Some("/dev/ttyUSB0 (deleted)"));
        b.run(&mut p);
        b.run(&mut p);
        assert_eq!(kinds(&b), [EventKind::DeviceClosed, EventKind::SignMissing]);
        assert!(b.events()[0].text.contains("was deleted under mount program"));
    }

    #[test]
    fn a_node_held_for_a_while_is_learned() {
        let b = bench(&[]);
        fd(&b, 3, Some("/dev/video0"));
        fd(&b, 4, Some("/dev/null"));
        let mut p = b.probes(parts).0.probes;
        b.run(&mut p);
        fd(&b, 3, None);
        b.run(&mut p);
        b.run(&mut p);
        assert!(kinds(&b).is_empty(), "it was held for a moment only");
        fd(&b, 3, Some("/dev/video0"));
        for _ in 0..62 {
            b.run(&mut p);
        }
        fd(&b, 3, None);
        fd(&b, 4, None);
        b.run(&mut p);
        b.run(&mut p);
        assert_eq!(kinds(&b), [EventKind::DeviceClosed]);
        assert_eq!(b.events()[0].detail["node"], "/dev/video0");
    }

    #[test]
    fn another_process_begins_anew() {
        let b = bench(&["/dev/ttyUSB0"]);
        fd(&b, 3, Some("/dev/ttyUSB0"));
        let mut p = b.probes(parts).0.probes;
        b.run(&mut p);
        b.run(&mut p);
        std::fs::remove_dir_all(b.root().join("proc/500")).unwrap();
        b.run(&mut p);
        assert_eq!(b.why("program.mount.holds"), Some(WhyCode::Absent));
        b.run(&mut p);
        assert!(!kinds(&b).contains(&EventKind::DeviceClosed), "a program that has ended closed nothing by mistake");
    }
}
