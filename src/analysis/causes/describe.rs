//! Describing what was found: best threshold, rates on either side, nights on either side, logistic fit.
//!
//! All of it is description. Whether it is more than chance is decided by the search alone.

use super::field::{Candidate, Field};
use super::result::{Direction, HourlyRate, NightCounts, NightFigure, NightModel, RateRatio};
use super::search::{Shuffles, exact, trace};
use crate::analysis::draw::Draw;
use crate::analysis::limits::Limits;
use crate::analysis::permute::Records;
use crate::analysis::scan::{Laying, Side};
use crate::analysis::{firth, logistic, poisson};
use crate::model::FaultKind;

/// Thresholds tried when the best one is looked for.
const FINE_CUTS: usize = 400;
/// Resampled seasons for intervals where faults came in bursts.
const RESAMPLES: usize = 400;

/// A threshold and its bad side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Split {
    pub at: f64,
    pub direction: Direction,
    /// Log likelihood ratio there.
    pub ratio: f64,
}

impl Split {
    pub(super) fn beyond(self, v: f64) -> bool {
        match self.direction {
            Direction::Below => v < self.at,
            Direction::Above => v >= self.at,
        }
    }
}

/// The threshold with the largest likelihood ratio; between thresholds that are nearly as good, the middle one weighted by their
/// likelihood (the mean of a flat prior's posterior among those on the same side).
pub(super) fn best_split(field: &Field, c: &Candidate, kind: Option<FaultKind>, shuffles: &Shuffles) -> Option<Split> {
    let set = field.set(c.inside(), kind);
    let records = field.records(c);
    let t = trace(field, c, FINE_CUTS);
    let profile = t.profile(records, &shuffles.free.plan, &records.observed(), &set);
    let top = profile.iter().copied().fold(0.0, f64::max);
    let at = profile.iter().position(|&x| x == top)?;
    let exact = if t.constant { exact(field, c, kind) } else { None };
    let place = match &exact {
        Some(b) => *b.best.first()?,
        None => middle(&t.cuts, &profile, at),
    };
    Some(Split { at: place, direction: direction(records, &c.values, place, &set, c.side), ratio: top })
}

/// Median of the thresholds around the best one, weighted by likelihood and by the stretch of values each stands for.
fn middle(cuts: &[f64], profile: &[f64], best: usize) -> f64 {
    // Only the stretch around the best one where the likelihood stays within e⁻⁴ of it.
    let near = |i: &usize| profile[*i] > profile[best] - 4.0;
    let low = (0..=best).rev().take_while(near).last().unwrap_or(best);
    let high = (best..cuts.len()).take_while(near).last().unwrap_or(best);
    let width = |i: usize| {
        let a = if i == 0 { cuts[0] } else { cuts[i - 1] };
        let b = cuts.get(i + 1).copied().unwrap_or(cuts[i]);
        (b - a).max(1e-12)
    };
    let weight = |i: usize| (profile[i] - profile[best]).exp() * width(i);
    let all: f64 = (low..=high).map(weight).sum();
    let mut sum = 0.0;
    for (i, cut) in cuts.iter().enumerate().take(high + 1).skip(low) {
        sum += weight(i);
        if sum >= 0.5 * all {
            return *cut;
        }
    }
    cuts[best]
}

fn direction(r: &Records, values: &[f64], at: f64, set: &[bool], side: Side) -> Direction {
    match side {
        Side::Below => Direction::Below,
        Side::Above => Direction::Above,
        Side::Both | Side::RatherBelow => {
            let below = Tally::of(r, values, set, |v| v < at);
            // More faults below than their share of the hours: small values are the bad ones.
            if below.faults_beyond * (below.hours_beyond + below.hours_within)
                >= (below.faults_beyond + below.faults_within) * below.hours_beyond
            {
                Direction::Below
            } else {
                Direction::Above
            }
        }
    }
}

/// Faults and hours on either side.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    faults_beyond: f64,
    hours_beyond: f64,
    faults_within: f64,
    hours_within: f64,
}

impl Tally {
    fn of(r: &Records, values: &[f64], set: &[bool], beyond: impl Fn(f64) -> bool) -> Tally {
        Tally::by_night(r, values, set, beyond).iter().fold(Tally::default(), |a, b| a.plus(b))
    }

