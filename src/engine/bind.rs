//! Binding: which signal feeds what. Done once when a signal appears, so that a reading costs one look-up.

use super::Engine;
use super::judge::Limit;
use super::pace::Pace;
use super::plan::{RulePlan, Sort, What};
use super::window::Window;
use crate::config::model::Builtin;
use crate::model::{SignalDef, SignalId, Signals, Span, Unit};

/// What a reading of one signal feeds.
#[derive(Clone, Debug)]
pub(crate) enum Use {
    /// A value against a limit.
    Value { slot: u32, limit: Limit },
    /// The slope over a stretch against a limit.
    Rate { slot: u32, limit: Limit, window: Box<Window> },
    /// The distance from the mean of a stretch against a limit.
    Deviation { slot: u32, limit: Limit, window: Box<Window> },
    /// A rule that wants to hear of it. A truth of 0 is nothing heard.
    Heard { slot: u32, truth: bool },
    /// Whether a watched thing is there.
    Truth { thing: u32 },
    /// Whether a watched thing can be read.
    Readable { thing: u32 },
    /// A counter of programs killed for memory.
    Kills { slot: u32, last: Option<f64> },
    /// Free space of a disk.
    Free { slot: u32, pace: Box<Pace> },
    /// Seconds since the last light frame.
    SinceLight,
    /// Seconds since a program's last sign of life.
    AliveAge { thing: u32, limit_s: f64 },
}

/// Uses by signal.
#[derive(Clone, Debug, Default)]
pub(crate) struct Table {
    pub uses: Vec<Use>,
    /// For each signal number, its stretch of `uses`.
    pub range: Vec<(u32, u32)>,
    /// Signals that have been looked at.
    pub bound: usize,
}

impl Table {
    fn put(&mut self, id: SignalId, uses: Vec<Use>) {
        let i = id.0 as usize;
        if self.range.len() <= i {
            self.range.resize(i + 1, (0, 0));
        }
        let from = self.uses.len() as u32;
        self.uses.extend(uses);
        self.range[i] = (from, self.uses.len() as u32);
    }
}

impl Engine {
    /// Looks at signals that have come since the last time.
    pub(super) fn bind(&mut self, signals: &Signals) {
        if signals.len() == self.table.bound {
            return;
        }
        for (id, def) in signals.since(self.table.bound) {
            let uses = self.uses_of(&def);
            for u in &uses {
                if let Use::Value { slot, .. }
                | Use::Rate { slot, .. }
                | Use::Deviation { slot, .. }
                | Use::Heard { slot, .. }
                | Use::Kills { slot, .. }
                | Use::Free { slot, .. } = u
                {
                    let s = &mut self.slots[*slot as usize];
                    (s.unit, s.what) = (def.unit, def.what.clone());
                }
            }
            self.table.put(id, uses);
            self.table.bound += 1;
        }
    }

    fn uses_of(&mut self, def: &SignalDef) -> Vec<Use> {
        let mut uses = vec![];
        let name = &def.name;
        let thing = self.plan.by_name.get(&name.thing()).copied();
        if let Some(i) = thing {
            let t = &self.plan.things[i];
            let main = t.signal == *name;
            match t.sort {
                Sort::Program | Sort::Device | Sort::Link | Sort::Interface if main => {
                    uses.push(Use::Truth { thing: i as u32 });
                }
                Sort::Frames if main => {
                    uses.extend([Use::Readable { thing: i as u32 }, Use::SinceLight]);
                }
                Sort::Disk | Sort::Sensor if main => uses.push(Use::Readable { thing: i as u32 }),
                Sort::Program if name.of_thing() == Some("alive-age") => {
                    if let Some(w) = t.alive_within {
                        uses.push(Use::AliveAge { thing: i as u32, limit_s: w.as_secs_f64() });
                    }
                }
                _ => {}
            }
        }
        for r in 0..self.plan.rules.len() {
            let rule = &self.plan.rules[r];
            match rule.what.clone() {
                What::Builtin(b) => {
                    if let Some(limit) = self.builtin_limit(b, rule, def) {
                        let slot = self.slot(r, name);
                        uses.push(Use::Value { slot, limit });
                    } else if b == Builtin::MemoryShort && name.as_str() == "memory.kills" && rule.takes(name) {
                        let slot = self.slot(r, name);
                        uses.push(Use::Kills { slot, last: None });
                    } else if b == Builtin::Disk
                        && name.of_thing() == Some("free")
                        && self.is_disk(def)
                        && rule.takes(name)
                    {
                        let slot = self.slot(r, name);
                        uses.push(Use::Free { slot, pace: Box::default() });
                    }
                }
                _ if !rule.on.contains(name) => {}
                What::Limit(limit) => {
                    let slot = self.slot(r, name);
                    uses.push(Use::Value { slot, limit });
                }
                What::Rate(limit, within) => {
                    let slot = self.slot(r, name);
                    uses.push(Use::Rate { slot, limit, window: Box::new(Window::new(within)) });
                }
                What::Deviation(limit, within) => {
                    let slot = self.slot(r, name);
                    uses.push(Use::Deviation { slot, limit, window: Box::new(Window::new(within)) });
                }
                What::Missing => {
                    let slot = self.slot(r, name);
                    uses.push(Use::Heard { slot, truth: def.unit == Unit::Truth });
                }
            }
        }
        uses
    }

    fn is_disk(&self, def: &SignalDef) -> bool {
        def.name.kind() == "disk" && self.plan.by_name.contains_key(&def.name.thing())
    }

    /// The limit by which a built-in rule judges this signal as one number, if it does.
    fn builtin_limit(&self, b: Builtin, rule: &RulePlan, def: &SignalDef) -> Option<Limit> {
        use crate::config::model::Test;
        let n = &def.name;
        if !rule.takes(n) {
            return None;
        }
        let of = |t: Test| Limit::of(&t, rule.deadband);
        let in_box = n.kind() == "temperature"
            && n.of_thing().is_none()
            && (def.place == "box" || (def.place.is_empty() && n.own() == "box"));
        match b {
            Builtin::BoxTooHot if in_box => of(Test::Above(rule.limit.unwrap_or(45.0))),
            Builtin::BoxCold if in_box => of(Test::Below(rule.limit.or(self.plan.learned.box_cold)?)),
            Builtin::DewMarginSmall if n.as_str() == "dew.margin" => of(Test::Below(rule.limit.unwrap_or(2.0))),
            Builtin::ProcessorStarved if n.as_str() == "pressure.cpu" => of(Test::Above(rule.limit.unwrap_or(50.0))),
            Builtin::MemoryShort if n.as_str() == "memory.available-share" => {
                of(Test::Below(rule.limit.unwrap_or(5.0)))
            }
            Builtin::Disk if matches!(n.of_thing(), Some("free-share" | "inodes-free-share")) && self.is_disk(def) => {
                of(Test::Below(rule.limit.unwrap_or(5.0)))
            }
            Builtin::ClockNotSet if n.as_str() == "clock.synchronised" => of(Test::DiffersFrom(1.0)),
            Builtin::ClockNotSet if n.as_str() == "clock.offset" => {
                let l = rule.limit.unwrap_or(1.0).abs();
                of(Test::Outside(-l, l))
            }
            _ => None,
        }
    }

    /// The longest time between two readings over which a condition is held to have lasted.
    pub(super) fn bridge(&self, slot: usize) -> Span {
        self.plan.rules[self.slots[slot].rule].on_delay.max(Span::secs(60))
    }
}
