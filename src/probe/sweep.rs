//! A look at every program of the machine, every ten seconds: what used the processor, held memory or waited for a disk in the
//! minutes before a fault, watched or not.
//!
//! One line of the kernel's for each process and no more (`/proc/PID/stat`, proc_pid_stat(5), readable by anybody), so that it
//! stays cheap: the more it costs, the more seldom it is done. Use of the network is not counted by the kernel for each program;
//! the totals of the interfaces are signals.

use super::{Outlet, Roots, Running, Setup, Source, literal, parse};
use crate::clock::SharedClock;
use crate::model::leadup::{ProcessNow, Sweep};
use crate::model::{Name, SignalId, Why, WhyCode};
use rustix::fs::{Mode, OFlags};
use std::collections::{HashMap, HashSet};
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// At most this often, and at least this often.
const OFTEN: Duration = Duration::from_secs(10);
const SELDOM: Duration = Duration::from_secs(20);
/// A look may take this share of the time.
const SHARE: u32 = 2000;
/// More processes than these are not looked at.
const MOST: usize = 2000;
/// Threads of the kernel are looked for anew after so many looks.
const KERNEL_EVERY: u32 = 12;
/// A process is a thread of the kernel (`PF_KTHREAD` of the kernel's `sched.h`).
const KERNEL_THREAD: u64 = 0x0020_0000;

/// What of the line matters here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line<'a> {
    name: &'a [u8],
    state: u8,
    flags: u64,
    fetches: u64,
    busy: u64,
    start: u64,
    pages: u64,
    disk_wait: u64,
}

/// Reads the line; none if it is torn or garbled.
pub fn line(b: &[u8]) -> Option<Line<'_>> {
    let (from, to) = (b.iter().position(|c| *c == b'(')?, b.iter().rposition(|c| *c == b')')?);
    let name = b.get(from + 1..to)?;
    let mut f = parse::fields(parse::trim(&b[to + 1..]));
    let state = match f.next()? {
        [c] if c.is_ascii_alphabetic() => *c,
        _ => return None,
    };
    // Fields are counted from the state, which is the third of the line.
    let mut at = 0;
    let mut number = |n: usize| {
        let v = f.nth(n - at - 1)?;
        at = n;
        parse::unsigned(v)
    };
    let flags = number(6)?;
    let fetches = number(9)?;
    let (user, system) = (number(11)?, number(12)?);
    let start = number(19)?;
    let pages = number(21)?;
    let disk_wait = number(39).unwrap_or(0);
    Some(Line { name, state, flags, fetches, busy: user.checked_add(system)?, start, pages, disk_wait })
}

/// Looks, and remembers what need not be looked at again.
pub struct Sweeper {
    roots: Roots,
    proc: Option<OwnedFd>,
    kernel: HashSet<u32>,
    names: HashMap<(u32, u64), Arc<str>>,
    looks: u32,
    page_kib: u64,
    tick_ms: f64,
}

impl Sweeper {
    /// Over the processes of a tree.
    pub fn new(roots: Roots) -> Sweeper {
        Sweeper {
            roots,
            proc: None,
            kernel: HashSet::new(),
            names: HashMap::new(),
            looks: 0,
            page_kib: (rustix::param::page_size() / 1024).max(1) as u64,
            tick_ms: 1000.0 / rustix::param::clock_ticks_per_second().max(1) as f64,
        }
    }

    /// One look.
    ///
    /// # Errors
    /// When the table of processes cannot be read at all.
    pub fn look(&mut self, clock: &SharedClock) -> std::io::Result<Sweep> {
        if self.looks.is_multiple_of(KERNEL_EVERY) {
            self.kernel.clear();
        }
        self.looks = self.looks.wrapping_add(1);
        let folder = self.roots.path("proc");
        let proc = match self.proc.take() {
            Some(fd) => fd,
            None => rustix::fs::open(&folder, OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())?,
        };
        let at = clock.now();
        let mut processes = Vec::with_capacity(self.names.len() + 16);
        let mut names = HashMap::with_capacity(self.names.len() + 16);
        let mut buf = [0; 1024];
        for e in std::fs::read_dir(&folder)? {
            let Ok(e) = e else { continue };
            let Some(pid) = parse::unsigned(e.file_name().as_encoded_bytes()).and_then(|n| u32::try_from(n).ok())
            else {
                continue;
            };
            if self.kernel.contains(&pid) || processes.len() >= MOST {
                continue;
            }
            // One that ends in between is left out.
            let Ok(n) = read(&proc, pid, &mut buf) else { continue };
            let Some(l) = line(&buf[..n]) else { continue };
            if l.flags & KERNEL_THREAD != 0 {
                self.kernel.insert(pid);
                continue;
            }
            let id = (pid, l.start);
            let name = match self.names.get(&id) {
                // A process may turn into another program.
                Some(n) if n.as_bytes() == l.name => n.clone(),
                _ => Arc::from(parse::text(l.name)),
            };
            names.insert(id, name.clone());
            processes.push(ProcessNow {
                pid,
                start: l.start,
                name,
                state: l.state,
                busy: l.busy,
                memory_kib: u32::try_from(l.pages.saturating_mul(self.page_kib)).unwrap_or(u32::MAX),
                disk_wait: l.disk_wait,
                disk_fetches: l.fetches,
            });
        }
        self.names = names;
        self.proc = Some(proc);
        Ok(Sweep { at, tick_ms: self.tick_ms, processes })
    }
}

