//! Turns batches of readings and events into alarm transitions, sessions and incidents. Pure: no clock, file, SQL, thread,
//! async, log or randomness; time comes in with the batch, so the same batches always give the same alarms.
//!
//! | question | where |
//! | --- | --- |
//! | what is judged, compiled from the configuration | [`plan`], `bind` |
//! | one number against a limit; a stretch of numbers | [`judge`], [`window`], [`pace`] |
//! | one rule on one thing, its delays, its alarm, what is said of it | `slot`, `life`, `delays`, `telling` |
//! | is a thing there, how did it end; the machine itself | `presence`, `watch`, [`exit`], `machine` |
//! | session, dusk and dawn; closing down or failing | `session`, [`closing`], `closedown` |
//! | light frames and their pauses | [`frames`], `pauses` |
//! | comes and goes; floods | [`chatter`], [`flood`] |
//! | what belongs together, what came first, what it cost | [`incident`], `case`, [`leaning`], [`cost`] |
//! | conditions, sentences, what to try, what wakes | `conditions`, `words`, `wake` |
//! | a person's wishes; gaps; going on after a restart | `commands`, `gap`, [`state`] |
//! | the same rules over a stored night | [`mod@replay`] |

mod bind;
mod case;
pub mod chatter;
mod closedown;
pub mod closing;
mod commands;
mod conditions;
pub mod cost;
mod delays;
pub mod exit;
pub mod flood;
pub mod frames;
mod gap;
pub mod incident;
pub mod judge;
pub mod leaning;
mod life;
mod machine;
pub mod pace;
mod pauses;
pub mod plan;
mod presence;
pub mod replay;
mod session;
mod slot;
pub mod standing;
pub mod state;
mod step;
mod telling;
mod wake;
mod watch;
pub mod window;
mod words;

#[cfg(test)]
mod tests;

pub use plan::{Learned, Plan};
pub use replay::replay;
pub use standing::Standing;
pub use state::{EngineState, Numbers};

use crate::model::{Batch, BootMs, Name, Outcome, Signals, Stamp, UnixMs};
use bind::Table;
use presence::Presence;
use slot::{Kept, Slot};
use std::collections::{BTreeSet, HashMap};

/// Something to look at again at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Tick {
    /// A slot: delays, waking, staleness, shelving.
    Slot(u32),
    /// No light frame.
    Frames,
    /// Programs of the chain that were not there when the session began.
    Start,
    /// The end of a flood.
    Flood,
    /// Incidents that can be judged.
    Cases,
}

/// A watched thing at work.
#[derive(Clone, Debug, Default)]
pub(crate) struct Watched {
    pub p: Presence,
    /// Slots of "ended", "gone", "down".
    pub gone: Vec<u32>,
    /// Slots of "hangs".
    pub hangs: Vec<u32>,
    /// Slots of "cannot read".
    pub unread: Vec<u32>,
}

/// The engine: a state machine that is told what happened and answers what it means.
#[derive(Clone, Debug)]
pub struct Engine {
    plan: Plan,
    st: EngineState,
    slots: Vec<Slot>,
    by_key: HashMap<(usize, Name), u32>,
    /// What is known of each thing, in the order of the plan.
    things: Vec<Watched>,
    table: Table,
    timers: BTreeSet<(BootMs, Tick)>,
    /// The instant of the present batch.
    now: Stamp,
    /// The instant up to which the present batch has been worked through.
    t: BootMs,
    out: Outcome,
    items: Vec<step::Item>,
    order: Vec<u32>,
    version: u64,
    /// Slots that are being looked at, for roots that are raised first.
    looked_at: Vec<usize>,
    /// Nobody was looking before the present batch.
    stalled: bool,
    /// The first instant of this run.
    began: BootMs,
    was_dark: bool,
    was_minute: Option<u16>,
    /// Not stepped yet since it was made or replanned.
    fresh: bool,
    /// Kept slots whose rule or thing is gone: their alarms are still to be closed.
    homeless: Vec<Kept>,
}

