//! Builds the present that is published after each cycle.

use crate::engine::Standing;
use crate::model::live::{ProbeNow, StoreNow, ThingNow};
use crate::model::{Batch, BySignal, Live, SignalId, Stamp, UnixMs, Value};
use std::sync::Arc;

/// The latest value of every signal, and the parts of the present that change seldom.
#[derive(Debug, Default)]
pub struct Present {
    latest: Vec<(SignalId, UnixMs, Value)>,
    places: BySignal<usize>,
    cycle: u64,
    standing: Standing,
    /// The long parts of `standing`, shared by every present until they change.
    things: Arc<[ThingNow]>,
    wakes: Arc<[String]>,
    /// Name of the field PC.
    pub field: String,
    /// When the agent started.
    pub started: Stamp,
    /// Numbers of transitions that were announced without being saved.
    pub unsaved: Vec<crate::model::AlarmId>,
}

impl Present {
    /// A present of which nothing is known yet.
    pub fn new(field: String, started: Stamp) -> Present {
        Present { field, started, ..Present::default() }
    }

    /// The sentence of state; empty until the engine has judged.
    pub fn sentence(&self) -> &str {
        &self.standing.sentence
    }

    /// Takes what the engine has judged.
    pub fn stand(&mut self, mut standing: Standing) {
        self.things = std::mem::take(&mut standing.things).into();
        self.wakes = std::mem::take(&mut standing.wakes).into();
        self.standing = standing;
    }

    /// Takes the readings of a batch.
    pub fn take(&mut self, batch: &Batch) {
        for r in &batch.readings {
            let next = self.latest.len();
            let i = *self.places.entry(r.signal).or_insert(next);
            let entry = (r.signal, r.at.wall, r.value.clone());
            if i == next { self.latest.push(entry) } else { self.latest[i] = entry }
        }
    }

    /// Forgets signals that the new configuration no longer reads.
    pub fn forget(&mut self) {
        self.latest.clear();
        self.places.clear();
    }

    /// The present as one record.
    pub fn live(&mut self, at: Stamp, probes: Vec<ProbeNow>, store: StoreNow) -> Live {
        self.cycle += 1;
        let s = &self.standing;
        let mut alarms = s.alarms.clone();
        for a in &mut alarms {
            a.saved &= !self.unsaved.contains(&a.alarm);
        }
        Live {
            cycle: self.cycle,
            at,
            field: self.field.clone(),
            invented: false,
            condition: s.condition,
            sentence: s.sentence.clone(),
            try_this: s.try_this.clone(),
            things: self.things.clone(),
            alarms,
            latest: self.latest.clone(),
            session: s.session.clone(),
            dark: s.dark,
            wakes: self.wakes.clone(),
            probes,
            store,
            seq: s.seq,
            agent_started: self.started,
            last_light_frame: s.last_light_frame,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, Reading};

    #[test]
    fn the_latest_reading_of_each_signal_is_kept_in_the_order_of_arrival() {
        let at = |n| Stamp::new(UnixMs(n), BootMs(n));
        let mut p = Present::default();
        let one = |s, t, v| Reading::known(SignalId(s), at(t), v);
        p.take(&Batch { at: at(1), readings: vec![one(4, 1, 1.0), one(2, 1, 2.0)], events: vec![] });
        p.take(&Batch { at: at(2), readings: vec![one(4, 2, 3.0)], events: vec![] });
        let l = p.live(at(2), vec![], StoreNow::default());
        assert_eq!(
            l.latest,
            [(SignalId(4), UnixMs(2), Value::Known(3.0)), (SignalId(2), UnixMs(1), Value::Known(2.0))]
        );
        assert_eq!(l.cycle, 1);
    }
}
