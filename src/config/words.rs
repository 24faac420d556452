//! The configuration said in plain words, for `check` and for telling what a reload changed. Pure.

use super::model::{Builtin, Config, During, Rule, Test};
use crate::model::Span;

/// The rules as sentences, one a line.
pub fn rules(c: &Config) -> String {
    let mut out = String::from("Rules that hold:\n");
    for r in c.rules.iter().filter(|r| r.enabled) {
        out.push_str(&format!("  {}: {}\n", r.title, rule(r)));
    }
    out
}

/// One rule as a sentence without its name.
pub fn rule(r: &Rule) -> String {
    let mut parts = vec![condition(r)];
    if r.on_delay > Span::ZERO {
        parts.push(format!("must last {}", r.on_delay));
    }
    parts.push(format!("{} priority", r.priority.word()));
    parts.push(
        match &r.during {
            During::Session => "in a session",
            During::Always => "at any time",
            During::Dark => "while it is dark",
            During::Clock { .. } => "at the stated hours",
        }
        .into(),
    );
    parts.push(match (r.wakes_always, r.wakes_after) {
        (_, None) => "wakes nobody".into(),
        (true, _) => "always wakes".into(),
        (false, Some(Span::ZERO)) => "wakes".into(),
        (false, Some(after)) => format!("wakes if it still stands after {after}"),
    });
    parts.join("; ")
}

fn condition(r: &Rule) -> String {
    let limit = |unit: &str| r.limit.map_or_else(|| "its limit".to_owned(), |l| format!("{l} {unit}"));
    match r.test {
        Test::Builtin(b) => match b {
            Builtin::ProgramEnded => "a program of the chain ended".into(),
            Builtin::ProgramHangs => "a program's sign of life is missing beyond its limit".into(),
            Builtin::DeviceGone => "a device is away (a shorter absence is a contact break, counted)".into(),
            Builtin::NoLightFrame => {
                "no light frame for the largest of 20 min, 3 exposures and the longest pause of fault-free sessions"
                    .into()
            }
            Builtin::LinkDown => "the house or the gateway is out of reach".into(),
            Builtin::BoxTooHot => format!("the box is above {}", limit("°C")),
            Builtin::BoxCold => {
                format!("the box is below {}", r.limit.map_or("its learned limit".into(), |l| format!("{l} °C")))
            }
            Builtin::DewMarginSmall => format!("the dew-point margin is below {}", limit("K")),
            Builtin::ProcessorStarved => {
                format!("programs wait for the processor more than {} of the time", limit("%"))
            }
            Builtin::MemoryShort => {
                format!("available memory is below {}, or a program was killed for memory", limit("%"))
            }
            Builtin::Disk => {
                format!("a disk has less room than tonight's need at the present pace, or less than {}", limit("%"))
            }
            Builtin::ClockNotSet => format!("the clock is unsynchronised or off by more than {}", limit("s")),
            Builtin::CannotRead => "something configured cannot be read".into(),
            Builtin::ProbeStuck => "a probe hangs or broke".into(),
            Builtin::MachineStopped => "the machine stopped or slept in a session".into(),
        },
        Test::Below(v) => format!("below {v}"),
        Test::Above(v) => format!("above {v}"),
        Test::Outside(a, b) => format!("outside {a} to {b}"),
        Test::Missing => "missing".into(),
        Test::DiffersFrom(v) => format!("differs from {v}"),
        Test::RateOfChange { per_hour, within } => format!("changes faster than {per_hour} an hour over {within}"),
        Test::Deviation { by, within } => format!("away from the mean of the {within} before by more than {by}"),
    }
}
