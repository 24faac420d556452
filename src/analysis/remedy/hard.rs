//! Which hours are hard: as hard as those that failed before, told only by what a remedy cannot touch.

use super::result::{HardSource, HardWhenRefused, Translation};
use crate::analysis::permute::BURST;
use crate::analysis::scan::log_ratio;
use crate::analysis::season::{Night, SINCE_START, Season, Slice};
use crate::analysis::thermal::ThermalFit;
use crate::analysis::thermal::predict::{Heating, outside_for_box};
use crate::model::command::HardWhen;
use crate::model::{Name, Unit};

/// Least log likelihood ratio at which the nights before tell hard hours from others.
const SPEAKS: f64 = 2.5;
/// Among the thresholds that the nights before cannot tell from the best the strictest is taken: hours that are only a little hard would
/// let warm nights pass for a cure. Half the 0.95 quantile of χ² with one degree of freedom (3.841), as in a likelihood interval at 95 %.
const SLACK: f64 = 1.92;

/// A rule with where it came from.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Rule {
    pub when: Option<HardWhen>,
    pub source: HardSource,
    pub translated: Option<Translation>,
}

impl Rule {
    pub(super) const ALL: Rule = Rule { when: None, source: HardSource::AllHours, translated: None };

    pub(super) fn words(&self) -> String {
        self.when
            .as_ref()
            .map_or("all hours".into(), |w| format!("{} {} {:.1}", w.signal, if w.below { "<" } else { ">" }, w.limit))
    }
}

/// Value of a signal in a slice; not a number where unknown, or where a fault may have changed it.
pub(super) fn value(season: &Season, night: &Night, slice: usize, s: &Slice, name: &Name) -> f64 {
    if name.as_str() == SINCE_START {
        return s.since_start;
    }
    let Some(k) = season.signal(name) else { return f64::NAN };
    if s.after_fault && !season.signals[k].beyond_reach {
        return f64::NAN;
    }
    night.values.get(k).and_then(|v| v.get(slice)).copied().unwrap_or(f64::NAN)
}

pub(super) fn is_hard(when: &HardWhen, v: f64) -> bool {
    if when.below { v < when.limit } else { v > when.limit }
}

/// Hours and faults of one signal in some nights, by value.
struct Laid {
    hours: Vec<(f64, f64)>,
    faults: Vec<f64>,
}

fn lay(season: &Season, nights: &[usize], name: &Name) -> Laid {
    let mut laid = Laid { hours: Vec::new(), faults: Vec::new() };
    for &n in nights {
        let night = &season.nights[n];
        for (i, s) in night.slices.iter().enumerate() {
            let v = value(season, night, i, s, name);
            if v.is_finite() {
                laid.hours.push((v, s.hours));
            }
        }
        // A burst says no more than one fault about which hours are hard.
        let mut last = f64::NEG_INFINITY;
        for f in &night.faults {
            let lone = f.since_start - last >= BURST;
            last = f.since_start;
            if let Some(i) = f.slice.filter(|_| lone) {
                let v = value(season, night, i, &night.slices[i], name);
                if v.is_finite() {
                    laid.faults.push(v);
                }
            }
        }
    }
    laid.hours.sort_by(|a, b| a.0.total_cmp(&b.0));
    laid.faults.sort_by(f64::total_cmp);
    laid
}

/// Best threshold of one signal: its log likelihood ratio and the strictest threshold nearly as good.
fn best(laid: &Laid, sides: &[bool]) -> Option<(f64, bool, f64)> {
    let all: f64 = laid.hours.iter().map(|h| h.1).sum();
    let k = laid.faults.len() as f64;
    if k < 2.0 || all <= 0.0 {
        return None;
    }
    let mut tried: Vec<(f64, bool, f64)> = Vec::new();
    let mut below = 0.0;
    let mut last = 0.0;
    for w in laid.hours.windows(2) {
        below += w[0].1;
        // About sixty thresholds, a fifteenth of the hours at least on either side.
        if w[1].0 <= w[0].0 || below < all / 15.0 || all - below < all / 15.0 || below - last < all / 60.0 {
            continue;
        }
        last = below;
        let at = w[0].0 + (w[1].0 - w[0].0) / 2.0;
        let n = laid.faults.partition_point(|f| *f < at) as f64;
        for &is_below in sides {
            let (n, e) = if is_below { (n, k * below / all) } else { (k - n, k * (all - below) / all) };
            if n > e {
                tried.push((log_ratio(n, e, k), is_below, at));
            }
        }
    }
    let top = tried.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let near = tried.iter().filter(|t| t.1 == top.1 && t.0 >= top.0 - SLACK).map(|t| t.2);
    let strict = if top.1 { near.fold(f64::INFINITY, f64::min) } else { near.fold(f64::NEG_INFINITY, f64::max) };
    Some((top.0, top.1, strict))
}

