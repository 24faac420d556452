//! The life of alarms: from a condition that begins, over its delays, to raised, returned, acknowledged and forgotten.

use super::incident::{Key, Trouble};
use super::plan::Sort;
use super::slot::{Alarm, Kept};
use super::{Engine, Tick};
use crate::config::model::Builtin;
use crate::model::outcome::NoticeKind;
use crate::model::{AlarmChange, AlarmId, BootMs, EventKind, FaultKind, Name, Priority, Span, Stamp, Transition};

/// What was held back has at least this long to come back together with what held it back.
const GRACE: Span = Span::secs(10);

/// What is now known of a condition.
#[derive(Clone, Debug, Default)]
pub(super) struct Fact {
    pub on: bool,
    pub at: Stamp,
    pub within: Span,
    pub value: Option<f64>,
    pub words: String,
    pub event: Option<EventKind>,
    /// No alarm before this instant.
    pub wait: Option<BootMs>,
    /// No delay at all.
    pub at_once: bool,
    /// A reading showed it, and delays are counted to readings.
    pub by_reading: bool,
}

impl Fact {
    /// The condition holds since `at`.
    pub fn on(at: Stamp) -> Fact {
        Fact { on: true, at, ..Fact::default() }
    }
    /// The condition is over since `at`.
    pub fn off(at: Stamp) -> Fact {
        Fact { at, ..Fact::default() }
    }
    /// A reading showed it, and delays are counted to readings.
    pub fn by_reading(mut self) -> Fact {
        self.by_reading = true;
        self
    }
}

impl Engine {
    pub(super) fn key(&self, s: usize) -> Key {
        (self.slots[s].k.rule.clone(), self.slots[s].k.thing.clone())
    }

    pub(super) fn builtin(&self, s: usize) -> Option<Builtin> {
        self.plan.rules[self.slots[s].rule].builtin()
    }

    /// Takes a fact about a slot's condition.
    pub(super) fn set(&mut self, s: usize, f: Fact) {
        let at_reading = f.by_reading;
        // Delays over readings are counted to the reading; all others to the instant that has been reached.
        let now = if at_reading { f.at } else { self.stamp(self.t.max(f.at.boot.min(self.now.boot))) };
        let k = &mut self.slots[s].k;
        if f.on && k.on && f.at.boot >= k.since.boot && !at_reading {
            return;
        }
        let was = k.on;
        k.on = f.on;
        k.value = f.value.or(k.value);
        if f.on {
            (k.since, k.within, k.off_since, k.wait) = (f.at, f.within, None, f.wait);
            k.grace = None;
            k.event = f.event;
            if !at_reading || !f.words.is_empty() {
                k.words = f.words;
            }
            self.version += 1;
            if was && k.incident.is_some() {
                // Told again, and better: a late event gives the true time.
                let (id, at, within, event) = (k.incident, k.since, k.within, k.event);
                let text = self.words_of(s);
                if let Some(id) = id {
                    self.st.incidents.refine(id, &self.key(s), at, within, event, &text);
                }
            } else if f.wait.is_none() && self.breaks_at_once(s) {
                self.trouble(s);
            }
        } else if was {
            (k.off_since, k.wait) = (Some(f.at), None);
            self.version += 1;
            self.st.incidents.well(&self.key(s), f.at);
            self.cases_due();
            if !self.slots[s].standing() {
                self.slots[s].k.incident = None;
            }
        }
        if f.at_once && f.on && !self.slots[s].standing() && self.in_force(s) {
            self.raise(s, now);
        }
        self.visit(s, now, at_reading);
    }

    pub(super) fn in_force(&self, s: usize) -> bool {
        self.slots[s].force.is_some() && !self.slots[s].k.excused
    }

    /// Whether the condition itself, without any delay, is something that broke and may belong to an incident.
    pub(super) fn breaks_at_once(&self, s: usize) -> bool {
        use Builtin as B;
        let b = matches!(
            self.builtin(s),
            Some(B::ProgramEnded | B::ProgramHangs | B::DeviceGone | B::LinkDown | B::NoLightFrame | B::MachineStopped)
        );
        b && self.in_force(s) && self.st.session.is_some()
    }

