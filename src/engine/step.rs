//! One step: readings are looked at once and mostly found quiet; what is left is worked through in the order of time,
//! together with the events and with the timers that fall due in between.

use super::bind::Use;
use super::judge::{Limit, Rel};
use super::life::Fact;
use super::{Engine, Tick, name};
use crate::model::reading::{Why, WhyCode};
use crate::model::{Batch, BootMs, Event, EventKind, Outcome, Reading, Span, Stamp, Value};

/// Batches further apart than this were not a quiet time: nobody was looking.
const STALL: Span = Span::mins(5);

/// More incidents than this are gone through for what can be laid aside.
const KEPT_AT_HAND: usize = 8;

/// Something that is not quiet.
#[derive(Clone, Debug)]
pub(crate) struct Item {
    at: Stamp,
    what: Change,
}

#[derive(Clone, Debug)]
enum Change {
    /// An event of the batch.
    Event(u32),
    /// A value at a limit.
    Value { slot: u32, v: f64, limit: Limit },
    /// A rule that wanted to hear of something heard of it.
    Heard { slot: u32 },
    /// A thing is there, or is not.
    Truth { thing: u32, up: bool },
    /// A thing can be read again.
    Readable { thing: u32 },
    /// A thing cannot be read.
    Unread { thing: u32, why: Why },
    /// Programs were killed for memory.
    Kills { slot: u32, by: f64 },
    /// A disk fills at a pace.
    Free { slot: u32, free: f64, bytes_per_second: Option<f64> },
    /// A light frame that no event told of.
    SinceLight { ago: Span },
    /// Age of a program's sign of life.
    Alive { thing: u32, age_s: f64, old: bool },
}

impl Change {
    /// Order among what happened at the same instant: events say more than readings, so they come first; only a frame comes
    /// last, since what the chain was like when it arrived is told by the readings.
    fn rank(&self, events: &[Event], plan: &super::Plan) -> (u8, u32, u32) {
        match self {
            Change::Event(i) if events.get(*i as usize).is_some_and(|e| e.kind == EventKind::FrameArrived) => (9, 0, 0),
            Change::Event(_) => (0, 0, 0),
            // What others lean on comes before them.
            Change::Truth { thing, .. } => (1, plan.leaning.depth(&plan.things[*thing as usize].name), *thing),
            Change::Readable { thing } | Change::Unread { thing, .. } => (2, 0, *thing),
            Change::Alive { thing, .. } => (3, 0, *thing),
            Change::SinceLight { .. } => (4, 0, 0),
            Change::Heard { slot } => (5, 0, *slot),
            Change::Kills { slot, .. } => (6, 0, *slot),
            Change::Free { slot, .. } => (7, 0, *slot),
            Change::Value { slot, .. } => (8, 0, *slot),
        }
    }
}

/// Order among events of one instant: ends before beginnings, so that a restart leaves the thing running.
fn event_rank(k: EventKind) -> u8 {
    use EventKind as E;
    match k {
        E::KernelLine | E::MemoryKill | E::ClockStep | E::Suspended => 0,
        E::DeviceLeft | E::LinkDown => 1,
        E::ProgramEnded | E::ProgramStopped | E::SignMissing => 2,
        E::DeviceArrived | E::LinkUp | E::ContactBreak => 3,
        E::ProgramStarted | E::ProgramContinued | E::SignBack => 4,
        E::FrameArrived => 5,
        _ => 6,
    }
}

/// The whole order of events, so that the order of arrival never matters.
fn by_time(a: &Event, b: &Event, plan: &super::Plan) -> std::cmp::Ordering {
    let key = |e: &Event| (e.at.boot, event_rank(e.kind), plan.leaning.depth(&e.thing));
    key(a)
        .cmp(&key(b))
        .then_with(|| a.thing.cmp(&b.thing))
        .then_with(|| (a.kind as u8).cmp(&(b.kind as u8)))
        .then_with(|| a.text.cmp(&b.text))
        .then_with(|| format!("{:?}", a.detail).cmp(&format!("{:?}", b.detail)))
}