impl Engine {
    /// An engine that starts afresh, or goes on where a stored state left off.
    pub fn new(plan: Plan, restored: Option<EngineState>) -> Engine {
        let mut st = restored.unwrap_or_default();
        let kept = std::mem::take(&mut st.slots);
        let presence = std::mem::take(&mut st.presence);
        let mut e = Engine {
            things: plan.things.iter().map(|_| Watched::default()).collect(),
            now: st.at,
            t: st.at.boot,
            plan,
            st,
            slots: vec![],
            by_key: HashMap::new(),
            table: Table::default(),
            timers: BTreeSet::new(),
            out: Outcome::default(),
            items: vec![],
            order: vec![],
            version: 1,
            looked_at: vec![],
            stalled: false,
            began: BootMs(i64::MIN / 4),
            was_dark: false,
            was_minute: None,
            fresh: true,
            homeless: vec![],
        };
        for (name, p) in presence {
            if let Some(i) = e.plan.by_name.get(&name) {
                e.things[*i].p = p;
            }
        }
        e.homeless = e.lay_out(kept);
        e
    }

    /// Makes the slots that the plan knows of, and those that were kept and still have their rule. What has no place any more
    /// is given back.
    fn lay_out(&mut self, kept: Vec<Kept>) -> Vec<Kept> {
        use crate::config::model::Builtin as B;
        use plan::{Sort, What};
        for r in 0..self.plan.rules.len() {
            let rule = &self.plan.rules[r];
            let (what, on, all_of_kind) = (rule.what.clone(), rule.on.clone(), rule.on.is_empty());
            let What::Builtin(b) = what else {
                for n in &on {
                    self.slot(r, n);
                }
                continue;
            };
            if b == B::MachineStopped {
                self.slot(r, &name(leaning::MACHINE));
            }
            for i in 0..self.plan.things.len() {
                let t = &self.plan.things[i];
                if !all_of_kind && !on.contains(&t.name) {
                    continue;
                }
                let (n, sort) = (t.name.clone(), t.sort);
                match (b, sort) {
                    (B::ProgramEnded, Sort::Program)
                    | (B::DeviceGone, Sort::Device)
                    | (B::LinkDown, Sort::Link | Sort::Interface) => {
                        let s = self.slot(r, &n);
                        self.things[i].gone.push(s);
                    }
                    (B::ProgramHangs, Sort::Program) => {
                        let s = self.slot(r, &n);
                        self.things[i].hangs.push(s);
                    }
                    (B::CannotRead, _) => {
                        let s = self.slot(r, &n);
                        self.things[i].unread.push(s);
                    }
                    (B::NoLightFrame, Sort::Frames) => {
                        self.slot(r, &n);
                    }
                    _ => {}
                }
            }
        }
        let mut homeless = vec![];
        for k in kept {
            let rule = self.plan.rules.iter().position(|r| r.name == k.rule);
            // A thing that is no longer watched has no alarm; a signal may yet appear.
            let known = |n: &Name| {
                let watched = ["program", "device", "link", "interface", "disk", "frames"].contains(&n.kind());
                !watched || self.plan.by_name.contains_key(&n.thing())
            };
            match rule.filter(|r| known(&k.thing) && self.plan.rules[*r].takes(&k.thing)) {
                Some(r) => {
                    let s = self.slot(r, &k.thing) as usize;
                    self.slots[s].k = k;
                }
                None => homeless.push(k),
            }
        }
        homeless
    }