    /// Tells the incidents that a slot's thing broke.
    pub(super) fn trouble(&mut self, s: usize) {
        use Builtin as B;
        let Some(session) = self.st.session.as_ref().map(|x| (x.id, x.started)) else { return };
        let (b, key, text) = (self.builtin(s), self.key(s), self.words_of(s));
        let rule = &self.plan.rules[self.slots[s].rule];
        let k = &self.slots[s].k;
        let at = if k.since.boot < session.1.boot { session.1 } else { k.since };
        let slight = matches!(b, Some(B::LinkDown)) || (b == Some(B::DeviceGone) && !self.slots[s].standing());
        let opens = self.breaks_at_once(s) || rule.priority == Priority::High;
        let join = match (b, k.mild) {
            (Some(B::NoLightFrame), false) => self.broken_since_light(),
            (Some(B::NoLightFrame), true) => self.dropped_since_light().map(|d| d.0),
            _ => None,
        };
        let t = Trouble {
            kind: kind_of(b, &key.1),
            at,
            within: k.within,
            event: k.event,
            text,
            opens,
            slight,
            pause: b == Some(B::NoLightFrame) && k.mild,
            join,
            key,
        };
        let last = self.st.frames.last.filter(|_| self.plan.frames.is_some() && self.st.frames.count > 0);
        let frames = last.and_then(|l| self.st.frames.kept_coming().map(|g| (l.boot, g)));
        let number = &mut self.st.numbers.incident;
        let id = self.st.incidents.broke(t, Some(session.0), frames, number, &self.plan.leaning);
        self.slots[s].k.incident = id;
        self.cases_due();
    }

    /// Whether an alarm of slot `o`, if it stands, holds slot `s` back: on what the thing of `s` leans on, or on that thing
    /// itself when it is gone and `s` judges one of its quantities.
    fn holds(&self, o: usize, s: usize) -> bool {
        use Builtin as B;
        let gone = |x: usize| {
            matches!(
                self.builtin(x),
                Some(B::ProgramEnded | B::ProgramHangs | B::DeviceGone | B::LinkDown | B::MachineStopped)
            )
        };
        let (mine, theirs) = (self.slots[s].k.thing.thing(), self.slots[o].k.thing.thing());
        o != s
            && self.plan.rules[self.slots[o].rule].breaks()
            && (self.plan.leaning.leans(&mine, &theirs) || (mine == theirs && gone(o) && !gone(s)))
    }

    /// The thing that holds this slot back, by an alarm that stands.
    pub(super) fn support_alarmed(&self, s: usize) -> Option<Name> {
        if !self.plan.rules[self.slots[s].rule].holds_back() {
            return None;
        }
        let found = (0..self.slots.len()).find(|o| self.slots[*o].standing() && self.holds(*o, s));
        found.map(|o| self.slots[o].k.thing.thing())
    }

    /// Raises first what this slot would be held back by and what is due at the same instant.
    pub(super) fn roots_first(&mut self, s: usize, t: Stamp) {
        if !self.plan.rules[self.slots[s].rule].holds_back() {
            return;
        }
        for o in 0..self.slots.len() {
            let other = &self.slots[o];
            // A cycle of statements, or two rules on one thing, ends at the one that is being looked at already.
            let waits = other.k.on && !other.standing() && !other.evidence && !self.looked_at.contains(&o);
            if waits && self.holds(o, s) {
                self.looked_at.push(s);
                self.visit(o, t, false);
                self.looked_at.pop();
            }
        }
    }

    /// Looks again at what was held back by a slot's thing.
    pub(super) fn release(&mut self, s: usize, t: Stamp) {
        if !self.plan.rules[self.slots[s].rule].breaks() {
            return;
        }
        let thing = self.slots[s].k.thing.thing();
        for o in 0..self.slots.len() {
            let other = &self.slots[o];
            let theirs = other.k.thing.thing();
            let held = self.plan.leaning.leans(&theirs, &thing) || theirs == thing;
            if o != s && other.k.on && !other.standing() && held {
                let delay = self.plan.rules[other.rule].on_delay.max(GRACE);
                self.slots[o].k.grace = Some(t.boot + delay);
                self.visit(o, t, false);
            }
        }
    }

    pub(super) fn with_alarm(&mut self, s: usize, f: impl FnOnce(&mut Alarm)) {
        if let Some(a) = &mut self.slots[s].k.alarm {
            f(a);
        }
        self.version += 1;
    }

    /// How much an alarm of this slot matters.
    pub(super) fn priority_of(&self, s: usize) -> Priority {
        let p = self.plan.rules[self.slots[s].rule].priority;
        let watched = self.plan.thing(&self.slots[s].k.thing.thing());
        // A program beside the chain is worth a look, but no night hangs on it.
        let beside = watched.is_some_and(|t| t.sort == Sort::Program && !t.chained) && self.breaks_at_once(s);
        match (self.slots[s].k.mild, beside, p) {
            (true, ..) => Priority::Low,
            (_, true, Priority::High) => Priority::Medium,
            _ => p,
        }
    }