    fn plus(self, b: &Tally) -> Tally {
        Tally {
            faults_beyond: self.faults_beyond + b.faults_beyond,
            hours_beyond: self.hours_beyond + b.hours_beyond,
            faults_within: self.faults_within + b.faults_within,
            hours_within: self.hours_within + b.hours_within,
        }
    }

    fn by_night(r: &Records, values: &[f64], set: &[bool], beyond: impl Fn(f64) -> bool) -> Vec<Tally> {
        let mut out = vec![Tally::default(); r.nights()];
        for (i, w) in r.first_slice.windows(2).enumerate() {
            for (&v, hours) in values[w[0]..w[1]].iter().zip(&r.slice_hours[w[0]..w[1]]).filter(|(v, _)| v.is_finite())
            {
                let to = if beyond(v) { &mut out[i].hours_beyond } else { &mut out[i].hours_within };
                *to += hours;
            }
        }
        for (&(night, slice), _) in r.faults.iter().zip(set).filter(|(_, s)| **s) {
            if values[slice].is_finite() {
                let t = &mut out[night];
                *(if beyond(values[slice]) { &mut t.faults_beyond } else { &mut t.faults_within }) += 1.0;
            }
        }
        out
    }
}

/// Rates on either side of a split.
pub(super) struct Rates {
    pub beyond: HourlyRate,
    pub within: HourlyRate,
    pub ratio: RateRatio,
}

/// Rates beyond and within, exact; with `bursts` widened by resampling nights.
pub(super) fn rates(
    field: &Field,
    c: &Candidate,
    kind: Option<FaultKind>,
    split: Split,
    bursts: bool,
    seed: u64,
) -> Rates {
    let r = field.records(c);
    let nights = Tally::by_night(r, &c.values, &field.set(c.inside(), kind), |v| split.beyond(v));
    let all = nights.iter().fold(Tally::default(), |a, b| a.plus(b));
    let mut beyond = hourly(all.faults_beyond, all.hours_beyond);
    let mut within = hourly(all.faults_within, all.hours_within);
    let (x, t) = (all.faults_beyond as u64, all.hours_beyond);
    let mut ratio = match poisson::compare(x, t, all.faults_within as u64, all.hours_within, 0.95) {
        Ok(c) => RateRatio { estimate: c.ratio.unwrap_or(f64::NAN), low: c.limits.low, high: c.limits.high },
        Err(_) => RateRatio { estimate: f64::NAN, low: 0.0, high: f64::INFINITY },
    };
    if bursts && !nights.is_empty() {
        let mut d = Draw::stream(seed, 0xB0075);
        let (mut b, mut w, mut q) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..RESAMPLES {
            let s = (0..nights.len()).fold(Tally::default(), |a, _| a.plus(&nights[d.below(nights.len())]));
            if s.hours_beyond > 0.0 && s.hours_within > 0.0 {
                b.push(s.faults_beyond / s.hours_beyond);
                w.push(s.faults_within / s.hours_within);
                // Half a fault each keeps resamples without one from being infinite.
                q.push((s.faults_beyond + 0.5) / s.hours_beyond * s.hours_within / (s.faults_within + 0.5));
            }
        }
        for (rate, drawn) in [(&mut beyond, b), (&mut within, w)] {
            if let Some(l) = middle_95(drawn) {
                (rate.low, rate.high) = (rate.low.min(l.low), rate.high.max(l.high));
            }
        }
        if let Some(l) = middle_95(q) {
            (ratio.low, ratio.high) = (ratio.low.min(l.low), ratio.high.max(l.high));
        }
    }
    Rates { beyond, within, ratio }
}

fn middle_95(mut v: Vec<f64>) -> Option<Limits> {
    v.sort_by(f64::total_cmp);
    let at = |q: f64| v[((v.len() - 1) as f64 * q).round() as usize];
    (v.len() >= 40).then(|| Limits::new(at(0.025), at(0.975)))
}

fn hourly(faults: f64, hours: f64) -> HourlyRate {
    match poisson::rate(faults as u64, hours, 0.95) {
        Ok(r) => HourlyRate {
            per_hour: r.rate,
            low: r.limits.low,
            high: r.limits.high,
            faults: r.count as usize,
            hours: r.exposure,
        },
        Err(_) => HourlyRate { per_hour: f64::NAN, low: f64::NAN, high: f64::NAN, faults: faults as usize, hours: 0.0 },
    }
}

