//! The last ten minutes of every signal and every program, held in memory within a fixed bound. Pure.
//!
//! A reading takes eight bytes: the signal's place in a table, how long before the end of its cycle it was taken, and the value to
//! seven digits. A program takes fourteen at each look. What is too much loses its oldest part.

use crate::model::leadup::{BEFORE, LeadUp, ProgramPoint, ProgramTrack, Sweep, Track};
use crate::model::{BootMs, BySignal, Reading, SignalDef, SignalId, Signals, Span, Stamp, Value};
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

/// A little more than what is kept, since an incident is known a little after it opened.
const HELD: Span = Span(BEFORE.0 + 60_000);
/// Bytes that readings may take.
const READINGS_MOST: usize = 11 << 19;
/// Bytes that looks at programs may take.
const LOOKS_MOST: usize = 3 << 19;
/// Steps in which the age of a reading is counted, ms: a 16-bit number reaches nearly eleven minutes.
const AGE_MS: i64 = 10;

/// One reading.
#[derive(Clone, Copy, Debug)]
#[repr(C)]
struct Entry {
    signal: u16,
    age: u16,
    value: f32,
}

/// The readings of one cycle.
#[derive(Clone, Debug)]
struct Frame {
    at: Stamp,
    entries: Arc<[Entry]>,
}

/// One program in one look. The differences are those to the look before.
#[derive(Clone, Copy, Debug)]
#[repr(C)]
struct Seen {
    memory_kib: u32,
    program: u16,
    /// Ticks; `u16::MAX`: there is no look before.
    busy: u16,
    disk_wait: u16,
    disk_fetches: u16,
    state: u8,
}

/// One look.
#[derive(Clone, Debug)]
struct Look {
    at: Stamp,
    /// Since the look before, ms.
    after_ms: i64,
    tick_ms: f64,
    seen: Arc<[Seen]>,
}

/// A program that is in some look.
#[derive(Clone, Debug)]
struct Program {
    pid: u32,
    start: u64,
    name: Arc<str>,
    last: [u64; 3],
    /// Looks in which it is.
    looks: u32,
}

/// The ring.
#[derive(Debug, Default)]
pub struct Ring {
    frames: VecDeque<Frame>,
    entries: usize,
    looks: VecDeque<Look>,
    seen: usize,
    places: BySignal<u16>,
    signals: Vec<SignalId>,
    whys: HashMap<u16, Arc<str>>,
    programs: Vec<Option<Program>>,
    free: Vec<u16>,
    by_id: HashMap<(u32, u64), u16>,
    /// Something was dropped before its time.
    cut: Option<BootMs>,
}

/// What is held at one moment, to be packed elsewhere: shares the memory of the ring.
#[derive(Clone, Debug)]
pub struct Held {
    frames: Vec<Frame>,
    looks: Vec<Look>,
    defs: Vec<Option<Arc<SignalDef>>>,
    whys: HashMap<u16, Arc<str>>,
    programs: Vec<Option<(u32, Arc<str>)>>,
    cut: Option<BootMs>,
}

impl Ring {
    /// Takes the readings of one cycle.
    pub fn readings(&mut self, at: Stamp, readings: &[Reading]) {
        // Its size is known beforehand, which the iterator cannot tell.
        let mut entries = Vec::with_capacity(readings.len());
        entries.extend(readings.iter().filter_map(|r| self.entry(at, r)));
        let entries: Arc<[Entry]> = entries.into();
        if !entries.is_empty() {
            self.entries += entries.len();
            self.frames.push_back(Frame { at, entries });
        }
        self.trim(at.boot);
    }

    fn entry(&mut self, at: Stamp, r: &Reading) -> Option<Entry> {
        let signal = match self.places.get(&r.signal) {
            Some(p) => *p,
            None => {
                let place = u16::try_from(self.signals.len()).ok()?;
                self.places.insert(r.signal, place);
                self.signals.push(r.signal);
                place
            }
        };
        let value = match &r.value {
            Value::Known(v) => *v as f32,
            Value::Unavailable(why) => {
                // The texts are shared with those who made them.
                if self.whys.get(&signal).is_none_or(|w| **w != *why.text) {
                    self.whys.insert(signal, why.text.clone());
                }
                f32::NAN
            }
        };
        let age = ((at.boot - r.at.boot).0 / AGE_MS).clamp(0, i64::from(u16::MAX)) as u16;
        Some(Entry { signal, age, value })
    }