    /// The condition has held for its delay.
    pub(super) fn raise(&mut self, s: usize, t: Stamp) {
        if self.slots[s].k.incident.is_none() && self.st.session.is_some() && self.worth_an_incident(s) {
            self.trouble(s);
        }
        self.st.numbers.alarm += 1;
        let (id, priority) = (AlarmId(self.st.numbers.alarm), self.priority_of(s));
        let text = self.words_of(s);
        let k = &mut self.slots[s].k;
        k.wait = None;
        k.alarm = Some(Alarm {
            id,
            priority,
            since: k.since,
            announced: self.now,
            standing: true,
            returned: None,
            acknowledged: false,
            chattering: false,
            stale: false,
            woken: false,
            text: text.clone(),
            value: k.value,
            incident: k.incident,
        });
        let since = k.since;
        let chattering = k.chatter.raised(t.boot);
        let due = self.could_wake(s) && self.wakes_from(s).is_some_and(|d| d <= t.boot) && self.may_wake(s, t);
        let wakes = due && !self.incident_woke(s);
        if due {
            self.with_alarm(s, |a| a.woken = true);
        }
        if let Some(incident) = self.slots[s].k.incident {
            let key = self.key(s);
            self.st.incidents.alarmed(incident, &key, id, &text);
            if self.builtin(s) == Some(Builtin::DeviceGone) {
                self.st.incidents.grave(incident, &key);
            }
        }
        self.tell(s, since, AlarmChange::Raised, wakes);
        let shelved = self.slots[s].k.shelved.is_some();
        if chattering {
            self.with_alarm(s, |a| a.chattering = true);
            self.tell(s, t, AlarmChange::Chattering, false);
            self.notice(s, NoticeKind::Chattering, false);
        } else if !shelved {
            let began = self.count_raise(s, t);
            if !began && (self.st.flood.on.is_none() || wakes) {
                self.notice(s, NoticeKind::Raised, wakes);
            }
        }
        self.act(s, true);
        // What leans on it waits from now on; nothing to look at until it is back.
    }

    pub(super) fn worth_an_incident(&self, s: usize) -> bool {
        // Waiting is no breakage: it may be why something broke, which the report weighs, but it is not what failed.
        let waits = self.builtin(s) == Some(Builtin::ProcessorStarved);
        !waits && self.breaks(s)
    }

    fn breaks(&self, s: usize) -> bool {
        self.priority_of(s) >= Priority::Medium || self.breaks_at_once(s)
    }

    /// The condition is over for its off-delay.
    pub(super) fn back(&mut self, s: usize, t: Stamp) {
        let at = self.slots[s].k.off_since.unwrap_or(t);
        self.with_alarm(s, |a| (a.standing, a.returned) = (false, Some(at)));
        self.tell(s, at, AlarmChange::Returned, false);
        let quiet = self.slots[s].k.shelved.is_some() || self.st.flood.on.is_some();
        if !quiet {
            self.notice(s, NoticeKind::Returned, false);
        }
        self.act(s, false);
        let k = &mut self.slots[s].k;
        (k.urgent, k.incident) = (false, None);
        if k.alarm.as_ref().is_some_and(|a| a.acknowledged) {
            k.alarm = None;
        }
        self.release(s, t);
    }

    /// Closes a standing alarm without a return to normal.
    pub(super) fn remove(&mut self, s: usize, t: Stamp, why: &str) {
        if self.slots[s].standing() {
            self.with_alarm(s, |a| {
                a.standing = false;
                a.text = format!("{}: {why}", a.text);
            });
            let since = self.slots[s].k.since;
            self.tell(s, if since.boot > t.boot { since } else { t }, AlarmChange::Removed, false);
            if self.slots[s].k.shelved.is_none() && self.st.flood.on.is_none() {
                self.notice(s, NoticeKind::Removed, false);
            }
            self.act(s, false);
            self.slots[s].k.alarm = None;
            self.release(s, t);
        }
        (self.slots[s].k.wait, self.slots[s].k.incident) = (None, None);
    }

    /// Closes the alarm of a slot that no longer has a rule or a thing.
    pub(super) fn close_homeless(&mut self, k: Kept) {
        let Some(a) = k.alarm.filter(|a| a.standing) else { return };
        self.st.numbers.seq += 1;
        self.st.incidents.well(&(k.rule.clone(), k.thing.clone()), self.now);
        self.out.transitions.push(Transition {
            seq: self.st.numbers.seq,
            at: self.now,
            announced: self.now,
            alarm: a.id,
            rule: k.rule,
            thing: k.thing,
            priority: a.priority,
            change: AlarmChange::Removed,
            wakes: false,
            text: format!("{}: no longer configured", a.text),
            value: a.value,
            incident: a.incident,
            saved: true,
        });
    }

    /// Judges incidents that can be judged, and sets the next instant for it.
    pub(super) fn cases_due(&mut self) {
        if let Some(next) = self.st.incidents.judge(self.t) {
            self.timers.insert((next, Tick::Cases));
        }
    }
}

/// The kind of fault that a trouble of this rule on this thing is.
fn kind_of(b: Option<Builtin>, thing: &Name) -> FaultKind {
    match (b, thing.kind()) {
        (Some(Builtin::BoxTooHot), _) | (_, "temperature") => FaultKind::Heat,
        (_, "program" | "frames" | "log") => FaultKind::Program,
        (_, "device") => FaultKind::Device,
        (_, "link" | "interface") => FaultKind::Link,
        (_, "disk") => FaultKind::Storage,
        (_, "power" | "battery" | "voltage" | "supply" | "mains") => FaultKind::Power,
        _ => FaultKind::Machine,
    }
}
