//! Runs the probes: each at its own pace and within its own deadline, so that one that hangs or panics delays no other.
//!
//! Two lanes. All [`Lane::Shared`] probes are taken in turn by one worker thread (few wake-ups); when one of them overruns its
//! deadline, the rest is handed over to a fresh worker and the old one ends as soon as it comes back. Each [`Lane::Own`] probe has a
//! thread. At most one run of each probe is under way. Sources run as tasks on the runtime that started the sampler.
//! A probe in trouble is told of as an event, its signals become unavailable, and it is tried again with back-off.
//! Stopping waits for nothing: a hung thread is left behind.

mod attend;
mod slot;

use crate::clock::SharedClock;
use crate::config::Config;
use crate::model::{Event, Reading, Signals, Span, Why, WhyCode};
use crate::probe::beat::{self, Beat};
use crate::probe::{self, Lane, Observation, Outlet, Probe, Roots, Setup, Source, Take};
use attend::attend;
use slot::{Health, Slot, back_off};
use std::panic::AssertUnwindSafe;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// How patient the sampler is.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Shortest and longest wait before a probe in trouble is tried again (a longer period counts instead).
    pub back_off: (Duration, Duration),
    /// How often overrun deadlines are looked for.
    pub tend: Duration,
    /// The state of a well probe is told anew this often; so are the reasons of a source that is down.
    pub tell: Duration,
    /// A source that has run for this long after a trouble counts as well again.
    pub settled: Duration,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace {
            back_off: (Duration::from_secs(1), Duration::from_secs(300)),
            tend: Duration::from_secs(1),
            tell: Duration::from_secs(10),
            settled: Duration::from_secs(2),
        }
    }
}

/// Probes due within this time of each other are taken in one waking.
const SLACK: Duration = Duration::from_millis(5);
/// Probes need little stack; a megabyte each would be charged to a small machine for nothing.
const STACK: usize = 256 * 1024;

/// The running probes. Stops them when dropped.
pub struct Sampler {
    hall: Arc<Hall>,
    tasks: Vec<JoinHandle<()>>,
}

/// Makes every probe and source that the configuration asks for and runs them. Must be called on a tokio runtime.
pub fn start(
    config: &Config,
    roots: Roots,
    signals: Signals,
    clock: SharedClock,
    tx: mpsc::Sender<Observation>,
) -> Sampler {
    let all = probe::all(&Setup { config, roots, signals: signals.clone(), clock: clock.clone() });
    run(all.probes, all.sources, signals, clock, Outlet::new(tx), Pace::default())
}

/// Runs these probes and sources. Must be called on a tokio runtime.
pub fn run(
    probes: Vec<Box<dyn Probe>>,
    sources: Vec<Box<dyn Source>>,
    signals: Signals,
    clock: SharedClock,
    outlet: Outlet,
    pace: Pace,
) -> Sampler {
    let slots = probes.into_iter().map(Slot::new).collect::<Vec<_>>();
    let own = slots.iter().enumerate().filter(|(_, s)| s.lane == Lane::Own).map(|(i, _)| i).collect::<Vec<_>>();
    let any_shared = own.len() < slots.len();
    let hall = Arc::new(Hall {
        state: Mutex::new(State {
            slots,
            stopping: false,
            generation: 0,
            readings: vec![],
            events: vec![],
            unmanned: vec![],
        }),
        wake: Condvar::new(),
        signals,
        clock,
        outlet,
        pace,
    });
    for (i, s) in hall.state().slots.iter().enumerate() {
        if let Some(poke) = s.probe.as_ref().and_then(|p| p.poke()) {
            let hall = Arc::downgrade(&hall);
            poke.bind(move || {
                if let Some(hall) = hall.upgrade() {
                    hall.hasten(i);
                }
            });
        }
    }
    if any_shared {
        hall.clone().hire(Worker::Shared(0));
    }
    for i in own {
        hall.clone().hire(Worker::Own(i));
    }
    let tending = hall.clone();
    let mut tasks = vec![tokio::spawn(async move {
        let mut every = Beat::new(tending.pace.tend);
        loop {
            every.tick().await;
            tending.tend();
        }
    })];
    tasks.extend(sources.into_iter().map(|s| tokio::spawn(attend(s, hall.clone()))));
    Sampler { hall, tasks }
}

