//! Tells of the starts of the watched programs, waits for their ends, so that each is known within a millisecond, and finds out
//! how they ended.

use super::ended::Ended;
use super::figures::may_see_status;
use super::procs;
use super::reason;
use super::roll::{Attached, Process, Roll};
use crate::clock::SharedClock;
use crate::model::{BootMs, Name, SignalId, Span, Why, WhyCode};
use crate::probe::kernel_log::Heard;
use crate::probe::{Outlet, Roots, Running, Source, kernel, literal};
use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::sync::mpsc;

/// Waits between the tries to learn the reason: 68 ms in all. An end is told at once when the reason is known, and without it
/// after that.
const TRIES_MS: [u64; 7] = [0, 1, 2, 5, 10, 20, 30];
/// A program that goes into the background as it starts lets its first process end; this young, another process of it is
/// looked for before the end is told.
const YOUNG: Span = Span::secs(10);
/// How long it is looked for.
const TAKE_OVER: Duration = Duration::from_millis(100);

/// The source.
pub struct Exits {
    name: Name,
    roots: Roots,
    roll: Arc<Roll>,
    clock: SharedClock,
    heard: Heard,
    rx: mpsc::UnboundedReceiver<Attached>,
}

impl Exits {
    /// Waits for the processes that come out of `rx`; `heard` is what the kernel's log tells of them.
    pub fn new(
        roots: Roots,
        roll: Arc<Roll>,
        clock: SharedClock,
        heard: Heard,
        rx: mpsc::UnboundedReceiver<Attached>,
    ) -> Exits {
        Exits { name: literal("probe.program-exits"), roots, roll, clock, heard, rx }
    }
}

impl Source for Exits {
    fn name(&self) -> &Name {
        &self.name
    }
    /// None of its own: the figures notice an end too, only later.
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        let Exits { roots, roll, clock, heard, rx, .. } = self;
        let wait = Wait { roots, roll, clock, heard, out };
        Box::pin(async move {
            let mut waits = FuturesUnordered::new();
            // After a failure, those that were waited for are still on the roll.
            let standing: Vec<_> =
                wait.roll.entries().iter().enumerate().filter_map(|(i, e)| Some((i, e.current.clone()?))).collect();
            for (i, p) in standing {
                wait.heard.watch(p.id.pid);
                waits.push(wait.end(i, p));
            }
            loop {
                tokio::select! {
                    next = rx.recv() => match next {
                        Some(a) => {
                            wait.heard.watch(a.process.id.pid);
                            wait.tell(a.told);
                            waits.push(wait.end(a.program, a.process));
                        }
                        None => return Why::new(WhyCode::Failed, "the search for programs is gone"),
                    },
                    Some(()) = waits.next() => {}
                }
            }
        })
    }
}

struct Wait<'a> {
    roots: &'a Roots,
    roll: &'a Roll,
    clock: &'a SharedClock,
    heard: &'a Heard,
    out: Outlet,
}

impl Wait<'_> {
    async fn end(&self, i: usize, p: Process) {
        let Some(fd) = p.pidfd.clone() else { return };
        let awaited = match kernel::awaited(fd.clone()) {
            Ok(a) => a,
            Err(e) => {
                tracing::debug!(pid = p.id.pid, error = %e, "its end is seen by asking");
                return;
            }
        };
        if awaited.readable().await.is_err() {
            return;
        }
        let at = self.clock.now();
        let (how, from) = self.reason(&p, &fd, at.boot).await;
        if at.boot - p.started.boot < YOUNG && how == Some(Ended::Code(0)) && self.taken_over(i, &p).await {
            return;
        }
        let told = self.roll.detach(i, p.id, at, Span::ZERO, how);
        self.tell(told.map(|(e, r)| (if from.is_empty() { e } else { e.with("known_from", from) }, r)));
    }

    fn tell(&self, told: Option<(crate::model::Event, crate::model::Reading)>) {
        if let Some((event, reading)) = told {
            self.out.event(event);
            self.out.readings(vec![reading]);
        }
    }

    /// How it ended, and from where that is known if not from the process itself.
    async fn reason(&self, p: &Process, fd: &OwnedFd, ended: BootMs) -> (Option<Ended>, &'static str) {
        for ms in TRIES_MS {
            if ms > 0 {
                tokio::time::sleep(Duration::from_millis(ms)).await;
            }
            let told = kernel::exit_status(fd).unwrap_or_default();
            if let Some(status) = told.or_else(|| self.of_zombie(p)).or_else(|| self.roll.status_of(p.id.pid)) {
                return (Some(Ended::from_status(status)), "");
            }
        }
        // Every other end has been told.
        if self.roll.ends_told.load(Ordering::SeqCst) {
            return (Some(Ended::Code(0)), "");
        }
        match reason::elsewhere(self.roots, self.heard, p, ended).await {
            Some(r) => (Some(r.how), r.from),
            None => (None, ""),
        }
    }

    /// What the dead process itself still says, until its parent takes notice.
    fn of_zombie(&self, p: &Process) -> Option<i32> {
        if !may_see_status(p.user) {
            return None;
        }
        let s = procs::stat(&self.roots.read(format!("proc/{}/stat", p.id.pid)).ok()?)?;
        if s.ended() && s.start == p.id.start { s.status } else { None }
    }

    /// Whether the program goes on as another process that was there before this one ended.
    async fn taken_over(&self, i: usize, p: &Process) -> bool {
        self.roll.hand_on(i, p.id);
        let deadline = tokio::time::Instant::now() + TAKE_OVER;
        loop {
            tokio::time::sleep(Duration::from_millis(2)).await;
            if let Some(yes) = self.roll.handed_on(i, tokio::time::Instant::now() >= deadline) {
                return yes;
            }
        }
    }
}
