//! The roll of watched programs: which process each is, shared by those who search, measure, and wait for exits.

use super::alive::Sign;
use super::ended::Ended;
use crate::config::model::Program;
use crate::model::{Event, EventKind, Reading, Span, Stamp, Why};
use crate::probe::{Gauge, Poke};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::mpsc;

/// One process, named for ever by its number and its start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Id {
    /// Process number.
    pub pid: u32,
    /// Start in clock ticks since boot.
    pub start: u64,
}

/// Becomes readable when a process ends.
#[cfg(target_os = "linux")]
pub type ExitHandle = Arc<std::os::fd::OwnedFd>;
/// Elsewhere ends are seen by asking.
#[cfg(not(target_os = "linux"))]
pub type ExitHandle = std::convert::Infallible;

/// The process that a watched program is now.
#[derive(Clone, Debug)]
pub struct Process {
    /// Which.
    pub id: Id,
    /// When it started.
    pub started: Stamp,
    /// Whose it is.
    pub user: u32,
    /// Becomes readable when it ends; none where the kernel does not offer it: then the end is seen by asking.
    pub pidfd: Option<ExitHandle>,
    /// Its command line, for people with the right to see it.
    pub command: String,
    /// Its systemd unit, and whether that is one of the user's own manager.
    pub unit: Option<(String, bool)>,
    /// Its working folder; none where it is closed to us.
    pub cwd: Option<std::path::PathBuf>,
}

/// A watched program.
pub struct Entry {
    /// As configured.
    pub program: Program,
    /// Runs or not.
    pub truth: Gauge,
    /// The process that it is; none: not running, as far as is known.
    pub current: Option<Process>,
    /// It has been searched for at least once.
    pub looked: bool,
    /// Why it cannot be told whether it runs.
    pub unseen: Option<Why>,
    /// When it was last seen to end.
    pub ended: Option<Stamp>,
    /// Starts after an end, since the agent started.
    pub restarts: u64,
    /// Its signs of life.
    pub signs: Vec<Sign>,
    /// A process that has ended while it is looked for another one that goes on for it.
    handing: Option<Handing>,
}

struct Handing {
    process: Process,
    /// The search found no other one.
    failed: bool,
}

impl Entry {
    /// A program of which nothing is known yet.
    pub fn new(program: Program, truth: Gauge) -> Entry {
        let signs = program.alive.iter().cloned().map(Sign::new).collect();
        let (current, looked, unseen, ended, restarts, handing) = Default::default();
        Entry { program, truth, current, looked, unseen, ended, restarts, signs, handing }
    }
    /// It is not running, as far as is known, and nobody is about to find out.
    pub fn settled(&self) -> bool {
        self.handing.is_none()
    }
    /// A search of everything is over.
    pub fn searched(&mut self, unseen: Option<Why>) {
        self.looked = true;
        if self.current.is_none() {
            self.unseen = unseen.filter(|_| self.ended.is_none());
            if let Some(h) = &mut self.handing {
                h.failed = true;
            }
        }
    }
}

/// The roll.
pub struct Roll {
    entries: Mutex<Vec<Entry>>,
    /// Processes that the kernel has just told of.
    fresh: Mutex<Vec<u32>>,
    /// How processes ended, as the kernel's process events tell: the last few.
    statuses: Mutex<VecDeque<(u32, i32)>>,
    /// The next search must look at everything.
    pub everything: AtomicBool,
    /// The kernel tells of every end with a code other than zero, and none was lost lately.
    pub ends_told: AtomicBool,
    /// Told when a program was found or lost.
    pub wanted: tokio::sync::Notify,
    /// Hastens the search.
    pub search: Poke,
    exits: mpsc::UnboundedSender<Attached>,
}

/// A program that has become a process, for the task that tells of starts and waits for ends. One task does both, so that an
/// end never overtakes its start.
#[derive(Debug)]
pub struct Attached {
    /// Which program.
    pub program: usize,
    /// Which process.
    pub process: Process,
    /// What is to be told; nothing for one that ran before the agent.
    pub told: Option<(Event, Reading)>,
}

/// So many fresh processes are remembered between two searches; beyond it, everything is looked at.
const FRESH: usize = 256;
/// So many exit statuses are remembered.
const STATUSES: usize = 64;

impl Roll {
    /// A roll, and the end at which processes to wait for come out.
    pub fn new(entries: Vec<Entry>) -> (Arc<Roll>, mpsc::UnboundedReceiver<Attached>) {
        let (exits, rx) = mpsc::unbounded_channel();
        let roll = Roll {
            entries: Mutex::new(entries),
            fresh: Mutex::default(),
            statuses: Mutex::default(),
            everything: AtomicBool::new(true),
            ends_told: AtomicBool::new(false),
            wanted: tokio::sync::Notify::new(),
            search: Poke::default(),
            exits,
        };
        (Arc::new(roll), rx)
    }