    /// Takes one look at all programs.
    pub fn look(&mut self, s: &Sweep) {
        let after_ms = self.looks.back().map_or(0, |l| (s.at.boot - l.at.boot).0);
        let seen: Arc<[Seen]> = s
            .processes
            .iter()
            .filter_map(|p| {
                let place = self.place(p.pid, p.start)?;
                let known = self.programs[usize::from(place)].as_ref().map(|k| (k.last, k.looks));
                let now = [p.busy, p.disk_wait, p.disk_fetches];
                let entry = self.programs[usize::from(place)].get_or_insert_with(|| Program {
                    pid: p.pid,
                    start: p.start,
                    name: p.name.clone(),
                    last: now,
                    looks: 0,
                });
                (entry.last, entry.looks) = (now, entry.looks + 1);
                if entry.name != p.name {
                    entry.name = p.name.clone();
                }
                let since = |k: usize, most: u64| known.map(|(was, _)| now[k].saturating_sub(was[k]).min(most) as u16);
                let most = u64::from(u16::MAX) - 1;
                Some(Seen {
                    memory_kib: p.memory_kib,
                    program: place,
                    busy: since(0, most).unwrap_or(u16::MAX),
                    disk_wait: since(1, most).unwrap_or(0),
                    disk_fetches: since(2, most).unwrap_or(0),
                    state: p.state,
                })
            })
            .collect();
        self.seen += seen.len();
        self.looks.push_back(Look { at: s.at, after_ms, tick_ms: s.tick_ms, seen });
        self.trim(s.at.boot);
    }

    fn place(&mut self, pid: u32, start: u64) -> Option<u16> {
        if let Some(p) = self.by_id.get(&(pid, start)) {
            return Some(*p);
        }
        let place = match self.free.pop() {
            Some(p) => p,
            None => {
                let p = u16::try_from(self.programs.len()).ok()?;
                self.programs.push(None);
                p
            }
        };
        self.by_id.insert((pid, start), place);
        Some(place)
    }

    /// Drops what is older than is held, and what there is no room for.
    fn trim(&mut self, now: BootMs) {
        while let Some(f) = self.frames.front() {
            let full = self.entries * size_of::<Entry>() + self.frames.len() * FRAME > READINGS_MOST;
            if now - f.at.boot <= HELD && !full {
                break;
            }
            if now - f.at.boot < HELD {
                self.cut = Some(f.at.boot);
            }
            self.entries -= f.entries.len();
            self.frames.pop_front();
        }
        while let Some(l) = self.looks.front() {
            let full = self.seen * size_of::<Seen>() + self.programs.len() * PROGRAM > LOOKS_MOST;
            if now - l.at.boot <= HELD && !full {
                break;
            }
            if now - l.at.boot < HELD {
                self.cut = Some(l.at.boot);
            }
            let Some(l) = self.looks.pop_front() else { break };
            self.seen -= l.seen.len();
            for s in l.seen.iter() {
                let slot = &mut self.programs[usize::from(s.program)];
                let gone = slot.as_mut().is_some_and(|p| {
                    p.looks = p.looks.saturating_sub(1);
                    p.looks == 0
                });
                if gone && let Some(p) = slot.take() {
                    self.by_id.remove(&(p.pid, p.start));
                    self.free.push(s.program);
                }
            }
        }
    }

    /// Bytes that the ring takes, reckoned on the high side.
    #[cfg(test)]
    pub fn bytes(&self) -> usize {
        let names: usize = self.programs.iter().flatten().map(|p| p.name.len() + 16).sum();
        self.entries * size_of::<Entry>()
            + self.frames.capacity() * FRAME
            + self.seen * size_of::<Seen>()
            + self.looks.capacity() * size_of::<Look>()
            + self.programs.capacity() * PROGRAM
            + names
            + self.places.capacity() * 16
            + self.signals.capacity() * 4
            + self.whys.capacity() * 32
    }

    /// What is held now.
    pub fn held(&self, signals: &Signals) -> Held {
        Held {
            frames: self.frames.iter().cloned().collect(),
            looks: self.looks.iter().cloned().collect(),
            defs: self.signals.iter().map(|s| signals.def(*s)).collect(),
            whys: self.whys.clone(),
            programs: self.programs.iter().map(|p| p.as_ref().map(|p| (p.pid, p.name.clone()))).collect(),
            cut: self.cut,
        }
    }
}