    /// The slot of a rule on a thing or signal, made if there is none.
    fn slot(&mut self, rule: usize, thing: &Name) -> u32 {
        if let Some(s) = self.by_key.get(&(rule, thing.clone())) {
            return *s;
        }
        use crate::config::model::Builtin as B;
        let r = &self.plan.rules[rule];
        let evidence = match r.builtin() {
            Some(b) => matches!(
                b,
                B::BoxTooHot
                    | B::BoxCold
                    | B::DewMarginSmall
                    | B::ProcessorStarved
                    | B::MemoryShort
                    | B::Disk
                    | B::ClockNotSet
            ),
            None => r.what != plan::What::Missing,
        };
        let s = self.slots.len() as u32;
        let k = Kept::new(r.name.clone(), thing.clone());
        let since = match (&r.during, &self.st.session) {
            (crate::config::model::During::Session, Some(x)) => x.started.boot,
            _ => self.t,
        };
        let force = self.force_of(rule, since);
        let (unit, what) = (crate::model::Unit::None, String::new());
        self.slots.push(Slot { rule, evidence, force, timer: None, unit, what, touched: false, k });
        self.by_key.insert((rule, thing.clone()), s);
        if !self.fresh {
            self.set_timer(s as usize, self.t);
        }
        s
    }

    /// Takes a new configuration. Alarms of rules and things that are gone are closed; everything else goes on.
    pub fn replan(&mut self, plan: Plan, at: Stamp) -> Outcome {
        self.enter(at);
        let (mode, learned) = (self.mode(), self.plan.learned);
        let kept: Vec<Kept> = self.slots.drain(..).map(|s| s.k).filter(Kept::worth_keeping).collect();
        let mut presence: HashMap<Name, Presence> =
            self.plan.things.iter().zip(self.things.drain(..)).map(|(t, w)| (t.name.clone(), w.p)).collect();
        let dark = self.plan.dark().to_vec();
        self.plan = plan;
        if self.plan.dark().is_empty() && self.plan.site {
            self.plan.set_dark(dark);
        }
        if self.plan.learned == Learned::default() {
            self.plan.learned = learned;
        }
        self.by_key.clear();
        self.table = Table::default();
        self.timers.clear();
        self.things = self
            .plan
            .things
            .iter()
            .map(|t| Watched { p: presence.remove(&t.name).unwrap_or_default(), ..Watched::default() })
            .collect();
        self.fresh = true;
        self.homeless = self.lay_out(kept);
        if self.mode() != mode && self.st.session.is_some() {
            self.end_session(self.now, crate::model::SessionEnd::Reconfigured);
        }
        self.version += 1;
        self.settle();
        self.leave()
    }

    /// Takes new dark hours (last night's, tonight's, tomorrow's), in any order.
    pub fn set_dark(&mut self, dark: Vec<(UnixMs, UnixMs)>) {
        self.plan.set_dark(dark);
        self.version += 1;
    }

    /// Takes what the analysis of earlier nights has learned.
    pub fn set_learned(&mut self, learned: Learned) {
        if learned != self.plan.learned {
            self.plan.learned = learned;
            // The learned limit is part of a binding.
            self.table = Table::default();
        }
    }

    /// Numbers never to be given again: the largest of each kind in the store. Nothing changes when the restored state knows
    /// the latest transition, since it was committed together with it; a state that was lost or is older takes them all.
    pub fn continue_from(&mut self, last: Numbers) {
        if self.st.numbers.seq < last.seq {
            self.st.numbers = self.st.numbers.at_least(last);
        }
    }

    /// Judges one batch.
    pub fn step(&mut self, batch: &Batch, signals: &Signals) -> Outcome {
        self.enter(batch.at);
        self.bind(signals);
        self.sky(self.now);
        self.look_at(batch);
        self.work_through(batch);
        self.settle();
        self.leave()
    }

    /// Grows whenever [`Engine::standing`] would answer something new.
    pub fn version(&self) -> u64 {
        self.version
    }

    /// What a later start needs to go on from here.
    pub fn state(&self) -> EngineState {
        let mut st = self.st.clone();
        st.at = self.now;
        st.slots = self.slots.iter().filter(|s| s.k.worth_keeping()).map(|s| s.k.clone()).collect();
        st.presence = self.plan.things.iter().zip(&self.things).map(|(t, w)| (t.name.clone(), w.p.clone())).collect();
        st
    }

    /// The latest numbers given.
    pub fn numbers(&self) -> Numbers {
        self.st.numbers
    }

    /// The plan in force.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }
}

/// A name that is written in the program.
pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap_or_else(|_| Name::from_parts("engine", text))
}
