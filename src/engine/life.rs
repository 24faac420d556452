//! The life of alarms: from a condition that begins, over its delays, to raised, returned, acknowledged and forgotten.

use super::flood::WINDOW;
use super::incident::{Key, Trouble};
use super::plan::Sort;
use super::slot::{Alarm, Kept};
use super::{Engine, Tick};
use crate::config::model::Builtin;
use crate::model::outcome::NoticeKind;
use crate::model::{
    ActionWish, AlarmChange, AlarmId, BootMs, EventKind, FaultKind, Name, Notice, Priority, Span, Stamp, Transition,
};

/// An alarm that stands for longer than this is stale (ANSI/ISA-18.2 performance table, from memory).
pub(super) const STALE: Span = Span::hours(24);
/// An alarm that returned to normal without being acknowledged stays in the list for this long.
const KEPT: Span = Span::hours(24);

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

    fn builtin(&self, s: usize) -> Option<Builtin> {
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

    fn in_force(&self, s: usize) -> bool {
        self.slots[s].force.is_some() && !self.slots[s].k.excused
    }

    /// Whether the condition itself, without any delay, is something that broke and may belong to an incident.
    fn breaks_at_once(&self, s: usize) -> bool {
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

    /// The thing that this slot's thing leans on and that is alarmed.
    pub(super) fn support_alarmed(&self, s: usize) -> Option<Name> {
        if !self.plan.rules[self.slots[s].rule].holds_back() {
            return None;
        }
        let mine = self.slots[s].k.thing.thing();
        self.slots.iter().enumerate().find_map(|(o, other)| {
            let theirs = || other.k.thing.thing();
            let alarmed = o != s
                && other.standing()
                && self.plan.rules[other.rule].breaks()
                && self.plan.leaning.leans(&mine, &theirs());
            alarmed.then(theirs)
        })
    }

    /// Looks again at what was held back by a slot's thing.
    fn release(&mut self, s: usize, t: Stamp) {
        if !self.plan.rules[self.slots[s].rule].breaks() {
            return;
        }
        let thing = self.slots[s].k.thing.thing();
        for o in 0..self.slots.len() {
            let other = &self.slots[o];
            if o != s && other.k.on && !other.standing() && self.plan.leaning.leans(&other.k.thing.thing(), &thing) {
                self.visit(o, t, false);
            }
        }
    }

    /// Whether it is a built-in or own rule that waits to hear of something.
    fn is_missing(&self, s: usize) -> bool {
        self.plan.rules[self.slots[s].rule].what == super::plan::What::Missing
    }

    /// Looks at one slot at `t`: is a delay over, is it time to wake, is it stale, is a shelving over? Sets the next timer.
    pub(super) fn visit(&mut self, s: usize, t: Stamp, by_reading: bool) {
        let mut next: Option<BootMs> = None;
        let mut at_last = |due: BootMs| next = Some(next.map_or(due, |n| n.min(due)));
        if self.is_missing(s) && !self.slots[s].k.on && !self.slots[s].standing() {
            let rule = &self.plan.rules[self.slots[s].rule];
            if let Some(force) = self.slots[s].force {
                let began = BootMs(self.st.at.boot.0.min(t.boot.0));
                let heard = (*self.slots[s].k.judged.get_or_insert(began)).max(force);
                if t.boot - heard >= rule.on_delay {
                    let since = self.stamp(heard);
                    return self.set(s, Fact::on(since));
                }
                at_last(heard + rule.on_delay);
            }
        }
        let rule = &self.plan.rules[self.slots[s].rule];
        let slot = &self.slots[s];
        let standing = slot.standing();
        if slot.k.on && !standing {
            if let Some(force) = slot.force.filter(|_| !slot.k.excused && self.support_alarmed(s).is_none()) {
                let due = slot.k.since.boot.max(force) + rule.on_delay;
                let due = slot.k.wait.map_or(due, |w| due.max(w));
                if due <= t.boot && (by_reading || !slot.evidence) {
                    self.raise(s, t);
                    return self.visit(s, t, by_reading);
                }
                if !slot.evidence {
                    at_last(due);
                }
            }
        } else if standing && !slot.k.on {
            let over = slot.k.off_since.map_or(t.boot, |o| o.boot) + rule.off_delay;
            let chatters = slot.k.alarm.as_ref().is_some_and(|a| a.chattering);
            if !chatters && over <= t.boot && (by_reading || !slot.evidence || !self.fed_by_reading(s)) {
                self.back(s, t);
                return self.visit(s, t, by_reading);
            }
            if !chatters && (!slot.evidence || !self.fed_by_reading(s)) {
                at_last(over);
            }
        }
        if let Some(due) = self.grow_old(s, t) {
            at_last(due);
        }
        if let Some(due) = next {
            self.set_timer(s, due.max(BootMs(t.boot.0 + 1)));
        }
    }

    /// A killed program is told once; no later reading says that it is over.
    fn fed_by_reading(&self, s: usize) -> bool {
        self.slots[s].k.thing.as_str() != super::watch::KILLS
    }

    /// What time alone does to an alarm; gives the next instant at which it will do something.
    fn grow_old(&mut self, s: usize, t: Stamp) -> Option<BootMs> {
        let mut next: Option<BootMs> = None;
        let mut at_last = |due: BootMs| next = Some(next.map_or(due, |n: BootMs| n.min(due)));
        if let Some((until, _)) = self.slots[s].k.shelved.clone() {
            if until.boot <= t.boot {
                self.slots[s].k.shelved = None;
                self.unshelved(s, until);
            } else {
                at_last(until.boot);
            }
        }
        let settles = self.slots[s].k.chatter.settles();
        let alarm = self.slots[s].k.alarm.as_ref()?;
        if alarm.standing && alarm.chattering {
            match settles {
                Some(due) if due > t.boot => at_last(due),
                _ => {
                    self.with_alarm(s, |a| a.chattering = false);
                    self.tell(s, t, AlarmChange::Settled, false);
                    if !self.slots[s].k.on {
                        self.back(s, t);
                    }
                }
            }
        }
        let alarm = self.slots[s].k.alarm.as_ref()?;
        if alarm.standing && !alarm.stale {
            let due = alarm.since.boot.max(alarm.announced.boot) + STALE;
            if due <= t.boot {
                self.with_alarm(s, |a| a.stale = true);
                self.tell(s, t, AlarmChange::Stale, false);
            } else {
                at_last(due);
            }
        }
        let alarm = self.slots[s].k.alarm.as_ref()?;
        if alarm.standing && self.could_wake(s) {
            if let Some(due) = self.wakes_from(s) {
                if due > t.boot {
                    at_last(due);
                } else if self.may_wake(s, t) && self.incident_woke(s) {
                    // Somebody is up for the same incident already.
                    self.with_alarm(s, |a| a.woken = true);
                } else if self.may_wake(s, t) {
                    self.with_alarm(s, |a| a.woken = true);
                    self.tell(s, t, AlarmChange::WakesNow, true);
                    self.notice(s, NoticeKind::Wakes, true);
                } else {
                    // Looked at again now and then: darkness may fall, a session may begin.
                    at_last(t.boot + Span::mins(1));
                }
            }
        }
        let alarm = self.slots[s].k.alarm.as_ref()?;
        if let Some(r) = alarm.returned.filter(|_| !alarm.standing) {
            if r.boot + KEPT <= t.boot {
                self.slots[s].k.alarm = None;
                self.version += 1;
            } else {
                at_last(r.boot + KEPT);
            }
        }
        next
    }

    fn with_alarm(&mut self, s: usize, f: impl FnOnce(&mut Alarm)) {
        if let Some(a) = &mut self.slots[s].k.alarm {
            f(a);
        }
        self.version += 1;
    }

    /// How much an alarm of this slot matters.
    fn priority_of(&self, s: usize) -> Priority {
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

    fn worth_an_incident(&self, s: usize) -> bool {
        self.priority_of(s) >= Priority::Medium || self.breaks_at_once(s)
    }

    /// Counts a raise; whether it began a flood, which is then announced in one.
    fn count_raise(&mut self, s: usize, t: Stamp) -> bool {
        self.flood_due(Stamp { boot: BootMs(t.boot.0 - 1), ..t });
        let began = self.st.flood.raised(t.boot);
        let text = self.words_of(s);
        if self.st.flooded.len() < 50 {
            self.st.flooded.push(text);
        }
        if self.st.flood.on.is_none() {
            let keep = self.st.flood.count(t.boot);
            let drop = self.st.flooded.len().saturating_sub(keep);
            self.st.flooded.drain(..drop);
        }
        if let Some(due) = self.st.flood.due() {
            self.timers.insert((due, Tick::Flood));
        }
        if began {
            let n = self.st.flood.count(t.boot);
            let text = format!(
                "flood of alarms: {n} in {WINDOW}; from here on they are folded into one message. First: {}",
                self.st.flooded.first().map_or("", String::as_str)
            );
            self.say(t, "agent.this", EventKind::Flood, text.clone()).detail.insert("count".into(), n.into());
            let worst = self.slots.iter().filter_map(|s| s.k.alarm.as_ref()).filter(|a| a.standing).map(|a| a.priority);
            let priority = worst.max().unwrap_or(Priority::Medium);
            let wakes = self.slots[s].k.alarm.as_ref().is_some_and(|a| a.woken);
            self.fold(t, NoticeKind::FloodBegan, priority, wakes, text);
        }
        began
    }

    fn fold(&mut self, at: Stamp, kind: NoticeKind, priority: Priority, wakes: bool, text: String) {
        let seq = self.st.numbers.seq;
        self.out.notices.push(Notice { at, kind, seq, alarm: None, rule: None, thing: None, priority, wakes, text });
    }

    /// Ends the flood if it is over at `t`.
    pub(super) fn flood_due(&mut self, t: Stamp) {
        if let Some(due) = self.st.flood.due().filter(|d| *d > t.boot) {
            self.timers.insert((due, Tick::Flood));
            return;
        }
        let due = self.st.flood.due();
        let Some((from, n)) = self.st.flood.over(t.boot) else { return };
        let at = self.stamp(due.unwrap_or(t.boot));
        let standing = self.slots.iter().filter(|s| s.standing()).count();
        let mut text = format!("the flood of alarms is over: {n} in {}; {standing} still stand", at.boot - from);
        for (i, a) in self.st.flooded.iter().take(5).enumerate() {
            text += if i == 0 { ". They were: " } else { "; " };
            text += a;
        }
        let more = (n as usize).saturating_sub(5);
        if more > 0 {
            text += &format!("; and {more} more");
        }
        self.st.flooded.clear();
        let e = self.say(at, "agent.this", EventKind::Flood, text.clone());
        e.detail.insert("count".into(), n.into());
        e.detail.insert("over".into(), true.into());
        let worst = self.slots.iter().filter_map(|s| s.k.alarm.as_ref()).filter(|a| a.standing).map(|a| a.priority);
        let priority = worst.max().unwrap_or(Priority::Low);
        self.fold(at, NoticeKind::FloodEnded, priority, false, text);
    }

    /// The condition is over for its off-delay.
    fn back(&mut self, s: usize, t: Stamp) {
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

    /// Writes down one step of a slot's alarm.
    pub(super) fn tell(&mut self, s: usize, at: Stamp, change: AlarmChange, wakes: bool) {
        let k = &self.slots[s].k;
        let Some(a) = &k.alarm else { return };
        self.st.numbers.seq += 1;
        self.out.transitions.push(Transition {
            seq: self.st.numbers.seq,
            at,
            announced: self.now,
            alarm: a.id,
            rule: k.rule.clone(),
            thing: k.thing.clone(),
            priority: a.priority,
            text: match change {
                AlarmChange::Returned => self.back_words(s),
                _ => a.text.clone(),
            },
            value: a.value,
            incident: a.incident,
            change,
            wakes,
            saved: true,
        });
        self.version += 1;
    }

    /// A word to the world about a slot's alarm.
    pub(super) fn notice(&mut self, s: usize, kind: NoticeKind, wakes: bool) {
        let k = &self.slots[s].k;
        let Some(a) = &k.alarm else { return };
        let text = match kind {
            NoticeKind::Returned => self.back_words(s),
            NoticeKind::Chattering => format!("{}; it comes and goes", a.text),
            NoticeKind::Wakes => {
                format!("{}; it has stood for {}", a.text, self.now.boot - a.since.boot)
            }
            _ => a.text.clone(),
        };
        self.out.notices.push(Notice {
            at: self.now,
            kind,
            seq: self.st.numbers.seq,
            alarm: Some(a.id),
            rule: Some(k.rule.clone()),
            thing: Some(k.thing.clone()),
            priority: a.priority,
            wakes,
            text,
        });
    }

    /// The rule's action, if it has one.
    fn act(&mut self, s: usize, on: bool) {
        let Some(action) = self.plan.rules[self.slots[s].rule].action.clone() else { return };
        let k = &self.slots[s].k;
        self.out.actions.push(ActionWish {
            action,
            on,
            at: self.now,
            alarm: k.alarm.as_ref().map(|a| a.id),
            rule: k.rule.clone(),
            thing: k.thing.clone(),
            text: k.alarm.as_ref().map_or_else(String::new, |a| a.text.clone()),
        });
    }

    /// A shelving is over: an alarm that still stands is announced anew.
    pub(super) fn unshelved(&mut self, s: usize, at: Stamp) {
        self.tell(s, at, AlarmChange::Unshelved, false);
        if self.slots[s].standing() {
            self.notice(s, NoticeKind::Raised, false);
        }
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