impl Engine {
    /// Begins a call: time never goes back.
    pub(super) fn enter(&mut self, at: Stamp) {
        if self.fresh && self.st.at.boot > at.boot + Span::secs(1) {
            // The machine restarted and nobody said so: what was remembered is moved to the new count of time.
            self.rebase(at);
        }
        self.stalled = !self.fresh && at.boot - self.now.boot > STALL;
        if self.stalled {
            self.st.looking_since = Some(at.boot);
        }
        self.now = Stamp { boot: at.boot.max(self.now.boot), wall: at.wall };
        if self.fresh {
            // A short absence is gone through in the order of time; after a longer one only the present is known.
            let short = self.st.at.boot.0 > 0 && (Span::ZERO..=STALL).contains(&(self.now.boot - self.st.at.boot));
            self.t = if short { self.st.at.boot } else { self.now.boot };
        }
        if self.began.0 == i64::MIN / 4 {
            self.began = self.now.boot;
        }
        self.st.at = self.now;
    }

    /// The stamp of an instant since boot, by the present wall clock.
    pub(super) fn stamp(&self, boot: BootMs) -> Stamp {
        Stamp { boot, wall: self.now.wall - (self.now.boot - boot) }
    }

    /// Looks at each reading once; keeps what is not quiet.
    pub(super) fn look_at(&mut self, batch: &Batch) {
        let mut order = std::mem::take(&mut self.order);
        let sorted = batch.readings.is_sorted_by_key(|r| r.at.boot);
        if !sorted {
            order.clear();
            order.extend(0..batch.readings.len() as u32);
            order.sort_by_key(|i| {
                let r = &batch.readings[*i as usize];
                (r.at.boot, r.signal, r.value.known().map(f64::to_bits))
            });
        }
        // With events about, readings of presence are worked through in their place among them.
        let eventful = !batch.events.is_empty();
        if sorted {
            batch.readings.iter().for_each(|r| self.reading(r, eventful));
        } else {
            order.iter().for_each(|i| self.reading(&batch.readings[*i as usize], eventful));
        }
        self.order = order;
    }

    #[inline]
    fn reading(&mut self, r: &Reading, eventful: bool) {
        let Some(&(from, to)) = self.table.range.get(r.signal.0 as usize) else { return };
        if from == to {
            return;
        }
        let Engine { table, slots, things, items, st, .. } = self;
        let uses = &mut table.uses[from as usize..to as usize];
        let at = r.at;
        let v = match &r.value {
            Value::Known(v) if v.is_finite() => *v,
            Value::Known(_) => {
                let why = Why::new(WhyCode::Garbled, "the value is not a number");
                return unread(uses, things, items, at, &why);
            }
            Value::Unavailable(why) => return unread(uses, things, items, at, why),
        };
        let value = |slots: &mut [super::Slot], slot: u32, v: f64, limit: Limit, items: &mut Vec<Item>| {
            let s = &mut slots[slot as usize];
            // A slot with something waiting in this batch is no longer quiet.
            if !s.touched && s.quiet() && limit.judge(v) != Rel::Past {
                return;
            }
            s.touched = true;
            items.push(Item { at, what: Change::Value { slot, v, limit } });
        };
        for u in uses {
            match u {
                Use::Value { slot, limit } => value(slots, *slot, v, *limit, items),
                Use::Rate { slot, limit, window } => {
                    window.push(at.boot, v);
                    if let Some(rate) = window.rate() {
                        value(slots, *slot, rate, *limit, items);
                    }
                }
                Use::Deviation { slot, limit, window } => {
                    let mean = window.mean();
                    window.push(at.boot, v);
                    if let Some(mean) = mean {
                        value(slots, *slot, (v - mean).abs(), *limit, items);
                    }
                }
                Use::Heard { slot, truth } => {
                    if *truth && v == 0.0 {
                        continue;
                    }
                    let k = &mut slots[*slot as usize].k;
                    k.judged = k.judged.max(Some(at.boot));
                    if k.on {
                        items.push(Item { at, what: Change::Heard { slot: *slot } });
                    }
                }
                Use::Truth { thing } => {
                    let p = &mut things[*thing as usize].p;
                    let up = v != 0.0;
                    if !eventful && p.known() && p.up == Some(up) && items.is_empty() {
                        p.read = p.read.max(Some(at.boot));
                    } else {
                        items.push(Item { at, what: Change::Truth { thing: *thing, up } });
                    }
                }
                Use::Readable { thing } => {
                    let p = &mut things[*thing as usize].p;
                    if p.known() && items.is_empty() {
                        p.read = p.read.max(Some(at.boot));
                    } else {
                        items.push(Item { at, what: Change::Readable { thing: *thing } });
                    }
                }
                Use::Kills { slot, last } => {
                    if let Some(by) = last.replace(v).map(|l| v - l).filter(|by| *by > 0.0) {
                        items.push(Item { at, what: Change::Kills { slot: *slot, by } });
                    }
                }
                Use::Free { slot, pace } => {
                    if pace.push(at.boot, v) {
                        let what = Change::Free { slot: *slot, free: v, bytes_per_second: pace.bytes_per_second() };
                        items.push(Item { at, what });
                    }
                }
                Use::SinceLight => {
                    let ago = Span((v.clamp(0.0, 1e9) * 1000.0) as i64);
                    // Rounding and a late event are no new frame.
                    if st.frames.last.is_none_or(|l| at.boot - ago > l.boot + Span::secs(30)) {
                        items.push(Item { at, what: Change::SinceLight { ago } });
                    }
                }
                Use::AliveAge { thing, limit_s } => {
                    let old = v > *limit_s;
                    let known = things[*thing as usize].p.missing.iter().any(|m| m.0 == "age");
                    if old != known {
                        items.push(Item { at, what: Change::Alive { thing: *thing, age_s: v, old } });
                    }
                }
            }
        }
    }