/// Chooses the rule from some nights: the signal beyond reach (or the hours since the session began) that tells best where the faults
/// came; a level of the box instead, translated to the outside without heater, where the box tells it better.
pub(super) fn choose(season: &Season, nights: &[usize], thermal: Option<&ThermalFit>) -> Rule {
    let mut names: Vec<Name> = season.signals.iter().filter(|s| s.beyond_reach).map(|s| s.name.clone()).collect();
    names.extend(Name::new(SINCE_START));
    let outside = season
        .signals
        .iter()
        .find(|s| s.beyond_reach && s.unit == Unit::Celsius && s.name.as_str() == "temperature.outside")
        .map(|s| s.name.clone());
    let mut found: Option<(f64, Rule)> = None;
    for name in names {
        let sides: &[bool] = if name.as_str() == SINCE_START { &[false] } else { &[true, false] };
        if let Some((ratio, below, limit)) = best(&lay(season, nights, &name), sides)
            && found.as_ref().is_none_or(|f| ratio > f.0)
        {
            let when = Some(HardWhen { signal: name, below, limit });
            found = Some((ratio, Rule { when, source: HardSource::Chosen, translated: None }));
        }
    }
    if let (Some(fit), Some(outside), Ok(inside)) = (thermal, outside, Name::new("temperature.box"))
        && season.signal(&inside).is_some()
        && let Some((ratio, below, level)) = best(&lay(season, nights, &inside), &[true, false])
        && found.as_ref().is_none_or(|f| ratio > f.0)
        && let Ok(e) = outside_for_box(fit, level, Heating::Off, 0.95)
    {
        let translated = Translation { box_level: level, outside: e.celsius, low: e.band.low, high: e.band.high };
        let when = Some(HardWhen { signal: outside, below, limit: e.celsius });
        found = Some((ratio, Rule { when, source: HardSource::Translated, translated: Some(translated) }));
    }
    found.filter(|f| f.0 >= SPEAKS).map_or(Rule::ALL, |f| f.1)
}

/// Whether the nightly mean of a signal shifted between two sets of nights, if so from what to what: a Welch statistic above 3 among the
/// last ten before and the first ten after.
pub(super) fn shift(season: &Season, before: &[usize], after: &[usize], name: &Name) -> Option<(f64, f64)> {
    let k = season.signal(name)?;
    let mean = |n: &usize| season.nights[*n].figures.get(k).copied().flatten().map(|f| f.mean);
    let a: Vec<f64> = before.iter().rev().take(10).filter_map(mean).collect();
    let b: Vec<f64> = after.iter().take(10).filter_map(mean).collect();
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let figures = |v: &[f64]| {
        let m = v.iter().sum::<f64>() / v.len() as f64;
        (m, v.iter().map(|x| (x - m).powi(2)).sum::<f64>() / (v.len() - 1) as f64 / v.len() as f64)
    };
    let ((m0, v0), (m1, v1)) = (figures(&a), figures(&b));
    ((m1 - m0).abs() > 3.0 * (v0 + v1).sqrt() && (m1 - m0).abs() > 1e-9).then_some((m0, m1))
}

/// See [`super::check_hard`].
pub(super) fn check(
    season: &Season,
    rule: &HardWhen,
    before: &[usize],
    after: &[usize],
) -> Result<(), HardWhenRefused> {
    if rule.signal.as_str() == SINCE_START {
        return Ok(());
    }
    let Some(k) = season.signal(&rule.signal) else { return Err(HardWhenRefused::Unknown(rule.signal.clone())) };
    if season.signals[k].beyond_reach {
        return Ok(());
    }
    match shift(season, before, after, &rule.signal) {
        Some((b, a)) => Err(HardWhenRefused::Shifted { signal: rule.signal.clone(), before: b, after: a }),
        None => Ok(()),
    }
}
