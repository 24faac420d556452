//! Plain words about a remedy, counts of nights first, and warnings where the nights after were simply easier.

use super::hard::Rule;
use super::judge::{HardNight, signal_name};
use super::result::{HardSource, RemedyJudgement, RemedyVerdict, Stretch};
use crate::analysis::causes::words::{level, many};
use crate::analysis::causes::{Cause, Causes};
use crate::analysis::season::{SINCE_START, Season};
use crate::config::model::TemperatureScale;
use crate::model::Unit;

/// Whether the nights after were easier.
pub(super) struct Easier {
    /// So much that nothing can be claimed.
    pub blocks: bool,
    pub warnings: Vec<String>,
}

/// Compares how hard the hours were before and after: by the signal that tells hard hours, or, where none does, by every signal
/// beyond reach.
pub(super) fn easier(
    season: &Season,
    rule: &Rule,
    before: &[HardNight],
    with: &[HardNight],
    before_nights: &[usize],
    with_nights: &[usize],
) -> Easier {
    let mut out = Easier { blocks: false, warnings: Vec::new() };
    if before.is_empty() || with.is_empty() {
        return out;
    }
    let per_night = |v: &[HardNight]| v.iter().map(|n| n.hours).sum::<f64>() / v.len() as f64;
    let (h0, h1) = (per_night(before), per_night(with));
    if h1 < 0.6 * h0 {
        out.warnings.push(format!(
            "The nights after had fewer hard hours each ({h1:.1} against {h0:.1}): they were simply easier."
        ));
        out.blocks |= h1 < 0.25 * h0;
    }
    match signal_name(rule).filter(|n| n.as_str() != SINCE_START) {
        Some(name) => {
            let below = rule.when.as_ref().is_some_and(|w| w.below);
            let at = |v: &[HardNight]| -> Vec<f64> { v.iter().map(|n| n.level).filter(|x| x.is_finite()).collect() };
            if let Some((m0, m1, d)) = difference(&at(before), &at(with)) {
                let d = if below { d } else { -d };
                if d > 0.5 {
                    out.warnings.push(format!(
                        "Even in hard hours `{name}` was milder afterwards ({m1:.1} against {m0:.1} on average): the nights \
                         after were simply easier."
                    ));
                    out.blocks |= d > 1.5;
                }
            }
        }
        None => {
            for (k, s) in season.signals.iter().enumerate().filter(|(_, s)| s.beyond_reach) {
                let mean = |v: &[usize]| -> Vec<f64> {
                    v.iter()
                        .filter_map(|&n| season.nights[n].figures.get(k).copied().flatten().map(|f| f.mean))
                        .collect()
                };
                if let Some((m0, m1, d)) = difference(&mean(before_nights), &mean(with_nights))
                    // Warmer nights are the easier ones as far as anybody knows; of other signals nobody knows.
                    && if s.unit == Unit::Celsius { d > 0.8 } else { d.abs() > 1.2 }
                {
                    out.blocks = true;
                    out.warnings.push(format!(
                        "`{}` was {m1:.1} on average afterwards and {m0:.1} before, and nothing yet tells which hours are \
                         hard: the nights cannot be compared.",
                        s.name
                    ));
                }
            }
        }
    }
    out
}

/// A warning where the faults of the season go with something other than what tells hard hours.
pub(super) fn other_cause(causes: &Causes, rule: &Rule) -> Option<String> {
    let name = signal_name(rule)?;
    let blamed: Vec<&Cause> = causes.causes.iter().filter(|c| c.kind.is_none() && c.verdict.blames()).collect();
    let first = blamed.first()?;
    let same = blamed.iter().any(|c| &c.signal == name || c.inseparable_from.contains(name));
    // A box goes with the outside air by the thermal model.
    let translated = rule.translated.is_some() && first.signal.as_str() == "temperature.box";
    (!same && !translated).then(|| {
        format!("Over the season the faults go with `{}`, but hard hours are told by `{name}` here, which the remedy cannot touch.", first.signal)
    })
}

/// Means, and their difference in units of the pooled standard deviation; none with fewer than two values on a side.
fn difference(a: &[f64], b: &[f64]) -> Option<(f64, f64, f64)> {
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (m0, m1) = (mean(a), mean(b));
    let squares = |v: &[f64], m: f64| v.iter().map(|x| (x - m).powi(2)).sum::<f64>();
    let sd = ((squares(a, m0) + squares(b, m1)) / (a.len() + b.len() - 2) as f64).sqrt();
    Some((m0, m1, if sd > 1e-9 { (m1 - m0) / sd } else { 0.0 }))
}

impl RemedyJudgement {
    /// The judgement in plain sentences, in the person's unit of temperature.
    pub fn say(&self, scale: TemperatureScale) -> Vec<String> {
        let on = |s: &Stretch| format!("trouble on {} of {}", s.trouble_nights, many(s.hard_nights, "hard night"));
        let mut out = vec![format!("Before: {}; since then: {}.", on(&self.before), on(&self.after))];
        out.push(match self.verdict {
            RemedyVerdict::Helped => "It helped; that also holds without the last nights before it, and when looked at every morning.".into(),
            RemedyVerdict::NoSign => "There is no sign that it helped.".into(),
            RemedyVerdict::TooEarly(Some(n)) => {
                format!("Too early to say: about {} needed, if all stay quiet.", many(n, "more hard night"))
            }
            RemedyVerdict::TooEarly(None) => {
                "Too early to say, and even many quiet nights would hardly do: there was too little trouble before, or too much since.".into()
            }
            RemedyVerdict::MadeWorse => "It made things worse.".into(),
            RemedyVerdict::NothingToCompare => "There was no fault in hard hours before it: nothing to compare.".into(),
        });
        if let Some(rule) = &self.hard_rule {
            let (what, unit) = match &self.hard_signal {
                Some((what, unit)) => (what.as_str(), *unit),
                None if rule.signal.as_str() == SINCE_START => ("hours since the session began", Unit::Hours),
                None => (rule.signal.as_str(), Unit::None),
            };
            let side = if rule.below { "below" } else { "above" };
            let how = match self.hard_source {
                HardSource::Stated => ", as stated beforehand",
                HardSource::Chosen => ", chosen from the nights before it",
                HardSource::Translated | HardSource::AllHours => "",
            };
            out.push(format!("Hard hours are those with {} {side} {}{how}.", what, level(rule.limit, unit, scale)));
        } else {
            out.push("Nothing told hard hours from others before it, so all hours count.".into());
        }
        if let Some(t) = &self.translated {
            out.push(format!(
                "The faults came with the box {} {}; without heater that is {} outside ({} to {}).",
                if self.hard_rule.as_ref().is_some_and(|r| r.below) { "below" } else { "above" },
                level(t.box_level, Unit::Celsius, scale),
                level(t.outside, Unit::Celsius, scale),
                level(t.low, Unit::Celsius, scale),
                level(t.high, Unit::Celsius, scale)
            ));
        }
        if self.hindsight {
            out.push("It was entered afterwards and is judged with hindsight.".into());
        }
        out
    }
}

/// The better way, offered beside every judgement that is not yet clear.
pub const BY_LOT: &str = "The surest way to know: let a drawn lot decide each evening whether the remedy is used, and write the nights down (`--only-nights`). It costs the trouble of the nights without it.";
