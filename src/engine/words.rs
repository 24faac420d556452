//! Sentences about alarms, for people.

use super::Engine;
use super::plan::{Sort, What};
use crate::config::model::Builtin;
use crate::model::{Unit, UnixMs};

impl Engine {
    /// Local time of day, `02:14`.
    pub(super) fn clock_time(&self, wall: UnixMs) -> String {
        jiff::Timestamp::from_millisecond(wall.0).map_or_else(
            |_| "an unknown time".into(),
            |t| {
                let z = self.plan.zone().to_datetime(t);
                format!("{:02}:{:02}", z.hour(), z.minute())
            },
        )
    }

    /// A temperature in the scale that the person chose.
    pub(super) fn temperature(&self, celsius: f64) -> String {
        if self.plan.fahrenheit {
            format!("{} °F", short(celsius * 1.8 + 32.0))
        } else {
            format!("{} °C", short(celsius))
        }
    }

    /// A value with its unit.
    fn quantity(&self, v: f64, unit: Unit) -> String {
        match unit {
            Unit::Celsius => self.temperature(v),
            Unit::Kelvin if self.plan.fahrenheit => format!("{} °F", short(v * 1.8)),
            Unit::Bytes => bytes(v),
            Unit::BytesPerSecond => format!("{}/s", bytes(v)),
            Unit::Truth => if v == 0.0 { "no" } else { "yes" }.into(),
            u if u.symbol().is_empty() => short(v),
            u => format!("{} {}", short(v), u.symbol()),
        }
    }

    /// The sentence of a slot's alarm.
    pub(super) fn words_of(&self, s: usize) -> String {
        use Builtin as B;
        let slot = &self.slots[s];
        let k = &slot.k;
        let rule = &self.plan.rules[slot.rule];
        let title = self.plan.title(&k.thing);
        let value = k.value.map(|v| self.quantity(v, slot.unit)).unwrap_or_default();
        let what = if slot.what.is_empty() { title } else { &slot.what };
        let in_brackets = if k.words.is_empty() { String::new() } else { format!(" ({})", k.words) };
        let limit =
            |unit: Unit| rule.limit.map_or_else(String::new, |l| format!(" (limit {})", self.quantity(l, unit)));
        match rule.builtin() {
            Some(B::ProgramEnded | B::DeviceGone) if k.words == super::session::NEVER => format!("{title} {}", k.words),
            Some(B::ProgramEnded) => format!("{title} ended{in_brackets}"),
            Some(B::ProgramHangs) => format!("{title} hangs{in_brackets}"),
            Some(B::DeviceGone) => format!("{title} is gone: the machine no longer sees it"),
            Some(B::LinkDown) if k.thing.kind() == "interface" => format!("{title} is down"),
            Some(B::LinkDown) => format!("{title} is out of reach"),
            Some(B::NoLightFrame) if k.mild => {
                format!("paused, reason not seen: {} (cloud, target, end of the plan?)", k.words)
            }
            Some(B::NoLightFrame) => k.words.clone(),
            Some(B::MachineStopped) => format!("this machine {}", k.words),
            Some(B::BoxTooHot) => format!("{what} too hot: {value}{}", limit(slot.unit)),
            Some(B::BoxCold) => format!("{what} cold: {value}{}", limit(slot.unit)),
            Some(B::DewMarginSmall) => format!("close to the dew point: {value} left{}", limit(slot.unit)),
            Some(B::ProcessorStarved) => {
                format!("processor starved: programs waited for it {value} of the time{}", limit(slot.unit))
            }
            Some(B::MemoryShort) if k.thing.as_str() == super::machine::KILLS => {
                format!("memory short: {} killed for memory", k.words)
            }
            Some(B::MemoryShort) => format!("memory short: {value} available{}", limit(slot.unit)),
            Some(B::Disk) if !k.words.is_empty() => format!("{title}: {value} free, {}", k.words),
            Some(B::Disk) => {
                let of = if k.thing.of_thing() == Some("inodes-free-share") { "of its file entries " } else { "" };
                format!("{title}: {value} {of}free{}", limit(slot.unit))
            }
            Some(B::ClockNotSet) if slot.unit == Unit::Truth => "the clock is not synchronised".into(),
            Some(B::ClockNotSet) => format!("the clock is off by {value}"),
            Some(B::CannotRead) => format!("{title} cannot be read{in_brackets}"),
            Some(B::ProbeStuck) => format!("probe {} {}", k.thing.own(), k.words),
            None => {
                let value = match rule.what {
                    What::Missing => "nothing heard".into(),
                    What::Rate(..) => format!("{} an hour", self.quantity_of_change(k.value, slot.unit)),
                    What::Deviation(..) => {
                        format!("{} from its mean", self.quantity_of_change(k.value, slot.unit))
                    }
                    _ => value,
                };
                format!("{}: {what}, {value}", rule.title)
            }
        }
    }