    /// The entries. Never held across anything that may block.
    pub fn entries(&self) -> MutexGuard<'_, Vec<Entry>> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A program has become this process.
    pub fn attach(&self, i: usize, p: Process, now: Stamp, by: &str) {
        let mut all = self.entries();
        let Some(e) = all.get_mut(i) else { return };
        let first = !e.looked;
        let handed = e.handing.take().is_some();
        e.looked = true;
        e.unseen = None;
        e.signs.iter_mut().for_each(|s| s.begin(now));
        let restart = e.ended.is_some();
        // One that already ran when the other ended takes over now, not in the past.
        let at = if e.ended.is_some_and(|end| p.started.boot < end.boot) { now } else { p.started };
        let again = if restart { " again" } else { "" };
        let event = Event::new(
            at,
            e.program.name.clone(),
            EventKind::ProgramStarted,
            format!("{} runs{again}", e.program.title),
        )
        // The kernel counts starts in ticks of ten milliseconds.
        .within(Span(10))
        .with("pid", p.id.pid)
        .with("restart", restart)
        .with("command", p.command.clone())
        .with("by", by);
        let reading = Reading { signal: e.truth.id(), at: now, value: e.truth.value(1.0) };
        if restart && !handed {
            e.restarts += 1;
        }
        e.current = Some(p.clone());
        drop(all);
        // The receiver is gone only while the agent stops.
        self.wanted.notify_waiters();
        let told = (!first && !handed).then_some((event, reading));
        let _ = self.exits.send(Attached { program: i, process: p, told });
    }

    /// A process has ended. Gives the event and the reading, unless somebody else was first.
    pub fn detach(&self, i: usize, id: Id, at: Stamp, within: Span, how: Option<Ended>) -> Option<(Event, Reading)> {
        let mut all = self.entries();
        let e = all.get_mut(i)?;
        if e.current.as_ref().map(|p| p.id) != Some(id) {
            return None;
        }
        let p = e.current.take()?;
        e.ended = Some(at);
        let words = how.map_or("ended, reason not seen".into(), Ended::words);
        let mut event =
            Event::new(at, e.program.name.clone(), EventKind::ProgramEnded, format!("{} {words}", e.program.title))
                .within(within)
                .with("pid", id.pid)
                .with("uptime_s", (at.boot - p.started.boot).as_secs_f64().round())
                .with("how", how.map_or("unknown", Ended::how));
        event = match how {
            Some(Ended::Code(c)) => event.with("code", c),
            Some(Ended::Signal { signal, core }) => event.with("signal", signal).with("core", core),
            Some(Ended::Crashed) => event.with("core", true),
            None => event,
        };
        let reading = Reading { signal: e.truth.id(), at, value: e.truth.value(0.0) };
        drop(all);
        self.look_everywhere();
        Some((event, reading))
    }

    /// A process has ended that may have handed on to another one: looks for it.
    pub fn hand_on(&self, i: usize, id: Id) {
        if let Some(e) = self.entries().get_mut(i)
            && e.current.as_ref().map(|p| p.id) == Some(id)
        {
            e.handing = e.current.take().map(|process| Handing { process, failed: false });
        }
        self.look_everywhere();
    }

    /// Whether it has; none while it is still looked for. If not, the old process is back on the roll, to be detached.
    pub fn handed_on(&self, i: usize, last_call: bool) -> Option<bool> {
        let mut all = self.entries();
        let e = all.get_mut(i)?;
        match e.handing.take() {
            None => Some(true),
            Some(h) if h.failed || last_call => {
                e.current = Some(h.process);
                Some(false)
            }
            waiting => {
                e.handing = waiting;
                None
            }
        }
    }

    /// The process that a program is now.
    pub fn current(&self, i: usize) -> Option<Id> {
        self.entries().get(i)?.current.as_ref().map(|p| p.id)
    }

    /// Whether some program is not running.
    pub fn any_missing(&self) -> bool {
        self.entries().iter().any(|e| e.current.is_none())
    }

    /// The whole of `/proc` is to be searched now.
    pub fn look_everywhere(&self) {
        self.wanted.notify_waiters();
        self.everything.store(true, Ordering::SeqCst);
        self.search.now();
    }

    /// The kernel tells that this process has begun to run a program. True if the search should be hastened.
    pub fn began(&self, pid: u32) -> bool {
        if !self.any_missing() {
            return false;
        }
        let mut fresh = self.fresh.lock().unwrap_or_else(PoisonError::into_inner);
        if fresh.len() < FRESH {
            fresh.push(pid);
        } else {
            self.everything.store(true, Ordering::SeqCst);
        }
        true
    }

    /// Takes the processes told of since the last call.
    pub fn take_fresh(&self) -> Vec<u32> {
        std::mem::take(&mut *self.fresh.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// The kernel tells how a process ended.
    pub fn status_told(&self, pid: u32, status: i32) {
        let mut s = self.statuses.lock().unwrap_or_else(PoisonError::into_inner);
        if s.len() == STATUSES {
            s.pop_front();
        }
        s.push_back((pid, status));
    }

    /// How a process ended, if the kernel has told.
    pub fn status_of(&self, pid: u32) -> Option<i32> {
        let s = self.statuses.lock().unwrap_or_else(PoisonError::into_inner);
        s.iter().rev().find(|(p, _)| *p == pid).map(|(_, status)| *status)
    }
}
