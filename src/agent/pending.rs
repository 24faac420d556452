//! What the probes sent since the last judgement.

use crate::model::leadup::Sweep;
use crate::model::live::ProbeNow;
use crate::model::{Batch, Event, Name, Reading, Stamp};
use crate::probe::Observation;
use std::collections::BTreeMap;
use std::ops::BitOrAssign;

/// What an observation calls for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Call {
    /// It must be judged at once.
    pub urgent: bool,
    /// The pass of the shared worker is over: a beat.
    pub pass: bool,
}

impl BitOrAssign for Call {
    fn bitor_assign(&mut self, o: Call) {
        self.urgent |= o.urgent;
        self.pass |= o.pass;
    }
}

/// Readings and events that wait to be judged, and how each probe does.
#[derive(Debug, Default)]
pub struct Pending {
    readings: Vec<Reading>,
    events: Vec<Event>,
    probes: BTreeMap<Name, ProbeNow>,
    sweeps: Vec<Sweep>,
    /// Readings came in since the watchdog was fed.
    fresh: bool,
}

impl Pending {
    /// Takes one observation, and says what it calls for.
    pub fn take(&mut self, o: Observation) -> Call {
        let mut call = Call::default();
        match o {
            Observation::Readings(r) => self.readings(r),
            Observation::Pass(r) => {
                self.readings(r);
                call.pass = true;
            }
            Observation::Events(e) => {
                self.events.extend(e);
                call.urgent = true;
            }
            Observation::Probe(p) => {
                self.probes.insert(p.probe.clone(), p);
            }
            // Looks come every few seconds and are taken each cycle.
            Observation::Sweep(s) => self.sweeps.push(s),
        }
        call
    }

    fn readings(&mut self, r: Vec<Reading>) {
        self.fresh |= !r.is_empty();
        if self.readings.is_empty() {
            self.readings = r;
        } else {
            self.readings.extend(r);
        }
    }

    /// One event of the agent's own.
    pub fn event(&mut self, e: Event) {
        self.events.push(e);
    }

    /// All that waited, as a batch judged at `at`.
    pub fn batch(&mut self, at: Stamp) -> Batch {
        let n = self.readings.len();
        Batch {
            at,
            readings: std::mem::replace(&mut self.readings, Vec::with_capacity(n)),
            events: std::mem::take(&mut self.events),
        }
    }

    /// Whether readings came in since the last call.
    pub fn was_fresh(&mut self) -> bool {
        std::mem::take(&mut self.fresh)
    }

    /// Looks at all programs since the last call.
    pub fn sweeps(&mut self) -> Vec<Sweep> {
        std::mem::take(&mut self.sweeps)
    }

    /// How the probes do.
    pub fn probes(&self) -> Vec<ProbeNow> {
        self.probes.values().cloned().collect()
    }

    /// Forgets the probes of an old configuration.
    pub fn forget_probes(&mut self) {
        self.probes.clear();
    }
}
