//! Waking somebody: only for what costs the night and can still be saved, or for what endangers the machine.
//!
//! An alarm wakes when it has stood for its rule's time, unacknowledged and not held back, in a session, in the dark, with at
//! least an hour of darkness left. Without a site the darkness is not known: then the session alone decides, and the words say
//! so. A box that is too hot wakes always.

use super::Engine;
use super::plan::{RulePlan, Sort};
use super::session::Mode;
use crate::config::model::Builtin;
use crate::model::{BootMs, Priority, Span, Stamp};

/// Darkness that must be left for it to be worth getting up.
pub const DARKNESS_LEFT: Span = Span::mins(60);

impl Engine {
    /// Whether this slot's alarm is one that wakes at all, and has not done so yet.
    pub(super) fn could_wake(&self, s: usize) -> bool {
        let slot = &self.slots[s];
        let rule = &self.plan.rules[slot.rule];
        let Some(a) = &slot.k.alarm else { return false };
        let wakes = rule.wakes_always || rule.wakes_after.is_some();
        // A disk is no reason to get up while hours are left; nor is a program on which no night hangs.
        let worth = rule.builtin() != Some(Builtin::Disk) || slot.k.urgent;
        let beside = rule.priority == Priority::High && a.priority < Priority::High;
        wakes && worth && !beside && !slot.k.mild && !a.woken && !a.acknowledged && slot.k.shelved.is_none()
    }

    /// From when on it wakes.
    pub(super) fn wakes_from(&self, s: usize) -> Option<BootMs> {
        let slot = &self.slots[s];
        let rule = &self.plan.rules[slot.rule];
        let after = rule.wakes_after.or(rule.wakes_always.then_some(Span::ZERO))?;
        // An alarm that was held back has stood only since it was announced.
        slot.k.alarm.as_ref().map(|a| a.since.boot.max(a.announced.boot - rule.on_delay) + after)
    }

    /// Whether another standing alarm of the same incident has woken somebody.
    pub(super) fn incident_woke(&self, s: usize) -> bool {
        let incident = |o: usize| self.slots[o].k.alarm.as_ref().and_then(|a| a.incident);
        let mine = incident(s);
        let woke = |o: usize| self.slots[o].k.alarm.as_ref().is_some_and(|a| a.woken && a.standing);
        mine.is_some() && (0..self.slots.len()).any(|o| o != s && incident(o) == mine && woke(o))
    }

    /// Whether it is worth waking anybody at `t`.
    pub(super) fn may_wake(&self, s: usize, t: Stamp) -> bool {
        if self.plan.rules[self.slots[s].rule].wakes_always {
            return true;
        }
        self.st.session.is_some()
            && (!self.plan.site || self.plan.dark_at(t.wall).is_some_and(|d| d.1 - t.wall >= DARKNESS_LEFT))
    }

    /// In words, what would wake somebody tonight.
    pub(super) fn wake_words(&self) -> Vec<String> {
        let wake: Vec<&RulePlan> = self
            .plan
            .rules
            .iter()
            .filter(|r| r.wakes_always || r.wakes_after.is_some())
            .filter(|r| self.applies(r))
            .collect();
        if wake.is_empty() {
            return vec!["Nothing: no rule that applies here wakes anybody.".into()];
        }
        let mut out = vec![];
        let at_night: Vec<&&RulePlan> = wake.iter().filter(|r| !r.wakes_always).collect();
        if !at_night.is_empty() {
            out.push(match (self.plan.site, self.mode()) {
                (true, _) => {
                    format!("In a session, while it is dark and at least {} of darkness are left:", DARKNESS_LEFT)
                }
                (false, Mode::Always) => "At any time, since neither a site nor a chain is configured:".into(),
                (false, _) => {
                    "In a session, at any hour, since no site is configured and the darkness is not known:".into()
                }
            });
        }
        let after = |r: &RulePlan| match r.wakes_after {
            Some(a) if a > Span::ZERO => format!(" for {a}"),
            _ => String::new(),
        };
        for r in at_night {
            out.push(match r.builtin() {
                Some(Builtin::ProgramEnded) => format!("a program of the chain that ended and is not back{}", after(r)),
                Some(Builtin::ProgramHangs) => format!("a program of the chain that hangs{}", after(r)),
                Some(Builtin::DeviceGone) => format!("a device that is away{}", after(r)),
                Some(Builtin::NoLightFrame) => {
                    "no light frame although something broke; a mere pause wakes nobody".to_owned()
                }
                Some(Builtin::MachineStopped) if self.plan.chain.is_empty() => {
                    "this machine stopped without warning".to_owned()
                }
                Some(Builtin::MachineStopped) => {
                    format!("this machine stopped and the chain is not back{}", after(r))
                }
                Some(Builtin::Disk) => "a disk that is full in less than 1 h".to_owned(),
                _ => format!("{}{}", r.title, after(r)),
            });
        }
        for r in wake.iter().filter(|r| r.wakes_always) {
            let limit = r.limit.map(|l| format!(" (above {})", self.temperature(l))).unwrap_or_default();
            let limit = if r.builtin() == Some(Builtin::BoxTooHot) { limit } else { String::new() };
            out.push(format!("at any time, session or not: {}{limit}{}", r.title, after(r)));
        }
        out
    }

    /// Whether a rule has anything to judge here.
    fn applies(&self, r: &RulePlan) -> bool {
        let any = |sort: Sort| self.plan.things.iter().any(|t| t.sort == sort);
        match r.builtin() {
            Some(Builtin::ProgramEnded | Builtin::ProgramHangs) => any(Sort::Program),
            Some(Builtin::DeviceGone) => any(Sort::Device),
            Some(Builtin::NoLightFrame) => any(Sort::Frames),
            Some(Builtin::Disk) => any(Sort::Disk),
            Some(Builtin::LinkDown) => any(Sort::Link),
            Some(Builtin::BoxTooHot) => {
                self.plan.things.iter().any(|t| t.in_box)
                    || self.slots.iter().any(|s| self.plan.rules[s.rule].name == r.name)
            }
            _ => true,
        }
    }
}
