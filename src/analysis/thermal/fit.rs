//! Lift and time constant of the box from stretches of measured outside and box temperature.
//!
//! For a given time constant the course of the box is linear in the start temperature of every stretch and in the lifts, so
//! those are solved exactly and only the time constant is searched (Golub & Pereyra 1973, variable projection): over a wide grid,
//! then to the last digits by Gauss–Newton steps. Errors are given twice. From the residuals: √diag((JᵀJ)⁻¹ · RSS / (n − k)),
//! which supposes independent residuals and is too small where the model is not quite true. By resampling nights (Efron 1979;
//! the night is the unit): what a report should show; from three nights on.
//!
//! Edge cases: a heater that never switched cannot be told from what always warms the box, and both are then one steady lift. A
//! record in which the outside hardly changes, or too short for the box to follow, is [`AnalysisError::Undetermined`].

use super::means::Stretch;
use super::resample::{NightErrors, REPLICATES, resample};
use super::response::Advance;
use super::step::{Estimate, golden};
use crate::analysis::error::{self, AnalysisError, Result};
use nalgebra::{DMatrix, DVector};

/// Which lifts are fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Drive {
    /// One lift, always there: electronics, and a heater that is not known or never switched.
    Steady,
    /// One lift while the heater is on, none otherwise.
    Heater,
    /// A lift that is always there, and one more while the heater is on.
    SteadyAndHeater,
}

impl Drive {
    fn lifts(self) -> usize {
        if self == Drive::SteadyAndHeater { 2 } else { 1 }
    }
    /// Heat share of lift `k` in an entry with this heater state.
    fn share(self, k: usize, heater: f64) -> f64 {
        if self == Drive::Heater || (self == Drive::SteadyAndHeater && k == 1) { heater } else { 1.0 }
    }
}

/// A fitted box.
#[derive(Clone, Debug, PartialEq)]
pub struct ThermalFit {
    /// What was fitted.
    pub drive: Drive,
    /// Time constant in s, error from the residuals.
    pub tau_s: Estimate,
    /// Lift without heater in K; none for [`Drive::Heater`].
    pub steady: Option<Estimate>,
    /// Lift that the heater adds in K; none for [`Drive::Steady`].
    pub heater: Option<Estimate>,
    /// Lift in K with the heater on all the time; the steady lift where the heater is not known.
    pub heated: Estimate,
    /// Start temperature of each stretch in °C.
    pub starts: Vec<Estimate>,
    /// Measured minus computed box temperature, for each stretch and entry, in K.
    pub residuals: Vec<Vec<f64>>,
    /// Residual sum of squares in K².
    pub rss: f64,
    /// Degrees of freedom: entries − stretches − lifts − 1.
    pub degrees: usize,
    /// Correlation of the time constant with the first lift; near ±1 both go together and neither is firm.
    pub correlation: f64,
    /// Number of nights behind it.
    pub nights: usize,
    /// Errors by resampling nights; none below [`super::resample::FEWEST_NIGHTS`].
    pub by_nights: Option<NightErrors>,
}

impl ThermalFit {
    /// √(RSS / degrees of freedom) in K.
    pub fn residual_sd(&self) -> f64 {
        (self.rss / self.degrees as f64).sqrt()
    }
    /// Correlation of a residual with the next one of its stretch: far above 0 means that something slower or faster than the
    /// model is at work, and that errors from residuals are too small.
    pub fn residual_autocorrelation(&self) -> f64 {
        let pairs = self.residuals.iter().flat_map(|r| r.windows(2)).map(|w| w[0] * w[1]).sum::<f64>();
        if self.rss > 0.0 { pairs / self.rss } else { 0.0 }
    }
    /// Lift without heater; 0 where the fit has none.
    pub fn lift_without_heater(&self) -> f64 {
        self.steady.map_or(0.0, |e| e.value)
    }
    /// Lift with the heater on all the time; the steady lift where the heater is not known.
    pub fn lift_with_heater(&self) -> f64 {
        self.heated.value
    }
    /// Standard error of the lift without heater: by nights where there are enough, else from the residuals.
    pub fn lift_se(&self) -> f64 {
        let by_nights = self.by_nights.and_then(|n| n.steady).map(|r| r.se);
        by_nights.or(self.steady.map(|e| e.se)).unwrap_or(0.0)
    }
    /// Standard error of what the heater adds, chosen alike.
    pub fn heater_se(&self) -> f64 {
        let by_nights = self.by_nights.and_then(|n| n.heater).map(|r| r.se);
        by_nights.or(self.heater.map(|e| e.se)).unwrap_or(0.0)
    }
    /// Standard error of the lift with the heater on, chosen alike.
    pub fn heated_se(&self) -> f64 {
        self.by_nights.map_or(self.heated.se, |n| n.heated.se)
    }
    /// Standard error of the time constant in s, chosen alike.
    pub fn tau_se(&self) -> f64 {
        self.by_nights.map_or(self.tau_s.se, |n| n.tau_s.se)
    }
}

