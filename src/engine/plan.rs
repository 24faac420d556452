//! The plan: the configuration compiled into what the engine judges by.

use super::judge::Limit;
use super::leaning::{Leaning, MACHINE};
use crate::config::Config;
use crate::config::model::{AliveSign, Builtin, During, SensorKind, TemperatureScale, Test};
use crate::model::{Name, Priority, Span, UnixMs};
use jiff::tz::TimeZone;
use std::collections::HashMap;

/// What the engine judges by.
#[derive(Clone, Debug)]
pub struct Plan {
    dark: Vec<(UnixMs, UnixMs)>,
    zone: TimeZone,
    pub(crate) learned: Learned,
    pub(crate) things: Vec<Thing>,
    pub(crate) by_name: HashMap<Name, usize>,
    pub(crate) rules: Vec<RulePlan>,
    pub(crate) chain: Vec<Name>,
    pub(crate) frames: Option<FramesPlan>,
    /// What the person stated, for holding back and grouping.
    pub(crate) leaning: Leaning,
    /// The same with the order of the chain, for telling a close-down from a cascade.
    pub(crate) order: Leaning,
    pub(crate) site: bool,
    pub(crate) fahrenheit: bool,
}

/// What earlier nights taught.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Learned {
    /// Box temperature below which faults came, °C; none: nothing learned.
    pub box_cold: Option<f64>,
    /// Longest pause between light frames in fault-free sessions; none: nothing learned.
    pub longest_pause: Option<Span>,
}

/// Sorts of watched things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sort {
    Program,
    Device,
    Link,
    Interface,
    Disk,
    Sensor,
    Frames,
}

/// A watched thing.
#[derive(Clone, Debug)]
pub(crate) struct Thing {
    pub name: Name,
    pub title: String,
    pub sort: Sort,
    /// It measures the air in the box.
    pub in_box: bool,
    /// Part of the chain; without a chain, every program is.
    pub chained: bool,
    /// The signal that says whether it is there or can be read.
    pub signal: Name,
    /// Without a reading for this long, nothing is known of it any more.
    pub old_after: Span,
    /// Longest age of its sign of life.
    pub alive_within: Option<Span>,
    /// Slowest bus speed at which it is well, Mbit/s.
    pub speed_at_least: Option<f64>,
}

/// The frames folder.
#[derive(Clone, Debug)]
pub(crate) struct FramesPlan {
    pub name: Name,
    pub at_least: Span,
}

/// What a rule judges.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum What {
    /// One number.
    Limit(Limit),
    /// The slope over a stretch, per hour.
    Rate(Limit, Span),
    /// The distance from the mean of a stretch.
    Deviation(Limit, Span),
    /// Nothing read, or away.
    Missing,
    /// A built-in condition.
    Builtin(Builtin),
}

/// A rule, compiled.
#[derive(Clone, Debug)]
pub(crate) struct RulePlan {
    pub name: Name,
    pub title: String,
    pub on: Vec<Name>,
    pub what: What,
    pub limit: Option<f64>,
    pub on_delay: Span,
    pub off_delay: Span,
    pub deadband: f64,
    pub priority: Priority,
    pub during: During,
    pub wakes_after: Option<Span>,
    pub wakes_always: bool,
    pub action: Option<Name>,
}

impl RulePlan {
    /// The built-in condition, if it is one.
    pub fn builtin(&self) -> Option<Builtin> {
        match self.what {
            What::Builtin(b) => Some(b),
            _ => None,
        }
    }

    /// Whether the rule's alarm means that its thing does not work, so that what leans on it is held back.
    pub fn breaks(&self) -> bool {
        use Builtin as B;
        match self.builtin() {
            Some(b) => {
                matches!(b, B::ProgramEnded | B::ProgramHangs | B::DeviceGone | B::LinkDown | B::MachineStopped)
            }
            None => self.what == What::Missing || self.priority >= Priority::Medium,
        }
    }

    /// Whether its alarm waits while something that its thing leans on is already alarmed. What endangers the machine never does.
    pub fn holds_back(&self) -> bool {
        use Builtin as B;
        !self.wakes_always
            && !matches!(
                self.builtin(),
                Some(B::BoxTooHot | B::Disk | B::MemoryShort | B::MachineStopped | B::ProbeStuck | B::ClockNotSet)
            )
    }

    /// Whether it judges this name: its own list, or everything of its kind.
    pub fn takes(&self, name: &Name) -> bool {
        self.on.is_empty() || self.on.contains(name) || self.on.contains(&name.thing())
    }
}

