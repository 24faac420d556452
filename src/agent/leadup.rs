//! Keeps the ten minutes before an incident, and the five minutes after, with the incident.
//!
//! The part before is taken out of the ring as soon as the incident is known and stored already, and packed on a thread of its
//! own, so that no alarm waits for it. Incidents of one evening that are too many to be kept all are counted.

mod ring;

use crate::model::leadup::{AFTER, BEFORE, Part, Sweep};
use crate::model::{Batch, Incident, Signals, Span, Stamp};
use crate::store::{Writer, leadup};
use ring::{Held, Ring};

/// So many incidents are kept in full in one stretch; a night of flapping must not fill the disk.
const MOST: usize = 24;
const STRETCH: Span = Span::hours(12);
/// An incident that is known this long after it opened: what is held reaches up to now instead.
const LATE: Span = Span::mins(1);

/// An incident whose five minutes after are not over.
#[derive(Clone, Copy, Debug)]
struct Open {
    id: i64,
    opened: Stamp,
    from: Stamp,
}

/// The keeper.
#[derive(Debug)]
pub struct LeadUps {
    ring: Ring,
    /// Incidents up to this number are known.
    known: i64,
    open: Vec<Open>,
    kept: Vec<Stamp>,
}

impl LeadUps {
    /// Incidents up to `known` are old.
    pub fn new(known: i64) -> LeadUps {
        LeadUps { ring: Ring::default(), known, open: vec![], kept: vec![] }
    }

    /// Takes the readings of a cycle.
    pub fn take(&mut self, batch: &Batch) {
        self.ring.readings(batch.at, &batch.readings);
    }

    /// Takes a look at all programs.
    pub fn look(&mut self, s: &Sweep) {
        self.ring.look(s);
    }

    /// Keeps the part before of every incident that is new.
    pub fn incidents(&mut self, all: &[Incident], at: Stamp, signals: &Signals, writer: &Writer) {
        for i in all {
            if i.id <= self.known {
                continue;
            }
            self.known = i.id;
            self.kept.retain(|k| at.boot - k.boot < STRETCH);
            if self.kept.len() >= MOST {
                tracing::warn!(
                    incident = i.id,
                    "too many incidents in a row: the minutes before it are not kept in detail"
                );
                continue;
            }
            self.kept.push(at);
            // A restart of the machine lies between: nothing of before is held.
            let opened = if i.opened.boot > at.boot { Stamp { boot: at.boot, ..i.opened } } else { i.opened };
            let to = if at.boot - opened.boot > LATE { at } else { opened };
            self.open.push(Open { id: i.id, opened, from: to });
            let from = Stamp::new(to.wall - BEFORE, to.boot - BEFORE);
            store(self.ring.held(signals), i.id, Part::Before, [opened, from, to], writer);
        }
    }

    /// Keeps the part after of incidents whose five minutes are over; all of them when the agent stops.
    pub fn tick(&mut self, at: Stamp, stopping: bool, signals: &Signals, writer: &Writer) {
        let (over, open): (Vec<Open>, Vec<Open>) =
            self.open.iter().partition(|o| stopping || at.boot - o.from.boot >= AFTER);
        self.open = open;
        if over.is_empty() {
            return;
        }
        let held = self.ring.held(signals);
        for o in over {
            let end = Stamp::new(o.from.wall + AFTER, o.from.boot + AFTER);
            let to = if end.boot > at.boot { at } else { end };
            if stopping {
                // The writer is about to close.
                drop(writer.leadup(o.id, Part::After.word(), leadup::pack(&held.record(o.opened, o.from, to))));
            } else {
                store(held.clone(), o.id, Part::After, [o.opened, o.from, to], writer);
            }
        }
    }
}

fn store(held: Held, incident: i64, part: Part, [opened, from, to]: [Stamp; 3], writer: &Writer) {
    let writer = writer.clone();
    tokio::task::spawn_blocking(move || {
        let body = leadup::pack(&held.record(opened, from, to));
        tracing::debug!(incident, part = part.word(), bytes = body.len(), "the detailed record is kept");
        // It is tried again by the writer itself while the store is in trouble.
        drop(writer.leadup(incident, part.word(), body));
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;
    use crate::model::{BootMs, FaultKind, Name, Reading, SignalDef, Unit, UnixMs};
    use crate::store::{self, Options, Reader};

    fn at(s: i64) -> Stamp {
        Stamp::new(UnixMs(1_768_248_000_000 + s * 1000), BootMs(3_600_000 + s * 1000))
    }

    fn incident(id: i64, s: i64) -> Incident {
        Incident {
            id,
            session: None,
            opened: at(s),
            closed: None,
            members: vec![],
            order_certain: true,
            kind: FaultKind::Program,
            harmless: false,
            pause_only: false,
            mark: None,
        }
    }

    /// Waits until a part is in the store, with a bound.
    async fn kept(reader: &Reader, id: i64, part: Part) -> crate::model::leadup::LeadUp {
        for _ in 0..4000 {
            if let Some(l) = reader.leadup_record(id, part).unwrap() {
                return l;
            }
            tokio::time::sleep(std::time::Duration::from_millis(5)).await;
        }
        panic!("{part:?} of {id} was not kept");
    }

    #[tokio::test]
    async fn before_and_after_are_kept_and_a_flapping_night_stays_small() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("t.db");
        let clock = ManualClock::at(at(0));
        let (writer, opened) = store::open(&path, Options::new(clock, "boot")).unwrap();
        let signals = opened.signals.clone();
        let def = SignalDef::new(Name::new("load.cpu").unwrap(), Unit::Percent, 0.1, "load");
        let id = signals.register(def);
        let mut l = LeadUps::new(4);
        let cycle = |l: &mut LeadUps, s: i64| {
            let readings = vec![Reading::known(id, at(s), s as f64 / 10.0)];
            l.take(&Batch { at: at(s), readings, events: vec![] });
            l.tick(at(s), false, &signals, &writer);
        };
        (0..=700).for_each(|s| cycle(&mut l, s));
        l.incidents(&[incident(4, 690), incident(5, 700)], at(700), &signals, &writer);
        l.incidents(&[incident(5, 700)], at(701), &signals, &writer);
        (701..=1000).for_each(|s| cycle(&mut l, s));
        let reader = Reader::open(&path).unwrap();
        let before = kept(&reader, 5, Part::Before).await;
        assert_eq!((before.from, before.to, before.signals[0].points.len()), (at(100).wall, at(700).wall, 601));
        let after = kept(&reader, 5, Part::After).await;
        assert_eq!((after.from, after.to), (at(700).wall, at(1000).wall));
        assert_eq!(after.signals[0].points.last(), Some(&(at(1000).wall, Some(100.0))));
        assert_eq!(reader.leadup(4, "before").unwrap(), None, "it is from before the start");
        // One that is known late reaches up to now.
        l.incidents(&[incident(6, 400)], at(1000), &signals, &writer);
        assert_eq!(kept(&reader, 6, Part::Before).await.to, at(1000).wall);
        // And then one each second.
        for n in 7..60 {
            l.incidents(&[incident(n, 1000)], at(1000), &signals, &writer);
        }
        assert_eq!((l.kept.len(), l.open.len()), (MOST, MOST - 1));
        // The agent stops: what there is of the minutes after is kept.
        cycle(&mut l, 1010);
        l.tick(at(1010), true, &signals, &writer);
        assert_eq!(kept(&reader, 7, Part::After).await.to, at(1010).wall);
        assert!(l.open.is_empty());
        writer.close(Span::secs(20)).unwrap();
    }
}