    /// A difference of two values.
    fn quantity_of_change(&self, v: Option<f64>, unit: Unit) -> String {
        let unit = if unit == Unit::Celsius { Unit::Kelvin } else { unit };
        v.map(|v| self.quantity(v, unit)).unwrap_or_default()
    }

    /// The sentence of a return to normal.
    pub(super) fn back_words(&self, s: usize) -> String {
        use Builtin as B;
        let k = &self.slots[s].k;
        let rule = &self.plan.rules[self.slots[s].rule];
        let title = self.plan.title(&k.thing);
        let lasted = match (&k.alarm, k.off_since) {
            (Some(a), Some(o)) if o.boot > a.since.boot => format!(" after {}", o.boot - a.since.boot),
            _ => String::new(),
        };
        match rule.builtin() {
            Some(B::ProgramEnded) => format!("{title} runs again{lasted}"),
            Some(B::ProgramHangs) if self.is_up(s) == Some(false) => format!("{title} no longer hangs: it ended"),
            Some(B::ProgramHangs) => format!("{title} answers again{lasted}"),
            Some(B::DeviceGone) => format!("{title} is back{lasted}"),
            Some(B::LinkDown) => format!("{title} is back{lasted}"),
            Some(B::NoLightFrame) => "light frames come again".into(),
            Some(B::MachineStopped) => format!("this machine and the chain are back{lasted}"),
            Some(B::CannotRead) => format!("{title} can be read again{lasted}"),
            Some(B::ProbeStuck) => format!("probe {} is well again", k.thing.own()),
            Some(B::MemoryShort) if k.thing.as_str() == super::machine::KILLS => "no further program was killed".into(),
            _ => format!("over{lasted}: {}", k.alarm.as_ref().map_or("", |a| a.text.as_str())),
        }
    }

    fn is_up(&self, s: usize) -> Option<bool> {
        self.plan.by_name.get(&self.slots[s].k.thing).and_then(|i| self.things[*i].p.up)
    }