impl Plan {
    /// Compiles a configuration. `dark`: dark stretches around now (empty without a site); `zone`: for clock times in rules
    /// and sentences.
    pub fn from_config(c: &Config, dark: Vec<(UnixMs, UnixMs)>, zone: TimeZone) -> Plan {
        let things = things(c);
        let mut edges: Vec<(Name, Name)> = vec![];
        let statements = c.programs.iter().map(|p| (&p.name, &p.leans_on));
        let statements = statements.chain(c.links.iter().map(|l| (&l.name, &l.leans_on)));
        let statements = statements.chain(c.devices.iter().map(|d| (&d.name, &d.leans_on)));
        for (a, bs) in statements {
            edges.extend(bs.iter().map(|b| (a.clone(), b.clone())));
        }
        if let Some(f) = &c.frames {
            // Frames lean on the whole chain unless the person says on what.
            let on = if f.leans_on.is_empty() { &c.session.chain } else { &f.leans_on };
            edges.extend(on.iter().map(|b| (f.name.clone(), b.clone())));
        }
        let leaning = Leaning::new(edges.clone());
        // Where the order of the chain contradicts a statement, the statement holds.
        edges.extend(
            c.session.chain.windows(2).filter(|w| !leaning.leans(&w[0], &w[1])).map(|w| (w[1].clone(), w[0].clone())),
        );
        let mut plan = Plan {
            dark: vec![],
            zone,
            learned: Learned::default(),
            by_name: things.iter().enumerate().map(|(i, t)| (t.name.clone(), i)).collect(),
            things,
            rules: c.rules.iter().filter(|r| r.enabled).map(rule).collect(),
            chain: c.session.chain.clone(),
            frames: c.frames.as_ref().map(|f| FramesPlan { name: f.name.clone(), at_least: f.at_least }),
            leaning,
            order: Leaning::new(edges),
            site: c.site.is_some(),
            fahrenheit: c.temperatures == TemperatureScale::Fahrenheit,
        };
        plan.set_dark(dark);
        plan
    }

    /// The same with what earlier nights taught.
    pub fn with_learned(mut self, learned: Learned) -> Plan {
        self.learned = learned;
        self
    }

    /// Takes new dark stretches, in any order.
    pub fn set_dark(&mut self, mut dark: Vec<(UnixMs, UnixMs)>) {
        dark.retain(|d| d.0 < d.1);
        dark.sort_unstable();
        self.dark = dark;
    }

    /// The dark stretches, in order.
    pub fn dark(&self) -> &[(UnixMs, UnixMs)] {
        &self.dark
    }

    /// The zone of clock times.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }

    /// The dark stretch that holds this instant.
    pub(crate) fn dark_at(&self, t: UnixMs) -> Option<(UnixMs, UnixMs)> {
        self.dark.iter().copied().find(|d| d.0 <= t && t < d.1)
    }

    /// What the person calls a thing or the thing of a signal; its name if it is not configured.
    pub(crate) fn title<'a>(&'a self, name: &'a Name) -> &'a str {
        match name.as_str() {
            MACHINE => "this machine",
            _ => self.by_name.get(&name.thing()).map_or(name.as_str(), |i| &self.things[*i].title),
        }
    }

    /// The thing with this name.
    pub(crate) fn thing(&self, name: &Name) -> Option<&Thing> {
        self.by_name.get(name).map(|i| &self.things[*i])
    }
}

fn rule(r: &crate::config::model::Rule) -> RulePlan {
    let value = Limit::of(&r.test, r.deadband);
    let what = match (&r.test, value) {
        (Test::RateOfChange { within, .. }, Some(l)) => What::Rate(l, *within),
        (Test::Deviation { within, .. }, Some(l)) => What::Deviation(l, *within),
        (Test::Builtin(b), _) => What::Builtin(*b),
        (_, Some(l)) => What::Limit(l),
        (_, None) => What::Missing,
    };
    RulePlan {
        name: r.name.clone(),
        title: r.title.clone(),
        on: r.on.clone(),
        what,
        limit: r.limit,
        on_delay: r.on_delay,
        off_delay: r.off_delay,
        deadband: r.deadband,
        priority: r.priority,
        during: r.during.clone(),
        wakes_after: r.wakes_after,
        wakes_always: r.wakes_always,
        action: r.action.clone(),
    }
}

fn things(c: &Config) -> Vec<Thing> {
    let usual = Span::secs(90);
    let base = |name: &Name, title: &str, sort| Thing {
        name: name.clone(),
        title: if title.is_empty() { name.own().into() } else { title.into() },
        sort,
        chained: c.session.chain.contains(name) || (c.session.chain.is_empty() && sort == Sort::Program),
        in_box: false,
        signal: name.clone(),
        old_after: usual,
        alive_within: None,
        speed_at_least: None,
    };
    let four = |every: Span| Span(every.0.saturating_mul(4)).max(usual);
    let mut all = vec![];
    all.extend(c.programs.iter().map(|p| Thing {
        alive_within: p.alive.iter().map(|a: &AliveSign| a.within).max(),
        ..base(&p.name, &p.title, Sort::Program)
    }));
    all.extend(
        c.devices.iter().map(|d| Thing { speed_at_least: d.speed_at_least, ..base(&d.name, &d.title, Sort::Device) }),
    );
    all.extend(c.links.iter().map(|l| Thing { old_after: four(l.every), ..base(&l.name, &l.title, Sort::Link) }));
    all.extend(c.interfaces.iter().map(|i| base(&i.name, &i.title, Sort::Interface)));
    all.extend(c.disks.iter().map(|d| Thing {
        signal: d.name.quantity("free"),
        old_after: Span::mins(10),
        ..base(&d.name, &d.title, Sort::Disk)
    }));
    all.extend(c.sensors.iter().map(|s| Thing {
        old_after: four(s.every).max(s.silent_after),
        in_box: s.kind == SensorKind::Temperature && s.place == "box",
        ..base(&s.name, &s.title, Sort::Sensor)
    }));
    all.extend(
        c.frames
            .iter()
            .map(|f| Thing { signal: f.name.quantity("since-light"), ..base(&f.name, &f.title, Sort::Frames) }),
    );
    all
}