fn read(proc: &OwnedFd, pid: u32, buf: &mut [u8]) -> rustix::io::Result<usize> {
    use std::io::Write;
    // "4294967295/stat" and the end of it.
    let mut path = [0u8; 24];
    let mut room = &mut path[..];
    // The room is larger than any such name, so it cannot fail.
    let _ = write!(room, "{pid}/stat");
    let left = room.len();
    let path = std::str::from_utf8(&path[..24 - left]).unwrap_or_default();
    let fd = rustix::fs::openat(proc, path, OFlags::RDONLY | OFlags::CLOEXEC, Mode::empty())?;
    // The kernel hands the line out in one piece.
    rustix::io::read(&fd, buf)
}

/// The source.
struct Looking {
    name: Name,
    clock: SharedClock,
    roots: Roots,
}

/// Looks at the programs of the machine itself.
pub fn sources(s: &Setup<'_>) -> Vec<Box<dyn Source>> {
    if !s.roots.is_system() {
        return vec![];
    }
    vec![Box::new(Looking { name: literal("probe.every-program"), clock: s.clock.clone(), roots: s.roots.clone() })]
}

impl Source for Looking {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        let (clock, roots) = (self.clock.clone(), self.roots.clone());
        Box::pin(async move {
            let mut sweeper = Sweeper::new(roots);
            loop {
                let clock = clock.clone();
                let done = tokio::task::spawn_blocking(move || {
                    let begun = Instant::now();
                    let looked = sweeper.look(&clock);
                    (sweeper, looked, begun.elapsed())
                });
                let (back, looked, took) = match done.await {
                    Ok(d) => d,
                    Err(e) => return Why::new(WhyCode::Failed, format!("the look at all programs failed inside: {e}")),
                };
                sweeper = back;
                match looked {
                    Ok(s) => out.sweep(s),
                    Err(e) => return Why::from_io("/proc", &e),
                }
                tokio::time::sleep((took * SHARE).clamp(OFTEN, SELDOM)).await;
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    const LINE: &str = "4711 (a) S (b)) D 17 4711 4711 0 -1 4194304 200 0 33 0 250 50 0 0 20 0 7 0 123456 10000000 2048 \
        18446744073709551615 1 1 0 0 0 0 0 0 0 0 0 0 17 1 0 0 77 0 0 0 0 0 0 0 0 0 9\n";

    #[test]
    fn the_line_of_a_process() {
        let l = line(LINE.as_bytes()).unwrap();
        assert_eq!(l.name, b"a) S (b)");
        assert_eq!((l.state, l.fetches, l.busy, l.start, l.pages, l.disk_wait), (b'D', 33, 300, 123_456, 2048, 77));
    }

    #[test]
    fn threads_of_the_kernel_are_left_out_and_names_kept() {
        let b = Bench::new(&[
            ("proc/2/stat", "2 (kthreadd) S 0 0 0 0 -1 2129984 0 0 0 0 0 0 0 0 20 0 1 0 5 0 0 0\n"),
            ("proc/4711/stat", LINE),
            ("proc/12/stat", "12 (torn) S 1"),
            ("proc/uptime", "1 1\n"),
        ]);
        let mut s = Sweeper::new(b.roots());
        for _ in 0..2 {
            let look = s.look(&b.shared_clock()).unwrap();
            assert_eq!(look.processes.len(), 1);
            assert_eq!((look.processes[0].pid, &*look.processes[0].name), (4711, "a) S (b)"));
        }
        assert!(s.kernel.contains(&2));
    }

    #[test]
    fn we_are_among_the_programs_of_this_machine() {
        let clock: SharedClock = Arc::new(SystemClock);
        let look = Sweeper::new(Roots::system()).look(&clock).unwrap();
        let me = look.processes.iter().find(|p| p.pid == std::process::id()).unwrap();
        assert!(me.memory_kib > 1000 && me.start > 0);
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..400), cut in 0usize..300) {
            let _ = line(&b);
            let _ = line(&LINE.as_bytes()[..cut.min(LINE.len())]);
        }
    }
}