    /// What to try for a slot's alarm, with its caution where it could hurt.
    pub(super) fn try_words(&self, s: usize) -> Vec<String> {
        use Builtin as B;
        let slot = &self.slots[s];
        let k = &slot.k;
        let title = self.plan.title(&k.thing);
        let moves = "Connecting can move a mount by itself: keep people and cables clear of it first.";
        let one = |t: String| vec![t];
        match self.plan.rules[slot.rule].builtin() {
            Some(B::ProgramEnded) if self.plan.thing(&k.thing).is_some_and(|t| !t.chained) => {
                one(format!("Start {title} again."))
            }
            Some(B::ProgramEnded) => {
                vec![format!("Start {title} again and connect what leans on it."), moves.into()]
            }
            Some(B::ProgramHangs) => vec![
                format!("Give {title} a minute; if it does not come back, end it and start it again."),
                moves.into(),
            ],
            Some(B::DeviceGone) => vec![
                format!("Look whether {title} has power, then reseat and tie its cable; try another port if it leaves again."),
                moves.into(),
            ],
            Some(B::LinkDown) if k.thing.kind() == "interface" => {
                one(format!("Look at the cable or the radio of {title}; the programs on this machine go on without it."))
            }
            Some(B::LinkDown) => one(format!(
                "Look at the bridge or router on the way to {title}; the programs on this machine go on without it."
            )),
            Some(B::NoLightFrame) if k.mild => {
                one("Nothing is broken as far as can be seen: look at the sky, the target's height and the plan.".into())
            }
            Some(B::NoLightFrame) => one("Look at the camera program: is it waiting for something that broke?".into()),
            Some(B::MachineStopped) => vec![
                "Start the chain again in its order.".into(),
                moves.into(),
                "If it stops again, look at its power supply. Mains outdoors belongs on a residual-current device, to local code."
                    .into(),
            ],
            Some(B::BoxTooHot) => vec![
                "Switch off any heating in the box, let air in, and shut the machine down if it goes on rising.".into(),
                "A heating pad in a closed box is a fire risk: it needs its own over-temperature cut-out and nothing flammable on it."
                    .into(),
            ],
            Some(B::BoxCold) => one(
                "Nothing to do at once. If faults go with the cold, the causes report says how sure that is before anything is heated."
                    .into(),
            ),
            Some(B::DewMarginSmall) => one("Look for dew on optics and connectors; start the dew heaters that you have.".into()),
            Some(B::ProcessorStarved) => {
                one("Close what draws on the screen or works in the background; see which program is at the top of the load.".into())
            }
            Some(B::MemoryShort) => one("Close what is not needed tonight; see which program grew.".into()),
            Some(B::Disk) => one(format!("Free space on {title}, or move finished frames away.")),
            Some(B::ClockNotSet) => one("Look whether this machine reaches a time server; frames carry its time.".into()),
            Some(B::CannotRead) => one(format!("Look at {title}: {}.", k.words)),
            Some(B::ProbeStuck) => one("It is tried again by itself; what it measures is unknown until then.".into()),
            None => vec![],
        }
    }

    /// Words for a presence that is not as it should be.
    pub(super) fn why_not(&self, i: usize) -> String {
        let (t, p) = (&self.plan.things[i], &self.things[i].p);
        if let Some((_, why)) = &p.unread {
            return format!("cannot be read: {why}");
        }
        if p.old {
            return format!("nothing is heard of it for more than {}", t.old_after);
        }
        match (p.up, t.sort) {
            (None, _) => "not read yet".into(),
            (Some(false), Sort::Program) => match &p.exit {
                Some(x) => format!("not running: it ended ({})", x.words),
                None => "not running".into(),
            },
            (Some(false), Sort::Device) => "the machine does not see it".into(),
            (Some(false), Sort::Link) => "out of reach".into(),
            (Some(false), _) => "down".into(),
            _ => {
                p.slow.clone().or_else(|| p.log.as_ref().map(|l| format!("its log says: {}", l.1))).unwrap_or_default()
            }
        }
    }
}

/// A number with at most one decimal, or three digits that count.
pub(super) fn short(v: f64) -> String {
    let r = if v.abs() >= 100.0 { v.round() } else { (v * 10.0).round() / 10.0 };
    if r == 0.0 && v != 0.0 {
        return format!("{v:.3}");
    }
    format!("{}", if r == 0.0 { 0.0 } else { r })
}

/// Bytes in decimal units.
pub(super) fn bytes(v: f64) -> String {
    let (n, u) = match v.abs() {
        x if x >= 1e12 => (v / 1e12, "TB"),
        x if x >= 1e9 => (v / 1e9, "GB"),
        x if x >= 1e6 => (v / 1e6, "MB"),
        x if x >= 1e3 => (v / 1e3, "kB"),
        _ => (v, "B"),
    };
    format!("{} {u}", short(n))
}
