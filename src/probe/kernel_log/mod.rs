//! The kernel's own log: USB resets, over-current, I/O errors, kills for memory, crashes, throttling, radio firmware, each an
//! event with its own time. From the kernel's ring where it is open to us, else from the journal where that is.
//!
//! Only lines of the kernel's own facility count: the kernel itself marks what programs write into its log, so that nobody can
//! forge evidence. Without permission the signal `machine.kernel-log` is unavailable, which is said once with the way out.

pub mod classify;
pub mod heard;
mod journal;
pub mod record;
mod ring;
mod sieve;
mod stamping;

pub use heard::Heard;
pub use sieve::Sieve;

use super::{All, Found, Gauge, Group, Outlet, Roots, Running, Setup, Source, literal};
use crate::clock::{SharedClock, monotonic_us};
use crate::model::{Event, EventKind, Name, Reading, SignalId, Span, Stamp, Why, WhyCode};
use classify::Classifier;
use record::Record;
use stamping::Stamping;
use std::convert::Infallible;
use std::time::Duration;

/// That the log is read (or not) is told this often.
const TELL: Duration = Duration::from_secs(60);
/// Lines this old at the start of the agent are told: what ended the agent, or happened while it restarted.
const BEFORE_START: Span = Span::mins(1);

/// The signal that says whether the log is read.
pub const SIGNAL: &str = "machine.kernel-log";

/// How the log can be read.
#[derive(Debug)]
pub enum Way {
    /// From the kernel's ring.
    Ring(std::fs::File),
    /// From the journal.
    Journal,
}

/// How the log can be read here and now.
///
/// # Errors
/// Why it cannot, with what grants it.
pub fn way(roots: &Roots) -> Result<Way, Why> {
    if let Ok(f) = ring::open(roots) {
        return Ok(Way::Ring(f));
    }
    if journal::readable(roots) && (!roots.is_system() || journal::tool_there()) {
        return Ok(Way::Journal);
    }
    Err(Why::new(
        WhyCode::Refused,
        "the kernel's log is closed to this user: put the user into the group systemd-journal and log in anew (system unit: \
         the drop-in kernel-log.conf)",
    ))
}

/// The source, on the machine itself; made-up trees have no ring.
pub fn all(s: &Setup<'_>, heard: &Heard) -> All {
    if !s.roots.is_system() {
        return All::default();
    }
    All { probes: vec![], sources: vec![Box::new(KernelLog::new(s, heard.clone()))] }
}

/// The source.
pub struct KernelLog {
    name: Name,
    roots: Roots,
    clock: SharedClock,
    gauge: Gauge,
    heard: Heard,
    judge: Option<Judge>,
    told: bool,
}

impl KernelLog {
    /// Tells `heard` of processes that crashed or were killed for memory.
    pub fn new(s: &Setup<'_>, heard: Heard) -> KernelLog {
        KernelLog {
            name: literal("probe.kernel-log"),
            roots: s.roots.clone(),
            clock: s.clock.clone(),
            gauge: Gauge::truth(&s.signals, literal(SIGNAL), "the kernel's log is read"),
            heard,
            judge: None,
            told: false,
        }
    }
}

impl Source for KernelLog {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.gauge.id()]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        Box::pin(async move {
            let heard = self.heard.clone();
            let judge = match &mut self.judge {
                Some(j) => j,
                // The patterns take a while to be made ready, and others wait on this thread.
                none => match tokio::task::spawn_blocking(|| Judge { heard, ..Judge::default() }).await {
                    Ok(j) => none.insert(j),
                    Err(e) => return Why::new(WhyCode::Failed, format!("the patterns cannot be made ready: {e}")),
                },
            };
            let why = match way(&self.roots) {
                Ok(Way::Ring(f)) => {
                    let state = tell_every(&self.clock, self.gauge.id(), Ok(()), &out);
                    tokio::select! {
                        why = ring::follow(f, &self.clock, judge, &out) => return why,
                        never = state => match never {},
                    }
                }
                Ok(Way::Journal) => {
                    let state = tell_every(&self.clock, self.gauge.id(), Ok(()), &out);
                    tokio::select! {
                        why = journal::follow(journal::command(), &self.clock, judge, &out) => return why,
                        never = state => match never {},
                    }
                }
                Err(why) => why,
            };
            // No trouble of the probe's: a person decides whether to grant it. Said once.
            if !std::mem::replace(&mut self.told, true) {
                tracing::warn!("{}", why.text);
            }
            match tell_every(&self.clock, self.gauge.id(), Err(why), &out).await {}
        })
    }
}

async fn tell_every(clock: &SharedClock, signal: SignalId, state: Result<(), Why>, out: &Outlet) -> Infallible {
    loop {
        let at = clock.now();
        let reading = match &state {
            Ok(()) => Reading::known(signal, at, 1.0),
            Err(why) => Reading::unavailable(signal, at, why.clone()),
        };
        out.readings(vec![reading]);
        tokio::time::sleep(TELL).await;
    }
}

/// Turns records into events.
#[derive(Default)]
struct Judge {
    classifier: Classifier,
    sieve: Sieve<&'static str>,
    stamping: Stamping,
    heard: Heard,
}

impl Judge {
    /// One record read at `now`; `woken`: it is what we waited for.
    fn record(&mut self, r: Record, now: Stamp, woken: bool) -> Option<Event> {
        let Record::Kernel(line) = r else { return None };
        let at = line.us.map_or(now, |us| self.stamping.instant(now, monotonic_us(), us, woken));
        if now.boot - at.boot > BEFORE_START {
            return None;
        }
        let m = self.classifier.meaning(&line)?;
        let number = |k: &str| m.detail.get(k).and_then(serde_json::Value::as_i64);
        if let (Some(pid), Some(signal)) = (number("pid"), number("signal"))
            && let (Ok(pid), Ok(signal)) = (u32::try_from(pid), i32::try_from(signal))
        {
            self.heard.tell(heard::Doomed { pid, signal, at: at.boot });
        }
        let held_back = self.sieve.pass(m.class, at.boot)?;
        let mut e = Event::new(at, literal("machine.this"), EventKind::KernelLine, format!("kernel: {}", m.words))
            .with("class", m.class)
            .with("line", line.text)
            .with("level", line.level);
        if let Some(pid) = number("pid").and_then(|p| u32::try_from(p).ok()) {
            e = e.with("watched", self.heard.watches(pid));
        }
        e.detail.extend(m.detail);
        if held_back > 0 {
            e = e.with("held_back", held_back);
        }
        Some(e)
    }
}

/// What the look around says of it.
pub fn found(roots: &Roots) -> Vec<Found> {
    if !roots.is_system() {
        return vec![];
    }
    let note = match way(roots) {
        Ok(Way::Ring(_)) => "read from its ring; nothing to configure".to_string(),
        Ok(Way::Journal) => "read from the journal; nothing to configure".into(),
        Err(why) => why.text.to_string(),
    };
    vec![Found::plain(Group::Logs, "the kernel's log", note)]
}

#[cfg(test)]
mod tests;