/// Fit a season: steady lift, and the heater's share where its state is known all along and changes. Errors by resampling nights
/// with this seed.
///
/// # Errors
/// As [`fit_stretches`].
pub fn fit_season(stretches: &[Stretch], seed: u64) -> Result<ThermalFit> {
    let states = || stretches.iter().flat_map(|s| &s.heater[..s.heater.len().saturating_sub(1)]);
    let known = !stretches.is_empty() && stretches.iter().all(|s| s.heater.len() == s.t_s.len());
    let switched = states().any(|u| *u > 0.05) && states().any(|u| *u < 0.95);
    let drive = if known && switched { Drive::SteadyAndHeater } else { Drive::Steady };
    let mut fit = fit_stretches(stretches, drive)?;
    fit.by_nights = resample(stretches, drive, fit.tau_s.value, seed, REPLICATES);
    Ok(fit)
}

/// Fit stretches by least squares; errors from the residuals only.
///
/// # Errors
/// Nothing to fit, fewer entries than figures, and [`AnalysisError::Undetermined`] where the record does not tell the time
/// constant or the lifts apart.
pub fn fit_stretches(stretches: &[Stretch], drive: Drive) -> Result<ThermalFit> {
    let entries: usize = stretches.iter().map(|s| s.t_s.len()).sum();
    let k = drive.lifts();
    error::at_least("entries of box and outside temperature", entries, stretches.len() + k + 2)?;
    for s in stretches {
        error::at_least("entries of a stretch", s.t_s.len(), 1)?;
        if drive != Drive::Steady {
            error::same_length("times and heater states", &s.t_s, &s.heater)?;
        }
    }
    let undetermined = AnalysisError::Undetermined {
        what: "the box's time constant",
        why: "the outside temperature or the heater changed too little; wait for more nights",
    };
    let (low, high) = search_range(stretches).ok_or_else(|| undetermined.clone())?;
    const CELLS: usize = 120;
    let grid: Vec<f64> = (0..=CELLS).map(|i| low + (high - low) * i as f64 / CELLS as f64).collect();
    let sum = |log_tau: f64| solve(&grams(stretches, drive, log_tau.exp())).map_or(f64::INFINITY, |s| s.rss);
    let rss: Vec<f64> = grid.iter().map(|l| sum(*l)).collect();
    let best = (0..=CELLS).min_by(|&i, &j| rss[i].total_cmp(&rss[j])).unwrap_or(0);
    if best == 0 || best == CELLS || !rss[best].is_finite() {
        return Err(undetermined);
    }
    let start = golden(grid[best - 1], grid[best + 1], sum).exp();
    polish(stretches, drive, start).ok_or(undetermined)
}

/// Logarithms of the shortest and longest time constant worth looking at: a fraction of the usual step, and many times the
/// longest stretch.
fn search_range(stretches: &[Stretch]) -> Option<(f64, f64)> {
    let mut steps: Vec<f64> = stretches.iter().flat_map(|s| s.t_s.windows(2).map(|w| w[1] - w[0])).collect();
    steps.sort_by(f64::total_cmp);
    let step = *steps.get(steps.len() / 2)?;
    let longest = stretches.iter().filter_map(|s| s.t_s.last()).fold(0.0f64, |m, t| m.max(*t));
    Some(((0.05 * step).ln(), (30.0 * longest).ln()))
}

/// Response of one stretch for a given time constant: decay of the start, course driven by the outside from a start at the
/// first outside temperature, and response to each lift.
struct Response {
    decay: Vec<f64>,
    outside: Vec<f64>,
    lifts: Vec<Vec<f64>>,
}