impl Sampler {
    /// Readings and events that were dropped since start because the agent did not take them.
    pub fn lost(&self) -> u64 {
        self.hall.outlet.lost()
    }

    /// No further run begins. Returns at once; a run under way is not waited for, and what it finds is thrown away.
    pub fn stop(&mut self) {
        self.hall.state().stopping = true;
        self.hall.wake.notify_all();
        self.tasks.iter().for_each(JoinHandle::abort);
    }
}

impl Drop for Sampler {
    fn drop(&mut self) {
        self.stop();
    }
}

struct State {
    slots: Vec<Slot>,
    stopping: bool,
    /// Counts the shared workers; only the latest one goes on.
    generation: u64,
    /// What this pass of the shared worker has found so far; sent at its end, or when it gets stuck.
    readings: Vec<Reading>,
    events: Vec<Event>,
    /// Workers for which there was no thread.
    unmanned: Vec<Worker>,
}

struct Hall {
    state: Mutex<State>,
    wake: Condvar,
    signals: Signals,
    clock: SharedClock,
    outlet: Outlet,
    pace: Pace,
}

#[derive(Clone, Copy)]
enum Worker {
    Shared(u64),
    Own(usize),
}

impl Hall {
    fn state(&self) -> MutexGuard<'_, State> {
        // Probes run outside the lock, so a panic in one leaves the state whole.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn hire(self: Arc<Hall>, w: Worker) {
        let name = match w {
            Worker::Shared(_) => "probes".to_string(),
            Worker::Own(i) => self.state().slots[i].name.own().chars().take(15).collect(),
        };
        let hall = self.clone();
        let spawned = std::thread::Builder::new().name(name).stack_size(STACK).spawn(move || hall.work(w));
        if let Err(e) = spawned {
            // Without a thread its probes are not run; their signals say why, and tending tries again.
            let mut st = self.state();
            if st.unmanned.is_empty() {
                tracing::error!(error = %e, "cannot start a thread for probes");
            }
            let why = Why::new(WhyCode::Failed, format!("no thread for the probe: {e}"));
            let theirs = |i: usize, s: &Slot| match w {
                Worker::Shared(_) => s.lane == Lane::Shared,
                Worker::Own(own) => own == i,
            };
            st.slots.iter_mut().enumerate().filter(|(i, s)| theirs(*i, s)).for_each(|(_, s)| s.why = Some(why.clone()));
            st.unmanned.push(w);
        }
    }

    /// Has a probe run now, or once more if a run is under way. One in trouble keeps its back-off.
    fn hasten(&self, i: usize) {
        let mut st = self.state();
        let s = &mut st.slots[i];
        if s.running.is_some() {
            s.again = true;
        } else if s.why.is_none() {
            s.due = Instant::now();
            self.wake.notify_all();
        }
    }

    fn work(&self, w: Worker) {
        let mut found = (Vec::new(), Vec::new());
        let mut st = self.state();
        loop {
            if st.stopping || matches!(w, Worker::Shared(g) if g != st.generation) {
                return;
            }
            let now = Instant::now();
            let mine = |i: usize, s: &Slot| match w {
                Worker::Shared(_) => s.lane == Lane::Shared,
                Worker::Own(own) => own == i,
            };
            let (mut next, mut soonest) = (None, None::<Instant>);
            for (i, s) in st.slots.iter().enumerate() {
                if s.probe.is_none() || !mine(i, s) {
                    continue;
                }
                if s.due <= now + SLACK {
                    next = Some(i);
                    break;
                }
                soonest = Some(soonest.map_or(s.due, |d| d.min(s.due)));
            }
            if let Some(i) = next {
                st = self.run_one(st, i, w, &mut found);
                continue;
            }
            if matches!(w, Worker::Shared(_)) {
                self.send(&mut st);
            }
            let wait = soonest.map_or(self.pace.tell, |d| d.saturating_duration_since(Instant::now()));
            st = self.wake.wait_timeout(st, wait).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    /// Sends what the shared worker has found.
    fn send(&self, st: &mut State) {
        if !st.events.is_empty() {
            self.outlet.events(std::mem::take(&mut st.events));
        }
        if !st.readings.is_empty() {
            let n = st.readings.len();
            self.outlet.pass(std::mem::replace(&mut st.readings, Vec::with_capacity(n)));
        }
    }

    fn run_one<'h>(
        &'h self,
        mut st: MutexGuard<'h, State>,
        i: usize,
        w: Worker,
        found: &mut (Vec<Reading>, Vec<Event>),
    ) -> MutexGuard<'h, State> {
        let Some(mut probe) = st.slots[i].probe.take() else { return st };
        let began = Instant::now();
        st.slots[i].running = Some(began);
        st.slots[i].overrun = false;
        drop(st);

        let (readings, events) = found;
        let outcome = std::panic::catch_unwind(AssertUnwindSafe(|| {
            probe.take(&mut Take::new(&self.clock, &self.signals, readings, events));
        }));
        let panic = outcome.err().map(|p| words(&*p));
        if panic.is_some() {
            // A recovery that panics too leaves the probe as broken as before: the next run shows it.
            let _ = std::panic::catch_unwind(AssertUnwindSafe(|| probe.recover()));
        }

        let mut st = self.state();
        if st.stopping {
            return st;
        }
        let now = Instant::now();
        let s = &mut st.slots[i];
        s.probe = Some(probe);
        s.took = now.duration_since(began);
        s.running = None;
        s.knows(readings);
        let mut tell = None;
        if let Some(panic) = panic {
            // Half a run is no run.
            readings.clear();
            s.trouble(Health::Panicked, Why::new(WhyCode::Failed, format!("the probe failed inside: {panic}")));
            s.due = now + back_off(self.pace.back_off, s.period, s.in_row);
            tell = Some(s.tell(&self.clock));
        } else if s.overrun {
            // Too late: its signals have been told unavailable for the time since.
            readings.clear();
            s.due = now + back_off(self.pace.back_off, s.period, s.in_row);
        } else {
            s.due = if std::mem::take(&mut s.again) { now } else { beat::next(now, s.period) };
            s.in_row = 0;
            s.why = None;
            let was = std::mem::replace(&mut s.health, Health::Well);
            if matches!(was, Health::Stuck | Health::Panicked) {
                tell = Some(s.tell(&self.clock));
            }
        }
        if s.why.is_some() {
            s.silence(now, &self.clock, readings);
        }
        if let Some(e) = tell {
            self.outlet.probe(s.now());
            s.told = Some(now);
            events.push(e);
        }
        match w {
            Worker::Shared(_) => {
                st.readings.append(readings);
                st.events.append(events);
            }
            Worker::Own(_) => {
                self.outlet.events(std::mem::take(events));
                self.outlet.readings(std::mem::take(readings));
            }
        }
        st
    }

    /// Looks for runs over their deadline, speaks for probes that cannot, and tells how all do.
    fn tend(self: &Arc<Hall>) {
        let now = Instant::now();
        let mut st = self.state();
        if st.stopping {
            return;
        }
        let (mut readings, mut events, mut hand_over) = (vec![], vec![], false);
        for s in &mut st.slots {
            if s.running.is_some_and(|since| now.duration_since(since) > s.deadline) && !s.overrun {
                s.overrun = true;
                let text = format!("no answer within {}", Span::from(s.deadline));
                s.trouble(Health::Stuck, Why::new(WhyCode::TimedOut, text));
                events.push(s.tell(&self.clock));
                s.told = None;
                hand_over |= s.lane == Lane::Shared;
            }
            if s.why.is_some() && (s.told.is_none() || now.duration_since(s.said) >= s.period) {
                s.silence(now, &self.clock, &mut readings);
            }
            if s.told.is_none_or(|t| now.duration_since(t) >= self.pace.tell) {
                s.told = Some(now);
                self.outlet.probe(s.now());
            }
        }
        if hand_over {
            st.generation += 1;
            self.send(&mut st);
        }
        let generation = st.generation;
        let unmanned = std::mem::take(&mut st.unmanned);
        drop(st);
        unmanned.into_iter().for_each(|w| self.clone().hire(w));
        if hand_over {
            self.clone().hire(Worker::Shared(generation));
        }
        self.outlet.events(events);
        self.outlet.readings(readings);
    }
}

/// What a panic said.
fn words(p: &(dyn std::any::Any + Send)) -> String {
    let text = p.downcast_ref::<&str>().map(|s| (*s).to_string()).or_else(|| p.downcast_ref::<String>().cloned());
    text.unwrap_or_else(|| "no words".into())
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod live;
#[cfg(test)]
mod tests;
