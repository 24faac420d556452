//! The queue between the agent and the writer's thread.
//!
//! Bounded by the number of readings in it. When it is full the oldest readings are dropped and counted, and the stretch is
//! recorded as a gap; alarms, events, sessions, incidents and marks are never dropped. The caller never waits.

use super::commit::Job;
use super::errors::StoreError;
use super::import::{Foreign, Taken, Way};
use super::options::Options;
use super::rows_in::Rows;
use crate::model::live::StoreNow;
use crate::model::{Batch, Outcome, Stamp, UnixMs};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::oneshot;

/// What one cycle hands over.
#[derive(Debug, Default)]
pub struct Write {
    /// Readings and events as they came.
    pub batch: Batch,
    /// What the engine made of them.
    pub outcome: Outcome,
    /// The engine's state after this step, if it is worth saving (see [`super::Writer::wants_engine_state`]).
    pub engine_state: Option<serde_json::Value>,
}

/// The answer to a write that is committed at once.
pub type Answer = oneshot::Sender<Result<(), StoreError>>;

pub(super) enum Item {
    Write(Box<Write>, Option<Answer>),
    Job(Job),
    /// Rows that are kept until they can be written, whatever the disk does.
    Rows(Box<Rows>, Answer),
    /// Readings from elsewhere.
    Import(Box<Foreign>, Way, oneshot::Sender<Result<Taken, StoreError>>),
    /// Write everything and mark the run as ended in an orderly way.
    Close(std::sync::mpsc::Sender<Result<(), StoreError>>),
    /// What the look for damage found.
    Checked(Result<(), StoreError>),
}

/// A stretch whose readings were dropped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Dropped {
    pub from: Stamp,
    pub to: Stamp,
    pub readings: u64,
}

impl Dropped {
    pub fn join(into: &mut Option<Dropped>, more: Dropped) {
        *into = Some(match *into {
            None => more,
            Some(d) => Dropped { from: d.from, to: more.to, readings: d.readings + more.readings },
        });
    }
}

#[derive(Default)]
struct Queue {
    items: VecDeque<Item>,
    readings: usize,
    dropped: Option<Dropped>,
    woken: bool,
    abandoned: bool,
}

/// Shared by the handles and the thread.
pub(super) struct Inbox {
    queue: Mutex<Queue>,
    bell: Condvar,
    /// Signals room in the queue to a caller that chose to wait.
    room: Condvar,
    limit: usize,
    /// Since-boot time from which on a quiet commit is due.
    pub next_commit: AtomicI64,
    /// Whether the engine's state is wanted with the next write.
    pub wants_state: AtomicBool,
    pub ended: AtomicBool,
    now: Mutex<StoreNow>,
}

/// What the thread takes out at once.
pub(super) struct Haul {
    pub items: VecDeque<Item>,
    pub dropped: Option<Dropped>,
    pub abandoned: bool,
}

