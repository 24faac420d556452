//! Rules as sentences.

use super::and;
use crate::config::human::clock_text;
use crate::config::model::{Builtin, Config, During, Rule, TemperatureScale, Test};
use crate::config::signals;
use crate::model::{Span, Unit};

/// One rule as a sentence without its name.
pub fn rule(c: &Config, r: &Rule) -> String {
    if !r.enabled {
        return "switched off".into();
    }
    let mut parts = vec![condition(c, r)];
    if r.on_delay > Span::ZERO {
        parts.push(format!("must last {}", r.on_delay));
    }
    if r.off_delay > Span::ZERO {
        parts.push(format!("over when gone for {}", r.off_delay));
    }
    parts.push(format!("{} priority", r.priority.word()));
    parts.push(match &r.during {
        During::Session => "in a session".into(),
        During::Always => "at any time".into(),
        During::Dark => "while it is dark".into(),
        During::Clock { from_min, to_min } => {
            format!("from {} to {} local time", clock_text(*from_min), clock_text(*to_min))
        }
    });
    parts.push(match (r.wakes_always, r.wakes_after) {
        (_, None) => "wakes nobody".into(),
        (true, Some(Span::ZERO)) => "always wakes".into(),
        (true, Some(after)) => format!("always wakes, once it has stood for {after}"),
        (false, Some(Span::ZERO)) => "wakes".into(),
        (false, Some(after)) => format!("wakes once it has stood for {after}"),
    });
    if let Some(a) = &r.action {
        let title = c.actions.iter().find(|x| x.name == *a).map_or_else(|| a.to_string(), |x| x.title.clone());
        parts.push(format!("then runs the action `{title}`"));
    }
    parts.join("; ")
}

/// What would wake somebody, one line for each rule that can.
pub fn waking(c: &Config) -> Vec<String> {
    let waking: Vec<&Rule> = c.rules.iter().filter(|r| r.enabled && r.wakes_after.is_some() && !idle(c, r)).collect();
    let mut lines: Vec<String> = waking
        .iter()
        .map(|r| {
            let after = match r.wakes_after {
                Some(s) if s > Span::ZERO => format!(", once it has stood for {s}"),
                _ => String::new(),
            };
            let always = if r.wakes_always { ": always, session or not" } else { "" };
            format!("{}{after}{always}", r.title)
        })
        .collect();
    if waking.iter().any(|r| !r.wakes_always) {
        lines.push(
            "Where it does not say always: only in a session, in the dark, with at least 60 min of darkness left."
                .into(),
        );
    }
    lines
}

/// Whether nothing is configured that the built-in rule could judge.
pub(super) fn idle(c: &Config, r: &Rule) -> bool {
    let sensor = |kind: &str, place: &str| c.sensors.iter().any(|s| s.name.kind() == kind && s.place == place);
    match r.test {
        Test::Builtin(Builtin::ProgramEnded) => c.session.chain.iter().all(|n| n.kind() != "program"),
        Test::Builtin(Builtin::ProgramHangs) => c.programs.iter().all(|p| p.alive.is_empty()),
        Test::Builtin(Builtin::DeviceGone) => c.devices.is_empty(),
        Test::Builtin(Builtin::NoLightFrame) => c.frames.is_none(),
        Test::Builtin(Builtin::LinkDown) => c.links.is_empty(),
        Test::Builtin(Builtin::BoxTooHot | Builtin::BoxCold) => !sensor("temperature", "box"),
        Test::Builtin(Builtin::DewMarginSmall) => {
            !["box", "outside"].iter().any(|p| sensor("temperature", p) && sensor("humidity", p))
        }
        Test::Builtin(Builtin::Disk) => c.disks.is_empty(),
        _ => false,
    }
}

/// A value with its unit, in the person's scale.
pub(super) fn with_unit(c: &Config, v: f64, unit: Unit) -> String {
    let v = (v * 1e6).round() / 1e6;
    match (unit, c.temperatures) {
        (Unit::Celsius, TemperatureScale::Fahrenheit) => format!("{:.1} °F", v * 1.8 + 32.0).replace(".0 ", " "),
        (Unit::Truth, _) => if v == 0.0 { "no" } else { "yes" }.into(),
        (Unit::Bytes, _) => size(v),
        (Unit::BytesPerSecond, _) => format!("{}/s", size(v)),
        _ => format!("{v} {}", unit.symbol()).replace('-', "−").trim_end().into(),
    }
}