    /// Works through what is not quiet, in the order of time.
    pub(super) fn work_through(&mut self, batch: &Batch) {
        if batch.events.iter().any(|e| matches!(e.kind, EventKind::Suspended | EventKind::Gap)) {
            (self.stalled, self.st.looking_since) = (true, Some(self.now.boot));
        }
        let mut items = std::mem::take(&mut self.items);
        if !batch.events.is_empty() {
            let mut order: Vec<u32> = (0..batch.events.len() as u32).collect();
            order.sort_by(|a, b| by_time(&batch.events[*a as usize], &batch.events[*b as usize], &self.plan));
            let events = order.into_iter().map(|i| Item { at: batch.events[i as usize].at, what: Change::Event(i) });
            items.splice(0..0, events);
        }
        if !items.is_empty() {
            // Stable: readings of one slot keep their order, events the one just given.
            items.sort_by_key(|i| (i.at.boot, i.what.rank(&batch.events, &self.plan)));
            for i in &items {
                // After a stretch in which nobody looked, what is known now comes before what time alone would say.
                if !self.stalled {
                    self.run_timers(i.at.boot, false);
                }
                self.t = self.t.max(i.at.boot.min(self.now.boot));
                self.apply(i, batch);
                if let Change::Value { slot, .. } = i.what {
                    self.slots[slot as usize].touched = false;
                }
            }
            items.clear();
        }
        self.items = items;
    }

    fn apply(&mut self, i: &Item, batch: &Batch) {
        let at = i.at;
        match &i.what {
            Change::Event(n) => self.event(&batch.events[*n as usize], batch),
            Change::Truth { thing, up } => self.truth(*thing as usize, *up, at),
            Change::Readable { thing } => self.readable(*thing as usize, at),
            Change::Unread { thing, why } => self.unreadable(*thing as usize, at, why),
            Change::Alive { thing, age_s, old } => {
                let since = self.earlier(at, Span((age_s.clamp(0.0, 1e9) * 1000.0) as i64));
                let from = if *old { since } else { at };
                self.sign(*thing as usize, "age", *old, from, Span::ZERO, None);
            }
            Change::SinceLight { ago } => {
                let when = self.earlier(at, *ago);
                self.light_frame(when, None);
            }
            Change::Heard { slot } => self.set(*slot as usize, Fact::off(at)),
            Change::Kills { slot, by } => self.memory_kill(*slot as usize, at, *by),
            Change::Free { slot, free, bytes_per_second } => self.free(*slot as usize, at, *free, *bytes_per_second),
            Change::Value { slot, v, limit } => self.value(*slot as usize, at, *v, limit.judge(*v)),
        }
    }

    /// `at` less a span, on both clocks.
    pub(super) fn earlier(&self, at: Stamp, by: Span) -> Stamp {
        Stamp { boot: at.boot - by, wall: at.wall - by }
    }

