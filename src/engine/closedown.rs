//! The end of a program in a session: held against [`super::closing`], where the decision is written down.

use super::Engine;
use super::closing::{End, WAIT};
use super::exit::ExitSort;
use crate::model::{BootMs, SessionEnd, Stamp};

/// What the end of a program is taken for.
pub(super) enum Closes {
    /// The last step of an orderly close-down: the session is over.
    Done,
    /// It may be closing up: no alarm before this instant.
    Wait(BootMs),
    /// An end like any other.
    No,
}

impl Engine {
    /// A complaint: nothing that ends around it is a close-down. Alarms that waited are raised.
    pub(super) fn complain(&mut self, at: Stamp) {
        self.st.closing.complain(at.boot);
        let Some(first) = self.st.closing.ends.first() else { return };
        if !self.st.closing.spoiled(first.at.boot) {
            return;
        }
        for s in 0..self.slots.len() {
            if self.slots[s].k.wait.take().is_some() {
                if self.slots[s].k.incident.is_none() && self.st.session.is_some() {
                    self.trouble(s);
                }
                let now = self.stamp(self.t);
                self.visit(s, now, false);
            }
        }
    }

    /// Judges the end of a program of the group; see [`super::closing`] for the decision.
    pub(super) fn closes(&mut self, i: usize, end: End) -> Closes {
        if end.sort == ExitSort::Bad {
            self.complain(end.at);
        }
        let (at, sort, thing) = (end.at, end.sort, end.thing.clone());
        let may_wait = self.st.closing.may_wait(&end);
        self.st.closing.ended(end);
        let left = self.group().any(|j| j != i && self.things[j].p.up == Some(true));
        // What leans on something that failed before goes down with it.
        let failed = |e: &Engine, thing: &crate::model::Name| {
            e.slots.iter().any(|s| {
                let other = s.k.thing.thing();
                s.standing()
                    && e.plan.rules[s.rule].breaks()
                    && !e.st.closing.ends.iter().any(|c| c.thing == other)
                    && e.plan.order.leans(thing, &other)
            })
        };
        if !left {
            let ends = &self.st.closing.ends;
            let earlier = self.group().any(|j| {
                self.things[j].p.up == Some(false)
                    && self.slots_down(j)
                    && !ends.iter().any(|c| c.thing == self.plan.things[j].name)
            });
            let sure = ends.iter().all(|e| e.sort != ExitSort::Unknown);
            let dragged = ends.iter().any(|e| failed(self, &e.thing));
            if self.st.closing.orderly() && !dragged && (sure || !earlier) {
                self.close_down(at);
                return Closes::Done;
            }
            return Closes::No;
        }
        if !may_wait || failed(self, &thing) || sort != ExitSort::Clean {
            return Closes::No;
        }
        let until = at.boot + WAIT;
        // Everything that waits goes on waiting: the close-down is under way.
        for s in 0..self.slots.len() {
            if self.slots[s].k.wait.is_some() {
                self.slots[s].k.wait = Some(until);
            }
        }
        Closes::Wait(until)
    }

    pub(super) fn slots_down(&self, i: usize) -> bool {
        self.things[i].gone.iter().any(|s| self.slots[*s as usize].standing())
    }

    /// An orderly close-down is complete.
    pub(super) fn close_down(&mut self, at: Stamp) {
        let ends = std::mem::take(&mut self.st.closing.ends);
        let first = ends.first().map_or(at, |e| e.at);
        let mut slots = vec![];
        for e in &ends {
            if let Some(i) = self.plan.by_name.get(&e.thing) {
                slots.extend(self.things[*i].gone.iter().map(|s| *s as usize));
            }
        }
        let keys: Vec<_> = slots.iter().map(|s| self.key(*s)).collect();
        self.st.incidents.withdraw(&keys, first.boot, at);
        for s in &slots {
            let k = &mut self.slots[*s].k;
            (k.excused, k.on, k.wait) = (true, false, None);
        }
        for s in slots {
            self.remove(s, at, "taken back, the programs were closed one after another");
        }
        if !self.plan.chain.is_empty() {
            self.end_session(first, SessionEnd::OrderlyClose);
        }
        self.version += 1;
    }

    /// The facts of an end, for telling a close-down from a failure.
    pub(super) fn end_of(&self, i: usize, at: Stamp, sort: ExitSort) -> End {
        let mine = &self.plan.things[i].name;
        let in_order = !self.group().any(|j| {
            j != i && self.things[j].p.up == Some(true) && self.plan.order.leans(&self.plan.things[j].name, mine)
        });
        End { thing: mine.clone(), at, sort, in_order }
    }

    /// A device that leaves while something that needs it still runs speaks against a close-down.
    pub(super) fn device_complaint(&mut self, i: usize, at: Stamp) {
        let device = &self.plan.things[i].name;
        let needs = |j: &usize| self.plan.order.leans(&self.plan.things[*j].name, device);
        let runs = |j: &usize| self.things[*j].p.up == Some(true);
        let anyone = self.group().any(|j| needs(&j));
        let complains = self.group().any(|j| runs(&j) && (needs(&j) || !anyone));
        if complains {
            self.complain(at);
        }
    }
}