/// Whether a threefold rate is excluded on the bad side, or on both where either can be bad: at every threshold that leaves a
/// quarter of the hours on each side, the exact limits of the rate ratio stay within a factor of three. Faults of one burst count
/// once, since they say no more than one.
pub(super) fn threefold_excluded(field: &Field, c: &Candidate, kind: Option<FaultKind>) -> bool {
    let r = field.records(c);
    let begins = r.begins_burst();
    let set: Vec<bool> = field.set(c.inside(), kind).iter().zip(begins).map(|(a, b)| *a && b).collect();
    let t = trace(field, c, 24);
    let mut any = false;
    for &cut in &t.cuts {
        let s = Tally::of(r, &c.values, &set, |v| v < cut);
        let share = s.hours_beyond / (s.hours_beyond + s.hours_within);
        if !(0.25..=0.75).contains(&share) {
            continue;
        }
        any = true;
        let Ok(q) =
            poisson::compare(s.faults_beyond as u64, s.hours_beyond, s.faults_within as u64, s.hours_within, 0.95)
        else {
            return false;
        };
        let (below, above) = (q.limits.high < 3.0, q.limits.low > 1.0 / 3.0);
        let excluded = match c.side {
            Side::Below => below,
            Side::Above => above,
            Side::Both | Side::RatherBelow => below && above,
        };
        if !excluded {
            return false;
        }
    }
    any
}

/// Which figure of the night stands for a signal.
pub(super) fn figure(c: &Candidate, constant: bool, direction: Direction) -> NightFigure {
    match (constant || c.laying == Laying::Dealt, direction) {
        (true, _) => NightFigure::Mean,
        (false, Direction::Below) => NightFigure::Minimum,
        (false, Direction::Above) => NightFigure::Maximum,
    }
}

/// The figure of each night and whether it had trouble; nights without a figure are left out.
pub(super) fn night_figures(
    field: &Field,
    c: &Candidate,
    kind: Option<FaultKind>,
    figure: NightFigure,
) -> (Vec<f64>, Vec<bool>) {
    c.figures
        .iter()
        .zip(field.trouble(kind))
        .filter_map(|(f, t)| {
            f.map(|f| match figure {
                NightFigure::Minimum => (f.minimum, t),
                NightFigure::Mean => (f.mean, t),
                NightFigure::Maximum => (f.maximum, t),
            })
        })
        .filter(|(x, _)| x.is_finite())
        .unzip()
}

/// Nights on either side of a split by their figures.
pub(super) fn night_counts(x: &[f64], trouble: &[bool], split: Split) -> NightCounts {
    let mut n = NightCounts::default();
    for (&x, &t) in x.iter().zip(trouble) {
        if split.beyond(x) {
            n.beyond += 1;
            n.beyond_trouble += usize::from(t);
        } else {
            n.within += 1;
            n.within_trouble += usize::from(t);
        }
    }
    n
}

/// Logistic fit of trouble on the night's figure; none where all nights had the same outcome or figure.
pub(super) fn night_model(x: &[f64], trouble: &[bool]) -> Option<NightModel> {
    let k = trouble.iter().filter(|t| **t).count();
    if k == 0 || k == trouble.len() {
        return None;
    }
    let penalised = firth::fit_binary(x, trouble).ok()?;
    let plain = logistic::fit_binary(x, trouble).ok().and_then(logistic::Fit::found);
    let half_point = plain.as_ref().map_or_else(|| penalised.line.half_point(), |p| p.line.half_point());
    let set = match &plain {
        Some(p) => p.half_point_profile(0.95),
        None => penalised.half_point_profile(0.95),
    };
    let limits = match (set, half_point) {
        (Ok(Some(s)), Some(h)) => s.around(h),
        _ => Limits::EVERYTHING,
    };
    let closed = |v: f64| v.is_finite().then_some(v);
    Some(NightModel {
        intercept: penalised.line.intercept,
        slope: penalised.line.slope,
        intercept_unpenalised: plain.as_ref().map(|p| p.line.intercept),
        slope_unpenalised: plain.as_ref().map(|p| p.line.slope),
        half_point: half_point.and_then(closed),
        half_point_low: closed(limits.low),
        half_point_high: closed(limits.high),
        nights: x.len(),
    })
}