    /// One value that is not quiet.
    pub(super) fn value(&mut self, s: usize, at: Stamp, v: f64, rel: Rel) {
        let bridge = self.bridge(s);
        let slot = &mut self.slots[s];
        let standing = slot.standing();
        let k = &mut slot.k;
        if k.judged.is_some_and(|j| at.boot < j) {
            return;
        }
        let paused = k.judged.replace(at.boot).is_some_and(|j| at.boot - j > bridge);
        // While an alarm stands, only a value behind the deadband is over; otherwise only one past the limit counts.
        let on = if standing { rel != Rel::Back } else { rel == Rel::Past };
        if on && (!k.on || (paused && !standing)) {
            self.set(s, Fact { value: Some(v), ..Fact::on(at) }.by_reading());
        } else if !on && k.on {
            self.set(s, Fact { value: Some(v), ..Fact::off(at) }.by_reading());
        } else {
            if on && !standing {
                k.value = Some(v);
            }
            self.visit(s, at, true);
        }
    }

    /// Runs the timers that fall due before `until`, or up to it.
    pub(super) fn run_timers(&mut self, until: BootMs, inclusive: bool) {
        // Each timer moves on when it is run; the bound guards against one that does not.
        for _ in 0..1_000_000 {
            let Some(&(due, tick)) = self.timers.first() else { return };
            if due > until || (due == until && !inclusive) {
                return;
            }
            self.timers.pop_first();
            self.t = self.t.max(due.min(self.now.boot));
            let at = self.stamp(self.t);
            match tick {
                Tick::Slot(s) => {
                    self.slots[s as usize].timer = None;
                    self.visit(s as usize, at, false);
                }
                Tick::Frames => self.frames_due(at),
                Tick::Start => self.missing_since_start(at),
                Tick::Flood => self.flood_due(at),
                Tick::Cases => self.cases_due(),
            }
        }
    }

    /// Sets a timer, unless one is set that comes no later. Times long past fall due at once.
    pub(super) fn set_timer(&mut self, s: usize, due: BootMs) {
        let due = due.max(self.t);
        let slot = &mut self.slots[s];
        if let Some(old) = slot.timer {
            if old <= due {
                return;
            }
            self.timers.remove(&(old, Tick::Slot(s as u32)));
        }
        slot.timer = Some(due);
        self.timers.insert((due, Tick::Slot(s as u32)));
    }

    /// Brings everything up to the instant of the batch.
    pub(super) fn settle(&mut self) {
        if self.fresh {
            self.fresh = false;
            self.refresh_force(self.now);
            for s in 0..self.slots.len() {
                self.visit(s, self.now, false);
            }
            self.frames_due(self.now);
            self.flood_due(self.now);
            self.cases_due();
            if let Some(s) = &self.st.session {
                self.timers.insert((s.started.boot + super::session::GRACE, Tick::Start));
            }
        }
        for k in std::mem::take(&mut self.homeless) {
            self.close_homeless(k);
        }
        self.run_timers(self.now.boot, true);
        self.t = self.now.boot;
        self.sky(self.now);
        self.age();
    }

    /// Ends a call: hands out what came of it.
    pub(super) fn leave(&mut self) -> Outcome {
        let changed = self.st.incidents.changed(&self.plan.leaning);
        self.out.incidents.extend(changed);
        if self.st.session.is_none() && !self.st.incidents.cases.is_empty() {
            self.st.incidents.cases.clear();
            self.st.incidents.faults.clear();
        } else if self.st.incidents.cases.len() > KEPT_AT_HAND {
            let last = self.last_light().unwrap_or(self.now.boot);
            self.st.incidents.lay_aside(self.now.boot, last, &self.plan.leaning);
        }
        if !self.out.is_empty() {
            self.version += 1;
        }
        self.st.at = self.now;
        std::mem::take(&mut self.out)
    }

    /// An event of the engine's own.
    pub(super) fn say(&mut self, at: Stamp, thing: &str, kind: EventKind, text: impl Into<String>) -> &mut Event {
        self.out.events.push(Event::new(at, name(thing), kind, text));
        let last = self.out.events.len() - 1;
        &mut self.out.events[last]
    }
}

/// A reading that could not be taken: it raises its own alarm after a delay, and never ends another.
fn unread(uses: &[Use], things: &mut [super::Watched], items: &mut Vec<Item>, at: Stamp, why: &Why) {
    if why.code == WhyCode::NotYet {
        return;
    }
    for u in uses {
        if let Use::Truth { thing } | Use::Readable { thing } = u {
            let p = &things[*thing as usize].p;
            if p.unread.as_ref().is_none_or(|(_, text)| **text != *why.text) {
                items.push(Item { at, what: Change::Unread { thing: *thing, why: why.clone() } });
            }
        }
    }
}
