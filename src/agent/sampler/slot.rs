//! One probe as the sampler keeps it: when it is due, how it does, and what it says while it cannot read.

use crate::clock::SharedClock;
use crate::model::live::ProbeNow;
use crate::model::{Event, EventKind, Name, Reading, SignalId, Span, Why};
use crate::probe::{Lane, Probe};
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

/// How a probe does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Health {
    /// Not run yet.
    Waiting,
    Well,
    /// A run is over its deadline, or was and is now waiting for another try.
    Stuck,
    Panicked,
}

impl Health {
    pub(super) fn word(self) -> &'static str {
        match self {
            Health::Waiting => "waiting",
            Health::Well => "well",
            Health::Stuck => "stuck",
            Health::Panicked => "panicked",
        }
    }
}

pub(super) struct Slot {
    pub(super) name: Name,
    pub(super) period: Duration,
    pub(super) deadline: Duration,
    pub(super) lane: Lane,
    /// Out while a run is under way.
    pub(super) probe: Option<Box<dyn Probe>>,
    pub(super) due: Instant,
    pub(super) running: Option<Instant>,
    pub(super) health: Health,
    /// Why its signals are unavailable, while it is in trouble.
    pub(super) why: Option<Why>,
    /// When they were last said to be.
    pub(super) said: Instant,
    troubles: u64,
    pub(super) in_row: u32,
    pub(super) took: Duration,
    /// The run under way has been declared stuck.
    pub(super) overrun: bool,
    /// Asked for once more while a run was under way.
    pub(super) again: bool,
    /// When its state was last told.
    pub(super) told: Option<Instant>,
    /// Every signal that it is known to give.
    ids: BTreeSet<SignalId>,
    /// Those of the latest run, in its order: nearly always those of the next one.
    ran: Vec<SignalId>,
}

impl Slot {
    pub(super) fn new(p: Box<dyn Probe>) -> Slot {
        let now = Instant::now();
        Slot {
            name: p.name().clone(),
            period: p.period().max(Span(1)).to_std(),
            deadline: p.deadline().max(Span(1)).to_std(),
            lane: p.lane(),
            ids: p.signals().into_iter().collect(),
            ran: vec![],
            probe: Some(p),
            due: now,
            running: None,
            health: Health::Waiting,
            why: None,
            said: now,
            troubles: 0,
            in_row: 0,
            took: Duration::ZERO,
            overrun: false,
            again: false,
            told: None,
        }
    }

    pub(super) fn now(&self) -> ProbeNow {
        ProbeNow {
            probe: self.name.clone(),
            period_ms: Span::from(self.period).0,
            state: self.health.word().into(),
            took_us: i64::try_from(self.took.as_micros()).unwrap_or(i64::MAX),
            troubles: self.troubles,
        }
    }

    /// Notes which signals a run gave.
    pub(super) fn knows(&mut self, readings: &[Reading]) {
        let now = readings.iter().map(|r| r.signal);
        if !now.clone().eq(self.ran.iter().copied()) {
            self.ids.extend(now.clone());
            self.ran.clear();
            self.ran.extend(now);
        }
    }

    pub(super) fn trouble(&mut self, health: Health, why: Why) {
        if self.in_row == 0 {
            tracing::warn!(probe = %self.name, reason = %why.text, "probe in trouble");
        }
        self.health = health;
        self.why = Some(why);
        self.troubles += 1;
        self.in_row += 1;
    }

    /// Says of every signal why there is no value.
    pub(super) fn silence(&mut self, now: Instant, clock: &SharedClock, out: &mut Vec<Reading>) {
        let Some(why) = &self.why else { return };
        let at = clock.now();
        self.said = now;
        out.extend(self.ids.iter().map(|id| Reading::unavailable(*id, at, why.clone())));
    }

    pub(super) fn tell(&self, clock: &SharedClock) -> Event {
        state_event(&self.name, self.health, clock, self.why.as_ref().map_or("", |w| &w.text))
    }
}

/// `period` doubled with each trouble in a row, between the bounds.
pub(super) fn back_off(between: (Duration, Duration), period: Duration, in_row: u32) -> Duration {
    let doubled = period.saturating_mul(1 << in_row.min(16));
    doubled.clamp(between.0.max(period), between.1.max(period))
}

/// That a probe cannot read, or reads again.
pub(super) fn state_event(name: &Name, health: Health, clock: &SharedClock, why: &str) -> Event {
    let text = match health {
        Health::Stuck | Health::Panicked => format!("probe `{}` cannot read: {why}", name.own()),
        Health::Well | Health::Waiting => format!("probe `{}` reads again", name.own()),
    };
    Event::new(clock.now(), name.clone(), EventKind::ProbeState, text)
        .with("probe", name.as_str())
        .with("state", health.word())
}
