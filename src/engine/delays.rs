//! What time does: delays that are over, waking, staleness, the end of shelving, and when to look again.

use super::Engine;
use super::life::Fact;
use crate::model::outcome::NoticeKind;
use crate::model::{AlarmChange, BootMs, Span, Stamp};

/// An alarm that stands for longer than this is stale (ANSI/ISA-18.2 performance table, from memory).
pub(super) const STALE: Span = Span::hours(24);
/// An alarm that returned to normal without being acknowledged stays in the list for this long.
const KEPT: Span = Span::hours(24);

impl Engine {
    /// Whether it is a built-in or own rule that waits to hear of something.
    pub(super) fn is_missing(&self, s: usize) -> bool {
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
                let due = [slot.k.wait, slot.k.grace].into_iter().flatten().fold(due, BootMs::max);
                if due <= t.boot && (by_reading || !slot.evidence) {
                    self.roots_first(s, t);
                    if self.support_alarmed(s).is_none() && !self.slots[s].standing() {
                        self.raise(s, t);
                    }
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
    pub(super) fn fed_by_reading(&self, s: usize) -> bool {
        self.slots[s].k.thing.as_str() != super::machine::KILLS
    }

    /// What time alone does to an alarm; gives the next instant at which it will do something.
    pub(super) fn grow_old(&mut self, s: usize, t: Stamp) -> Option<BootMs> {
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
        if alarm.standing
            && self.could_wake(s)
            && let Some(due) = self.wakes_from(s)
        {
            if due > t.boot {
                at_last(due);
            } else if !self.may_wake(s, t) {
                // Looked at again now and then: darkness may fall, a session may begin.
                at_last(t.boot + Span::mins(1));
            } else {
                let woke = self.incident_woke(s);
                self.with_alarm(s, |a| a.woken = true);
                // Somebody may be up for the same incident already.
                if !woke {
                    self.tell(s, t, AlarmChange::WakesNow, true);
                    self.notice(s, NoticeKind::Wakes, true);
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
}