fn response(s: &Stretch, drive: Drive, tau: f64) -> Response {
    let n = s.t_s.len();
    let heater = |i: usize| s.heater.get(i).copied().unwrap_or(0.0);
    let base = s.outside.first().copied().unwrap_or(0.0);
    let mut r = Response {
        decay: Vec::with_capacity(n),
        outside: Vec::with_capacity(n),
        lifts: vec![Vec::with_capacity(n); drive.lifts()],
    };
    let (mut d, mut a, mut f) = (1.0, base, vec![0.0; drive.lifts()]);
    // Steps are mostly of one length; the exponentials are what costs.
    let (mut length, mut step) = (f64::NAN, Advance::new(0.0, tau));
    for i in 0..n {
        if i > 0 {
            let h = s.t_s[i] - s.t_s[i - 1];
            if h != length {
                (length, step) = (h, Advance::new(h, tau));
            }
            d *= step.decay;
            a = step.step(a, s.outside[i - 1], s.outside[i], 0.0);
            for (k, f) in f.iter_mut().enumerate() {
                *f = step.step(*f, 0.0, 0.0, drive.share(k, heater(i - 1)));
            }
        }
        r.decay.push(d);
        r.outside.push(a);
        for (k, f) in f.iter().enumerate() {
            r.lifts[k].push(*f);
        }
    }
    r
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// `v` without its part along `d`.
fn without(v: &[f64], d: &[f64]) -> Vec<f64> {
    let share = dot(v, d) / dot(d, d);
    v.iter().zip(d).map(|(v, d)| v - share * d).collect()
}

/// Sums of squares and products with the start temperatures projected out: of the lifts among themselves, with the target, and
/// of the target. They add up over stretches and nights.
#[derive(Clone, Copy, Default)]
pub(super) struct Gram {
    ff: [[f64; 2]; 2],
    fy: [f64; 2],
    yy: f64,
}

impl Gram {
    pub(super) fn add(&mut self, o: &Gram) {
        for k in 0..2 {
            for l in 0..2 {
                self.ff[k][l] += o.ff[k][l];
            }
            self.fy[k] += o.fy[k];
        }
        self.yy += o.yy;
    }
}

pub(super) fn gram(s: &Stretch, drive: Drive, tau: f64) -> Gram {
    let r = response(s, drive, tau);
    let target: Vec<f64> = s.inside.iter().zip(&r.outside).map(|(y, a)| y - a).collect();
    let y = without(&target, &r.decay);
    let f: Vec<Vec<f64>> = r.lifts.iter().map(|f| without(f, &r.decay)).collect();
    let mut g = Gram { yy: dot(&y, &y), ..Gram::default() };
    for (k, fk) in f.iter().enumerate() {
        g.fy[k] = dot(fk, &y);
        for (l, fl) in f.iter().enumerate() {
            g.ff[k][l] = dot(fk, fl);
        }
    }
    // A single lift leaves the second one untouched.
    if f.len() == 1 {
        g.ff[1][1] = f64::EPSILON;
    }
    g
}

fn grams(stretches: &[Stretch], drive: Drive, tau: f64) -> Gram {
    let mut sum = Gram::default();
    for s in stretches {
        sum.add(&gram(s, drive, tau));
    }
    sum
}

/// Best lifts for a time constant, and the residual sum of squares.
pub(super) struct Solution {
    pub(super) lifts: [f64; 2],
    pub(super) rss: f64,
}

pub(super) fn solve(g: &Gram) -> Option<Solution> {
    let det = g.ff[0][0] * g.ff[1][1] - g.ff[0][1] * g.ff[1][0];
    if !(det > 1e-12 * g.ff[0][0] * g.ff[1][1] && det > 0.0) {
        return None;
    }
    let lifts =
        [(g.ff[1][1] * g.fy[0] - g.ff[0][1] * g.fy[1]) / det, (g.ff[0][0] * g.fy[1] - g.ff[1][0] * g.fy[0]) / det];
    Some(Solution { lifts, rss: (g.yy - lifts[0] * g.fy[0] - lifts[1] * g.fy[1]).max(0.0) })
}

/// Gauss–Newton steps on the logarithm of the time constant and the lifts with explicit residuals; none where the figures cannot
/// be told apart.
fn polish(stretches: &[Stretch], drive: Drive, start: f64) -> Option<ThermalFit> {
    let k = drive.lifts();
    let mut tau = start;
    let mut lifts = solve(&grams(stretches, drive, tau))?.lifts[..k].to_vec();
    let mut at = residuals(stretches, drive, tau, &lifts).0;
    let mut normal = DMatrix::zeros(k + 1, k + 1);
    for _ in 0..60 {
        normal = DMatrix::zeros(k + 1, k + 1);
        let mut right = DVector::zeros(k + 1);
        for s in stretches {
            let (columns, residual, _) = jacobian(s, drive, tau, &lifts);
            for i in 0..=k {
                right[i] += dot(&columns[i], &residual);
                for j in 0..=k {
                    normal[(i, j)] += dot(&columns[i], &columns[j]);
                }
            }
        }
        let step: DVector<f64> = normal.clone().lu().solve(&right)?;
        let mut size = 1.0;
        let mut moved = false;
        while size > 1e-4 {
            let next_tau = tau * (size * step[k]).exp();
            let next: Vec<f64> = (0..k).map(|i| lifts[i] + size * step[i]).collect();
            let (rss, _) = residuals(stretches, drive, next_tau, &next);
            if rss < at || (rss == at && size == 1.0) {
                (tau, lifts, at, moved) = (next_tau, next, rss, true);
                break;
            }
            size *= 0.5;
        }
        if !moved || step.amax() < 1e-13 {
            break;
        }
    }
    finish(stretches, drive, tau, &lifts, at, normal)
}

fn finish(
    stretches: &[Stretch],
    drive: Drive,
    tau: f64,
    lifts: &[f64],
    rss: f64,
    normal: DMatrix<f64>,
) -> Option<ThermalFit> {
    let k = drive.lifts();
    let entries: usize = stretches.iter().map(|s| s.t_s.len()).sum();
    let degrees = entries - stretches.len() - k - 1;
    let sigma2 = rss / degrees as f64;
    let unscaled = normal.cholesky()?.inverse();
    let correlation = unscaled[(0, k)] / (unscaled[(0, 0)] * unscaled[(k, k)]).sqrt();
    let inverse = unscaled * sigma2;
    let se = |i: usize| inverse[(i, i)].sqrt();
    let (_, starts) = residuals(stretches, drive, tau, lifts);
    let mut estimates = Vec::new();
    let mut all = Vec::new();
    for (s, start) in stretches.iter().zip(starts) {
        // Variance of a start: its own, and what the common figures add through the projection.
        let (_, _, shares) = jacobian(s, drive, tau, lifts);
        let c = DVector::from_vec(shares.1);
        let variance = sigma2 / shares.0 + (c.transpose() * &inverse * &c)[(0, 0)];
        estimates.push(Estimate { value: start, se: variance.sqrt() });
        all.push(residual(s, &response(s, drive, tau), lifts, start));
    }
    let lift = |i: usize| Estimate { value: lifts[i], se: se(i) };
    let both: f64 = (0..k).map(|i| (0..k).map(|j| inverse[(i, j)]).sum::<f64>()).sum();
    let mut nights: Vec<usize> = stretches.iter().map(|s| s.night).collect();
    nights.sort_unstable();
    nights.dedup();
    let sound = tau.is_finite() && inverse.iter().all(|v| v.is_finite()) && lifts.iter().all(|l| l.is_finite());
    sound.then(|| ThermalFit {
        drive,
        tau_s: Estimate { value: tau, se: tau * se(k) },
        steady: (drive != Drive::Heater).then(|| lift(0)),
        heater: match drive {
            Drive::Steady => None,
            Drive::Heater => Some(lift(0)),
            Drive::SteadyAndHeater => Some(lift(1)),
        },
        heated: Estimate { value: lifts.iter().sum(), se: both.max(0.0).sqrt() },
        starts: estimates,
        residuals: all,
        rss,
        degrees,
        correlation,
        nights: nights.len(),
        by_nights: None,
    })
}

/// Residuals of one stretch, its start given.
fn residual(s: &Stretch, r: &Response, lifts: &[f64], start: f64) -> Vec<f64> {
    let base = s.outside.first().copied().unwrap_or(0.0);
    (0..s.t_s.len())
        .map(|i| {
            let warmed: f64 = lifts.iter().zip(&r.lifts).map(|(l, f)| l * f[i]).sum();
            s.inside[i] - r.outside[i] - warmed - (start - base) * r.decay[i]
        })
        .collect()
}

/// Best start of a stretch for given figures.
fn best_start(s: &Stretch, r: &Response, lifts: &[f64]) -> f64 {
    let base = s.outside.first().copied().unwrap_or(0.0);
    let open = residual(s, r, lifts, base);
    base + dot(&open, &r.decay) / dot(&r.decay, &r.decay)
}

/// Residual sum of squares and the best starts.
fn residuals(stretches: &[Stretch], drive: Drive, tau: f64, lifts: &[f64]) -> (f64, Vec<f64>) {
    let mut sum = 0.0;
    let mut starts = Vec::with_capacity(stretches.len());
    for s in stretches {
        let r = response(s, drive, tau);
        let start = best_start(s, &r, lifts);
        let e = residual(s, &r, lifts, start);
        sum += dot(&e, &e);
        starts.push(start);
    }
    (sum, starts)
}

/// Columns of the Jacobian (lifts, logarithm of the time constant) with the start projected out, the residuals, and for the
/// start: the square of its own column and the share of each column that it takes over.
#[expect(clippy::type_complexity, reason = "three parts of one computation, used twice")]
fn jacobian(s: &Stretch, drive: Drive, tau: f64, lifts: &[f64]) -> (Vec<Vec<f64>>, Vec<f64>, (f64, Vec<f64>)) {
    let r = response(s, drive, tau);
    let start = best_start(s, &r, lifts);
    // Central difference over a relative step whose error (1e-12) and rounding (1e-10) are far below what matters.
    const STEP: f64 = 1e-6;
    let up = residual(s, &response(s, drive, tau * (1.0 + STEP)), lifts, start);
    let down = residual(s, &response(s, drive, tau * (1.0 - STEP)), lifts, start);
    let slope: Vec<f64> = up.iter().zip(&down).map(|(u, d)| (d - u) / (2.0 * STEP)).collect();
    let mut columns = r.lifts.clone();
    columns.push(slope);
    let own = dot(&r.decay, &r.decay);
    let shares = columns.iter().map(|c| -dot(c, &r.decay) / own).collect();
    let projected = columns.iter().map(|c| without(c, &r.decay)).collect();
    (projected, residual(s, &r, lifts, start), (own, shares))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::thermal::means::{LONGEST_WAIT, Mean, stretches};
    use crate::analysis::thermal::predict::{Heating, box_range};
    use crate::analysis::thermal::response::simulate;
    use crate::model::UnixMs;
    use rand::{RngExt, SeedableRng};
    use rand_xoshiro::Xoshiro256PlusPlus;

    /// Invented nights: an outside curve that falls and wavers, a box with noise, lifts that differ from night to night (wind),
    /// holes, and unequal steps.
    fn season(nights: usize, tau: f64, lift: f64, heater: f64, seed: u64) -> Vec<Stretch> {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let mut normal = move || {
            let (a, b): (f64, f64) = (rng.random::<f64>(), rng.random::<f64>());
            (-2.0 * (1.0 - a).ln()).sqrt() * (std::f64::consts::TAU * b).cos()
        };
        let mut all = Vec::new();
        for night in 0..nights {
            let (mean, fall, wave) = (3.0 * normal(), 4.0 + normal(), 1.5 * normal());
            let t: Vec<f64> = (0..72).map(|i| f64::from(i) * 600.0).collect();
            let outside: Vec<f64> =
                t.iter().map(|t| mean - fall * t / 43_200.0 + wave * (t / 5000.0).sin() + 0.05 * normal()).collect();
            let heat: Vec<f64> = t.iter().map(|t| f64::from(u8::from((t / 9000.0) as i64 % 2 == 1))).collect();
            let tonight = lift + 0.3 * normal();
            let warmed: Vec<f64> = heat.iter().map(|h| tonight + heater * h).collect();
            let course = simulate(&t, &outside, &warmed, mean + 2.0, 1.0, tau).unwrap();
            let box_means: Vec<Mean> = t
                .iter()
                .zip(course)
                .enumerate()
                // A hole of an hour, and every seventh reading missing.
                .filter(|(i, _)| !(30..36).contains(i) && i % 7 != 3)
                .map(|(_, (t, c))| Mean { at: UnixMs((t * 1000.0) as i64), value: c + 0.05 * normal() })
                .collect();
            let outside: Vec<Mean> =
                t.iter().zip(&outside).map(|(t, c)| Mean { at: UnixMs((t * 1000.0) as i64), value: *c }).collect();
            let states: Vec<(UnixMs, f64)> =
                t.iter().zip(&heat).map(|(t, h)| (UnixMs((t * 1000.0) as i64), *h)).collect();
            all.extend(stretches(night, &outside, &box_means, Some(&states), LONGEST_WAIT).unwrap());
        }
        all
    }

    #[test]
    fn a_season_gives_back_what_it_was_made_of() {
        let s = season(14, 5400.0, 3.0, 6.0, 7);
        assert!(s.len() >= 28, "the holes part the nights");
        let f = fit_season(&s, 1).unwrap();
        assert_eq!((f.drive, f.nights), (Drive::SteadyAndHeater, 14));
        let n = f.by_nights.unwrap();
        for (what, got, se, truth) in [
            ("tau", f.tau_s.value, n.tau_s.se, 5400.0),
            ("lift", f.lift_without_heater(), n.steady.unwrap().se, 3.0),
            ("heater", f.heater.unwrap().value, n.heater.unwrap().se, 6.0),
        ] {
            assert!((got - truth).abs() < 4.0 * se, "{what}: {got} ± {se}");
        }
        // Nights differ, so errors from residuals alone are too small; resampling nights sees it.
        assert!(n.steady.unwrap().se > 2.0 * f.steady.unwrap().se, "{f:?}");
        assert_eq!(fit_season(&s, 1).unwrap(), f, "the same seed gives the same answer");
        let range = box_range(&f, -5.0, 10.0, Heating::On, 0.95).unwrap();
        assert!((range.coldest.celsius - 4.0).abs() < 0.5 && range.coldest.band.contains(4.0));
        assert!(range.daily_swing.low > range.coldest.celsius);
        assert!(box_range(&f, 5.0, -5.0, Heating::Off, 0.95).is_err());
    }

    #[test]
    fn another_unit_of_temperature_changes_only_the_lift() {
        let s = season(5, 3000.0, 4.0, 5.0, 3);
        let mut warm = s.clone();
        for s in &mut warm {
            for v in s.outside.iter_mut().chain(&mut s.inside) {
                *v = *v * 1.8 + 32.0;
            }
        }
        let (c, f) = (fit_season(&s, 5).unwrap(), fit_season(&warm, 5).unwrap());
        assert!((f.tau_s.value / c.tau_s.value - 1.0).abs() < 1e-6);
        assert!((f.lift_with_heater() / c.lift_with_heater() / 1.8 - 1.0).abs() < 1e-6);
        assert!((f.lift_se() / c.lift_se() / 1.8 - 1.0).abs() < 1e-4);
    }

    #[test]
    fn a_heater_that_never_switches_is_one_lift() {
        let mut s = season(4, 3000.0, 4.0, 0.0, 11);
        s.iter_mut().for_each(|s| s.heater.iter_mut().for_each(|h| *h = 1.0));
        assert_eq!(fit_season(&s, 1).unwrap().drive, Drive::Steady);
        assert!(fit_stretches(&s, Drive::SteadyAndHeater).is_err(), "the two lifts cannot be told apart");
        s.iter_mut().for_each(|s| s.heater.clear());
        let f = fit_season(&s, 1).unwrap();
        assert!((f.lift_with_heater() - 4.0).abs() < 0.6 && f.heater.is_none());
    }

    #[test]
    fn a_record_that_does_not_tell_says_so() {
        let t: Vec<f64> = (0..40).map(|i| f64::from(i) * 600.0).collect();
        let flat = Stretch::new(0, &t, &vec![5.0; 40], &vec![9.0; 40], &[]).unwrap();
        assert!(matches!(fit_season(&[flat], 1), Err(AnalysisError::Undetermined { .. })));
        assert!(fit_season(&[], 1).is_err());
        let short = Stretch::new(0, &t[..3], &[5.0, 4.0, 3.0], &[9.0, 8.5, 8.0], &[]).unwrap();
        assert!(matches!(fit_season(&[short], 1), Err(AnalysisError::TooFew { .. })));
        assert!(Stretch::new(0, &t[..2], &[f64::NAN, 1.0], &[1.0, 1.0], &[]).is_err());
        assert!(Stretch::new(0, &[0.0, 0.0], &[1.0, 1.0], &[1.0, 1.0], &[]).is_err());
    }
}
