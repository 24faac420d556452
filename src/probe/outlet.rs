//! The way from the probes to the agent: one bounded queue, never waited on.

use crate::model::leadup::Sweep;
use crate::model::live::ProbeNow;
use crate::model::{Event, Reading};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::mpsc;

/// What a probe found, or how a probe does.
#[derive(Clone, Debug, PartialEq)]
pub enum Observation {
    /// Readings, each with its own time.
    Readings(Vec<Reading>),
    /// Readings of a whole pass of the shared worker, which keeps time for everything else.
    Pass(Vec<Reading>),
    /// Events, each with its own time.
    Events(Vec<Event>),
    /// State of one probe; sent when it changes, and every ten seconds.
    Probe(ProbeNow),
    /// A look at all programs of the machine.
    Sweep(Sweep),
}

/// Events that wait while the queue is full. More than these are dropped, oldest first, and counted.
const EVENTS_KEPT: usize = 4096;

/// The probes' end of the queue. Cheap to clone. When the queue is full, readings are dropped and counted; events wait
/// here and go with the next sending, since a lost event cannot be measured again.
#[derive(Clone, Debug)]
pub struct Outlet {
    tx: mpsc::Sender<Observation>,
    lost: Arc<AtomicU64>,
    kept: Arc<Mutex<VecDeque<Event>>>,
}

impl Outlet {
    /// An outlet into `tx`.
    pub fn new(tx: mpsc::Sender<Observation>) -> Outlet {
        Outlet { tx, lost: Arc::default(), kept: Arc::default() }
    }

    /// Sends readings; an empty list sends nothing.
    pub fn readings(&self, r: Vec<Reading>) {
        self.send(r, Observation::Readings);
    }

    /// Sends the readings of a whole pass.
    pub fn pass(&self, r: Vec<Reading>) {
        self.send(r, Observation::Pass);
    }

    fn send(&self, r: Vec<Reading>, kind: fn(Vec<Reading>) -> Observation) {
        self.flush();
        let n = r.len() as u64;
        if n > 0 && self.tx.try_send(kind(r)).is_err() {
            self.lost.fetch_add(n, Ordering::Relaxed);
        }
    }

    /// Sends events; none of them is lost while the queue is full for a while.
    pub fn events(&self, e: Vec<Event>) {
        if e.is_empty() {
            return;
        }
        {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            kept.extend(e);
            while kept.len() > EVENTS_KEPT {
                kept.pop_front();
                self.lost.fetch_add(1, Ordering::Relaxed);
            }
        }
        self.flush();
    }

    /// Sends one event.
    pub fn event(&self, e: Event) {
        self.events(vec![e]);
    }

    /// Sends the state of a probe; dropped when the queue is full, since the next one says the same.
    pub fn probe(&self, p: ProbeNow) {
        let _ = self.tx.try_send(Observation::Probe(p));
    }

    /// Sends a look at all programs; dropped when the queue is full, since the next one comes soon.
    pub fn sweep(&self, s: Sweep) {
        let _ = self.tx.try_send(Observation::Sweep(s));
    }

    /// Readings and events dropped since start because the queue was full.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// Sends the events that waited.
    pub fn flush(&self) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.is_empty() {
            return;
        }
        if let Ok(permit) = self.tx.try_reserve() {
            permit.send(Observation::Events(kept.drain(..).collect()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{EventKind, Name, SignalId, Stamp};

    #[test]
    fn a_full_queue_drops_readings_and_keeps_events() {
        let (tx, mut rx) = mpsc::channel(1);
        let out = Outlet::new(tx);
        let reading = || vec![Reading::known(SignalId(1), Stamp::default(), 1.0)];
        let event = Event::new(Stamp::default(), Name::new("link.house").unwrap(), EventKind::LinkDown, "");
        out.readings(reading());
        out.readings(reading());
        out.event(event.clone());
        assert_eq!(out.lost(), 1);
        assert_eq!(rx.try_recv(), Ok(Observation::Readings(reading())));
        out.flush();
        assert_eq!(rx.try_recv(), Ok(Observation::Events(vec![event])));
        assert!(rx.try_recv().is_err());
    }
}
