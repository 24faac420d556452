//! Finds the processes of the watched programs. On a thread of its own: reading the command line of a process that hangs in
//! the kernel can block for as long as it hangs.
//!
//! Nothing is searched while every program has its process. Else every ten seconds, reading names only of processes that
//! were not there before (twice, since a process may turn into another program after its start), and all names once a
//! minute. Of several that fit, the oldest is taken: a program's helpers start after it.

use super::procs::{self, Names};
use super::roll::{Id, Process, Roll};
use crate::config::model::FindBy;
use crate::model::{BootMs, Name, SignalId, Span, Stamp, Why, WhyCode};
use crate::probe::{Lane, Poke, Probe, Roots, Take, literal, parse};
use std::collections::HashMap;
use std::os::unix::fs::{DirEntryExt, MetadataExt};
use std::sync::Arc;
use std::sync::atomic::Ordering;

/// Everything is looked at this often, while some program is missing.
const PERIOD: Span = Span::secs(10);
/// All names are read anew after so many searches.
const ALL_NAMES_EVERY: u32 = 6;

/// How often a process known by its number and the identity of its folder has been looked at.
type Known = HashMap<u32, (u64, u8)>;

/// The probe.
pub struct Search {
    name: Name,
    roots: Roots,
    roll: Arc<Roll>,
    finds: Vec<FindBy>,
    known: Known,
    searches: u32,
    last: Option<Stamp>,
}

impl Search {
    /// Searches for the programs of the roll.
    pub fn new(roots: Roots, roll: Arc<Roll>) -> Search {
        let finds = roll.entries().iter().map(|e| e.program.find.clone()).collect();
        Search {
            name: literal("probe.program-search"),
            roots,
            roll,
            finds,
            known: Known::new(),
            searches: 0,
            last: None,
        }
    }

    fn numbers(&mut self) -> std::io::Result<Vec<u32>> {
        let all = self.searches.is_multiple_of(ALL_NAMES_EVERY);
        self.searches = self.searches.wrapping_add(1);
        let mut known = Known::with_capacity(self.known.len() + 16);
        let mut look = vec![];
        for e in std::fs::read_dir(self.roots.path("proc"))? {
            let e = e?;
            let Some(pid) = parse::unsigned(e.file_name().as_encoded_bytes()).and_then(|n| u32::try_from(n).ok())
            else {
                continue;
            };
            // Another process under a used number has another folder.
            let looks = self.known.get(&pid).filter(|(ino, _)| *ino == e.ino()).map_or(0, |(_, n)| *n);
            if all || looks < 2 {
                look.push(pid);
            }
            known.insert(pid, (e.ino(), looks.saturating_add(1)));
        }
        self.known = known;
        Ok(look)
    }

    /// The oldest process of `pids` that fits each of the `missing`.
    fn find(&self, missing: &[usize], pids: &[u32]) -> Vec<(usize, Id)> {
        let me = std::process::id();
        let mut found: Vec<(usize, Id)> = vec![];
        for &pid in pids.iter().filter(|p| **p != me) {
            let names = Names::new(&self.roots, pid);
            for &i in missing {
                if !procs::fits(&self.finds[i], &names) {
                    continue;
                }
                let Some(s) = self.stat(pid).filter(|s| !s.ended()) else { continue };
                let id = Id { pid, start: s.start };
                match found.iter_mut().find(|(j, _)| *j == i) {
                    Some((_, have)) if (have.start, have.pid) <= (id.start, id.pid) => {}
                    Some((_, have)) => *have = id,
                    None => found.push((i, id)),
                }
            }
        }
        found
    }

    fn stat(&self, pid: u32) -> Option<procs::Stat> {
        procs::stat(&self.roots.read(format!("proc/{pid}/stat")).ok()?)
    }

    fn process(&self, id: Id, out: &Take<'_>) -> Option<Process> {
        let user = std::fs::metadata(self.roots.path(format!("proc/{}", id.pid))).ok()?.uid();
        let names = Names::new(&self.roots, id.pid);
        let (command, unit) = (names.command(), names.managed());
        let cwd = std::fs::read_link(self.roots.path(format!("proc/{}/cwd", id.pid))).ok();
        let pidfd = if self.roots.is_system() { pidfd(id.pid) } else { None };
        // Only now is it certain that the descriptor is of the process that was looked at.
        self.stat(id.pid).filter(|s| s.start == id.start && !s.ended())?;
        Some(Process { id, started: instant(id.start, out.at()), user, pidfd, command, unit, cwd })
    }
}

fn pidfd(pid: u32) -> Option<Arc<std::os::fd::OwnedFd>> {
    use rustix::process::{Pid, PidfdFlags, pidfd_open};
    let pid = Pid::from_raw(i32::try_from(pid).ok()?)?;
    match pidfd_open(pid, PidfdFlags::NONBLOCK) {
        Ok(fd) => Some(Arc::new(fd)),
        Err(e) => {
            tracing::debug!(pid = pid.as_raw_nonzero(), error = %e, "no exit event for this process; its end is seen by asking");
            None
        }
    }
}

/// The instant of a tick count since boot, on both clocks as they stand now.
fn instant(ticks: u64, now: Stamp) -> Stamp {
    let hz = rustix::param::clock_ticks_per_second().max(1);
    let boot = i64::try_from(u128::from(ticks) * 1000 / u128::from(hz)).unwrap_or(i64::MAX);
    let boot = BootMs(boot.min(now.boot.0));
    Stamp::new(now.wall - (now.boot - boot), boot)
}

impl Probe for Search {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        PERIOD
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    /// None of its own: the figures tell whether each program runs.
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn poke(&self) -> Option<Poke> {
        Some(self.roll.search.clone())
    }
    fn recover(&mut self) {
        self.known.clear();
        self.roll.everything.store(true, Ordering::SeqCst);
    }

    fn take(&mut self, out: &mut Take<'_>) {
        let fresh = self.roll.take_fresh();
        let missing = |roll: &Roll| -> Vec<usize> {
            roll.entries().iter().enumerate().filter(|(_, e)| e.current.is_none()).map(|(i, _)| i).collect()
        };
        let wanted = missing(&self.roll);
        if wanted.is_empty() {
            // The next search begins anew with all names.
            self.known.clear();
            self.searches = 0;
            return;
        }
        // A run that was hastened by a fresh process looks at that one alone, unless everything is due.
        let due = self.last.is_none_or(|t| out.at().boot - t.boot >= PERIOD - Span(200));
        let everything = self.roll.everything.swap(false, Ordering::SeqCst) || due || fresh.is_empty();
        if everything {
            self.last = Some(out.at());
        }
        let (pids, by) = if everything {
            match self.numbers() {
                Ok(pids) => (pids, "search"),
                Err(e) => {
                    let why = Why::from_io("/proc", &e);
                    for e in self.roll.entries().iter_mut().filter(|e| e.current.is_none()) {
                        e.unseen = Some(why.clone());
                    }
                    return;
                }
            }
        } else {
            (fresh, "kernel")
        };
        for (i, id) in self.find(&wanted, &pids) {
            if let Some(p) = self.process(id, out) {
                self.roll.attach(i, p, out.at(), by);
            }
        }
        if everything {
            // Where processes of others are hidden, not found does not mean not running.
            let hidden = !self.roots.path("proc/1").exists();
            let why = hidden.then(|| {
                Why::new(
                    WhyCode::Refused,
                    "processes of other users are hidden from the agent: run it as the user of the program, or mount /proc \
                     without `hidepid`",
                )
            });
            self.roll.entries().iter_mut().for_each(|e| e.searched(why.clone()));
        }
    }
}