fn size(bytes: f64) -> String {
    let (factor, unit) = [(1e12, "TB"), (1e9, "GB"), (1e6, "MB"), (1e3, "kB")]
        .into_iter()
        .find(|(f, _)| bytes.abs() >= *f)
        .unwrap_or((1.0, "B"));
    format!("{} {unit}", (bytes / factor * 1000.0).round() / 1000.0)
}

fn condition(c: &Config, r: &Rule) -> String {
    let known = signals::known(c);
    let unit = r.on.first().and_then(|n| known.get(n).copied()).unwrap_or(Unit::None);
    let step = if unit == Unit::Celsius { Unit::Kelvin } else { unit };
    let names: Vec<String> = r.on.iter().map(ToString::to_string).collect();
    let on = and(&names);
    let said = |v: f64| with_unit(c, v, unit);
    let mut text = match r.test {
        Test::Builtin(b) => built_in(c, r, b),
        Test::Below(v) => format!("{on} is below {}", said(v)),
        Test::Above(v) => format!("{on} is above {}", said(v)),
        Test::Outside(a, b) => format!("{on} is outside {} to {}", said(a), said(b)),
        Test::Missing => format!("{on} is missing"),
        Test::DiffersFrom(v) => format!("{on} is not {}", said(v)),
        Test::RateOfChange { per_hour, within } => {
            let way = if per_hour < 0.0 { "falls" } else { "rises" };
            format!("{on} {way} by more than {} an hour, over {within}", with_unit(c, per_hour.abs(), step))
        }
        Test::Deviation { by, within } => {
            format!("{on} is away from its mean of the {within} before by more than {}", with_unit(c, by, step))
        }
    };
    if r.deadband > 0.0 {
        let unit = match r.test {
            Test::Builtin(b) => crate::config::rules::limit_of(b).map_or(Unit::None, |(_, u, _, _)| u),
            _ => unit,
        };
        let step = if unit == Unit::Celsius { Unit::Kelvin } else { unit };
        text.push_str(&format!(" (over when past it by {})", with_unit(c, r.deadband, step)));
    }
    text
}

fn built_in(c: &Config, r: &Rule, b: Builtin) -> String {
    let unit = crate::config::rules::limit_of(b).map_or(Unit::None, |(_, u, _, _)| u);
    let limit = || r.limit.map_or_else(|| "its limit".to_owned(), |l| with_unit(c, l, unit));
    match b {
        Builtin::ProgramEnded => "a program of the chain ended".into(),
        Builtin::ProgramHangs => "a program's sign of life is missing beyond its limit, or it was stopped".into(),
        Builtin::DeviceGone => "a device is away (a shorter absence is a contact break, counted)".into(),
        Builtin::NoLightFrame => {
            let least = c.frames.as_ref().map_or(Span::mins(20), |f| f.at_least);
            format!(
                "no light frame for the largest of {least}, 3 exposures and the longest pause of fault-free sessions"
            )
        }
        Builtin::LinkDown => "a link is out of reach".into(),
        Builtin::BoxTooHot => format!("the box is above {}", limit()),
        Builtin::BoxCold => match r.limit {
            Some(_) => format!("the box is below {}", limit()),
            None => "the box is below the limit learned from your own nights".into(),
        },
        Builtin::DewMarginSmall => format!("the dew-point margin is below {}", limit()),
        Builtin::ProcessorStarved => format!("programs wait for the processor more than {} of the time", limit()),
        Builtin::MemoryShort => {
            format!("available memory is below {}, or a program was killed for memory", limit())
        }
        Builtin::Disk => {
            format!("a disk has less room than tonight needs at the present pace, or less than {}", limit())
        }
        Builtin::ClockNotSet => format!("the clock is unsynchronised, or off by more than {}", limit()),
        Builtin::CannotRead => "something configured cannot be read".into(),
        Builtin::MachineStopped => "the machine or the agent stopped in a session without being told to".into(),
        Builtin::ProbeStuck => "a probe of the agent hangs or broke".into(),
    }
}