/// A frame without its readings, with the allocation's own head.
const FRAME: usize = size_of::<Frame>() + 32;
/// A program in both tables.
const PROGRAM: usize = size_of::<Option<Program>>() + 48;

impl Held {
    /// The record of `from..=to` around an incident that opened at `opened`.
    pub fn record(&self, opened: Stamp, from: Stamp, to: Stamp) -> LeadUp {
        let mut tracks: Vec<Vec<(crate::model::UnixMs, Option<f64>)>> = vec![vec![]; self.defs.len()];
        let wall = |boot: BootMs| opened.wall + (boot - opened.boot);
        for f in &self.frames {
            for e in f.entries.iter() {
                let at = f.at.boot - Span(i64::from(e.age) * AGE_MS);
                if at < from.boot || at > to.boot {
                    continue;
                }
                let value = (!e.value.is_nan()).then(|| f64::from(e.value));
                tracks[usize::from(e.signal)].push((wall(at), value));
            }
        }
        let signals = tracks
            .into_iter()
            .enumerate()
            .filter_map(|(i, mut points)| {
                let def = self.defs[i].as_ref().filter(|_| !points.is_empty())?;
                points.sort_by_key(|p| p.0);
                let gone = points.iter().any(|p| p.1.is_none());
                Some(Track {
                    name: def.name.clone(),
                    unit: def.unit,
                    resolution: def.resolution,
                    what: def.what.clone(),
                    points: points.into_iter().map(|(t, v)| (t, v.map(|v| def.round(v)))).collect(),
                    why: if gone { self.whys.get(&(i as u16)).map(ToString::to_string) } else { None },
                })
            })
            .collect();
        let mut programs: Vec<Vec<ProgramPoint>> = vec![vec![]; self.programs.len()];
        for l in self.looks.iter().filter(|l| l.at.boot >= from.boot && l.at.boot <= to.boot) {
            let share = |ticks: u16| {
                if l.after_ms > 0 { 100.0 * f64::from(ticks) * l.tick_ms / l.after_ms as f64 } else { 0.0 }
            };
            for s in l.seen.iter() {
                programs[usize::from(s.program)].push(ProgramPoint {
                    at: wall(l.at.boot),
                    cpu: (s.busy != u16::MAX && l.after_ms > 0).then(|| (share(s.busy) * 10.0).round() / 10.0),
                    memory: f64::from(s.memory_kib) * 1024.0,
                    state: char::from(s.state),
                    disk_wait: (share(s.disk_wait) * 10.0).round() / 10.0,
                    disk_fetches: u32::from(s.disk_fetches),
                });
            }
        }
        let programs = programs
            .into_iter()
            .zip(&self.programs)
            .filter_map(|(points, p)| {
                let (pid, name) = p.as_ref().filter(|_| !points.is_empty())?;
                Some(ProgramTrack { pid: *pid, name: name.to_string(), points })
            })
            .collect();
        let cut = self.cut.is_some_and(|c| c >= from.boot);
        // The agent may have looked for less long than is kept.
        let first =
            self.frames.first().map(|f| f.at.boot).into_iter().chain(self.looks.first().map(|l| l.at.boot)).min();
        let begun = first.map_or(from.boot, |f| f.clamp(from.boot, to.boot.max(from.boot)));
        LeadUp { opened: opened.wall, from: wall(begun), to: wall(to.boot), cut, signals, programs }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::leadup::ProcessNow;
    use crate::model::{Name, Unit, UnixMs, Why, WhyCode};
    use proptest::prelude::*;

    fn at(s: i64) -> Stamp {
        Stamp::new(UnixMs(1_768_000_000_000 + s * 1000), BootMs(1_000_000 + s * 1000))
    }

    fn process(pid: u32, busy: u64) -> ProcessNow {
        ProcessNow {
            pid,
            start: u64::from(pid) * 3,
            name: format!("program-{pid}").into(),
            state: b'S',
            busy,
            memory_kib: 5000,
            disk_wait: 0,
            disk_fetches: 0,
        }
    }

    fn table(n: u32) -> Signals {
        let s = Signals::new();
        for k in 0..n {
            s.register(SignalDef::new(Name::new(format!("load.s{k}")).unwrap(), Unit::Percent, 0.1, "a load"));
        }
        s
    }

    /// The bound that is promised: 485 programs every five seconds and 1,000 signals every second, for hours.
    #[test]
    fn the_bound_holds_and_the_ten_minutes_are_whole() {
        let signals = table(1000);
        let mut ring = Ring::default();
        let mut most = 0;
        for s in 0..4000 {
            let readings: Vec<Reading> = (1..=1000)
                .map(|id| Reading::known(SignalId(id), at(s), (i64::from(id) * 7 + s) as f64 % 1000.0 / 10.0))
                .collect();
            ring.readings(at(s), &readings);
            if s % 5 == 0 {
                // One in fifty is another process each time.
                let processes =
                    (0..485).map(|p| process(if p % 50 == 0 { 10_000 + s as u32 + p } else { p }, s as u64)).collect();
                ring.look(&Sweep { at: at(s), tick_ms: 10.0, processes });
            }
            most = most.max(ring.bytes());
        }
        println!("the lead-up takes {most} bytes at most");
        assert!(most < 8_000_000, "{most}");
        let l = ring.held(&signals).record(at(3999), at(3399), at(3999));
        assert_eq!((l.signals.len(), l.signals[0].points.len(), l.cut), (1000, 601, false));
        assert_eq!(l.programs.iter().filter(|p| p.points.len() == 120).count(), 475);
        // A minute of cycles ten times as long, with ten times as many signals: the oldest part goes.
        for s in 4000..4200 {
            let readings: Vec<Reading> = (1..=10_000).map(|id| Reading::known(SignalId(id), at(s), 1.0)).collect();
            ring.readings(at(s), &readings);
            assert!(ring.bytes() < 8_000_000, "{}", ring.bytes());
        }
        assert!(ring.held(&signals).record(at(4199), at(3600), at(4199)).cut);
    }

    #[test]
    fn values_come_back_to_their_resolution_and_reasons_with_them() {
        let signals = table(2);
        let mut ring = Ring::default();
        for s in 0..10 {
            let why = Why::new(WhyCode::Absent, "unplugged");
            ring.readings(
                at(s),
                &[
                    Reading::known(SignalId(1), at(s), 14.6),
                    Reading { at: at(s - 3), ..Reading::unavailable(SignalId(2), at(s), why) },
                ],
            );
        }
        let l = ring.held(&signals).record(at(9), at(0), at(9));
        assert!(l.signals[0].points.iter().all(|p| p.1 == Some(14.6)));
        assert_eq!(l.signals[1].why.as_deref(), Some("unplugged"));
        assert_eq!(l.signals[1].points.first().unwrap().0, at(0).wall, "by the time at which it was taken");
        assert_eq!(l.signals[1].points.len(), 7);
    }

    #[test]
    fn processor_use_of_programs() {
        let mut ring = Ring::default();
        for s in 0..4 {
            // 250 ticks of 10 ms in five seconds: half a core.
            let busy = process(7, 1000 + 250 * s as u64);
            let mut all = vec![busy];
            if s == 2 {
                all.push(process(8, 5));
            }
            ring.look(&Sweep { at: at(s * 5), tick_ms: 10.0, processes: all });
        }
        let l = ring.held(&Signals::new()).record(at(20), at(0), at(20));
        let cpu: Vec<_> = l.programs[0].points.iter().map(|p| p.cpu).collect();
        assert_eq!(cpu, [None, Some(50.0), Some(50.0), Some(50.0)]);
        assert_eq!((l.programs[1].pid, l.programs[1].points.len()), (8, 1));
    }

    proptest! {
        // Each case is a long evening.
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn whatever_comes_the_bound_holds(sizes in proptest::collection::vec((0usize..3000, 0usize..1500, 0i64..90), 1..40)) {
            let mut ring = Ring::default();
            let mut t = 0;
            for (readings, programs, step) in sizes {
                t += step;
                let all: Vec<Reading> = (0..readings).map(|k| Reading::known(SignalId(k as u32), at(t), k as f64)).collect();
                ring.readings(at(t), &all);
                let processes = (0..programs).map(|p| process(p as u32 + t as u32, 1)).collect();
                ring.look(&Sweep { at: at(t), tick_ms: 10.0, processes });
                prop_assert!(ring.bytes() < 8_000_000);
                let places = ring.programs.iter().flatten().count();
                prop_assert_eq!(places, ring.by_id.len());
            }
        }
    }
}