fn lock<T>(m: &Mutex<T>) -> MutexGuard<'_, T> {
    // What is guarded is plain data, complete after every statement: a panic elsewhere cannot leave it half made.
    m.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Inbox {
    pub fn new(options: &Options) -> Inbox {
        Inbox {
            queue: Mutex::default(),
            bell: Condvar::new(),
            room: Condvar::new(),
            limit: options.queue_readings.max(1),
            next_commit: AtomicI64::new(i64::MIN),
            wants_state: AtomicBool::new(true),
            ended: AtomicBool::new(false),
            now: Mutex::new(StoreNow { well: true, ..StoreNow::default() }),
        }
    }

    pub fn push_write(&self, w: Write) -> Option<oneshot::Receiver<Result<(), StoreError>>> {
        let urgent = w.outcome.is_urgent() || !w.batch.events.is_empty();
        let due = w.batch.at.boot.0 >= self.next_commit.load(Ordering::Relaxed);
        let (answer, receiver) = match urgent {
            true => {
                let (s, r) = oneshot::channel();
                (Some(s), Some(r))
            }
            false => (None, None),
        };
        let mut q = lock(&self.queue);
        if self.ended.load(Ordering::Acquire) {
            drop(q);
            if let Some(a) = answer {
                let _ = a.send(Err(StoreError::Closed));
            }
            return receiver;
        }
        q.readings += w.batch.readings.len();
        q.items.push_back(Item::Write(Box::new(w), answer));
        if q.readings > self.limit {
            q.drop_oldest(self.limit);
        }
        if urgent || due || q.readings > self.limit / 2 {
            q.woken = true;
            self.bell.notify_one();
        }
        receiver
    }

    /// Waits until the queue is at most half full: for callers that make data faster than the disk takes it.
    pub fn wait_for_room(&self) {
        let mut q = lock(&self.queue);
        while q.readings > self.limit / 2 && !self.ended.load(Ordering::Acquire) {
            q.woken = true;
            self.bell.notify_one();
            q = self.room.wait_timeout(q, Duration::from_millis(100)).unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    pub fn push(&self, item: Item) -> Result<(), StoreError> {
        self.try_push(item).map_err(|(e, _)| e)
    }

    /// Gives the item back if the thread has ended.
    #[allow(clippy::result_large_err)] // it is the caller's own item
    pub fn try_push(&self, item: Item) -> Result<(), (StoreError, Item)> {
        let mut q = lock(&self.queue);
        if self.ended.load(Ordering::Acquire) {
            return Err((StoreError::Closed, item));
        }
        q.items.push_back(item);
        q.woken = true;
        self.bell.notify_one();
        Ok(())
    }

    /// No handle is left: the thread writes what it has and ends.
    pub fn abandon(&self) {
        let mut q = lock(&self.queue);
        q.abandoned = true;
        q.woken = true;
        self.bell.notify_one();
    }

    /// Takes everything, waiting for the bell at most so long.
    pub fn take(&self, patience: Duration) -> Haul {
        let mut q = lock(&self.queue);
        if !q.woken && !patience.is_zero() {
            q = self.bell.wait_timeout_while(q, patience, |q| !q.woken).unwrap_or_else(PoisonError::into_inner).0;
        }
        q.woken = false;
        q.readings = 0;
        self.room.notify_all();
        Haul { items: std::mem::take(&mut q.items), dropped: q.dropped.take(), abandoned: q.abandoned }
    }

    /// The thread has ended: what is still queued is answered.
    pub fn end(&self) {
        let mut q = lock(&self.queue);
        self.ended.store(true, Ordering::Release);
        for item in std::mem::take(&mut q.items) {
            match item {
                Item::Write(_, Some(a)) => drop(a.send(Err(StoreError::Closed))),
                Item::Import(_, _, a) => drop(a.send(Err(StoreError::Closed))),
                Item::Rows(_, a) => drop(a.send(Err(StoreError::Closed))),
                Item::Job(j) => j.refuse(StoreError::Closed),
                Item::Close(s) => drop(s.send(Err(StoreError::Closed))),
                _ => {}
            }
        }
        self.room.notify_all();
    }

    pub fn now(&self) -> StoreNow {
        let waiting = lock(&self.queue).readings as u64;
        let mut n = lock(&self.now).clone();
        n.waiting += waiting;
        n
    }

    pub fn set_now(&self, f: impl FnOnce(&mut StoreNow)) {
        f(&mut lock(&self.now));
    }
}

impl Queue {
    fn drop_oldest(&mut self, limit: usize) {
        for item in &mut self.items {
            if self.readings <= limit {
                break;
            }
            let Item::Write(w, _) = item else { continue };
            let readings = std::mem::take(&mut w.batch.readings);
            let (Some(first), Some(last)) = (readings.first(), readings.last()) else { continue };
            self.readings -= readings.len();
            Dropped::join(&mut self.dropped, Dropped { from: first.at, to: last.at, readings: readings.len() as u64 });
        }
    }
}

/// Latest instant that rows may carry; instants beyond it come from a clock gone mad.
pub(super) fn sane(at: UnixMs) -> UnixMs {
    UnixMs(at.0.clamp(0, super::keys::LATEST_MS))
}

#[cfg(test)]
mod tests {
    use super::super::tests::{batch, clock, options, raised, t, urgent, write};
    use super::*;
    use crate::model::{Reading, SignalId};

    #[test]
    fn a_full_queue_drops_the_oldest_readings_counts_them_and_nothing_else() {
        let inbox = Inbox::new(&Options { queue_readings: 10, ..options(&clock()) });
        let readings = |ms: i64| (0..4).map(|i| Reading::known(SignalId(1), t(ms + i), 1.0)).collect::<Vec<_>>();
        // No thread takes anything: the disk has hung.
        inbox.push_write(urgent(batch(t(0), readings(0)), vec![raised(1, t(0))]));
        for i in 1..5 {
            assert!(inbox.push_write(write(batch(t(i * 1000), readings(i * 1000)))).is_none());
        }
        assert_eq!(inbox.now().waiting, 8);
        let haul = inbox.take(Duration::ZERO);
        let d = haul.dropped.unwrap();
        assert_eq!((d.from, d.to, d.readings), (t(0), t(2003), 12));
        let left: Vec<usize> = haul
            .items
            .iter()
            .map(|i| match i {
                Item::Write(w, _) => w.batch.readings.len() + 100 * w.outcome.transitions.len(),
                _ => 0,
            })
            .collect();
        assert_eq!(left, [100, 0, 0, 4, 4], "the transition stays, its readings went first");
    }

    #[test]
    fn after_the_end_everything_is_answered() {
        let inbox = Inbox::new(&options(&clock()));
        let mut waiting = inbox.push_write(urgent(batch(t(0), vec![]), vec![raised(1, t(0))])).unwrap();
        inbox.end();
        assert_eq!(waiting.try_recv().unwrap(), Err(StoreError::Closed));
        let mut late = inbox.push_write(urgent(batch(t(0), vec![]), vec![raised(2, t(0))])).unwrap();
        assert_eq!(late.try_recv().unwrap(), Err(StoreError::Closed));
    }
}
