//! Errors of the box's figures by resampling nights with replacement (Efron 1979, Ann. Stat. 7:1–26): the night is the unit,
//! because readings within one night are not independent.

use super::fit::{Drive, Gram, Solution, gram, solve};
use super::means::Stretch;
use crate::analysis::limits::Limits;
use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Number of resampled seasons.
pub const REPLICATES: usize = 1000;
/// Nights from which on resampling says something.
pub const FEWEST_NIGHTS: usize = 3;

/// A figure by resampling nights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resampled {
    /// Standard deviation over the resampled seasons.
    pub se: f64,
    /// Their middle 95 %.
    pub limits: Limits,
}

/// Errors by resampling nights.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NightErrors {
    /// Of the time constant, in s.
    pub tau_s: Resampled,
    /// Of the lift without heater; none where it is not fitted.
    pub steady: Option<Resampled>,
    /// Of the lift that the heater adds; none where it is not fitted.
    pub heater: Option<Resampled>,
    /// Of the lift with the heater on all the time.
    pub heated: Resampled,
    /// Number of resampled seasons.
    pub replicates: usize,
    /// How many of them could not tell the time constant within a factor of 6; many mean: do not trust it.
    pub at_edge: usize,
    /// Seed that was used.
    pub seed: u64,
}

/// Errors by resampling nights with replacement; none below [`FEWEST_NIGHTS`]. For every night the sums are laid down once over a
/// fine grid of time constants, so a resampled season only adds them up.
pub(super) fn resample(
    stretches: &[Stretch],
    drive: Drive,
    tau: f64,
    seed: u64,
    replicates: usize,
) -> Option<NightErrors> {
    const CELLS: usize = 150;
    let (low, high) = ((tau / 6.0).ln(), (tau * 6.0).ln());
    let grid: Vec<f64> = (0..=CELLS).map(|i| low + (high - low) * i as f64 / CELLS as f64).collect();
    let mut names: Vec<usize> = stretches.iter().map(|s| s.night).collect();
    names.sort_unstable();
    names.dedup();
    if names.len() < FEWEST_NIGHTS {
        return None;
    }
    let tables: Vec<Vec<Gram>> = names
        .iter()
        .map(|name| {
            let mine: Vec<&Stretch> = stretches.iter().filter(|s| s.night == *name).collect();
            let sum = |tau: f64| {
                let mut g = Gram::default();
                for s in &mine {
                    g.add(&gram(s, drive, tau));
                }
                g
            };
            grid.iter().map(|l| sum(l.exp())).collect()
        })
        .collect();
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let (mut taus, mut firsts, mut seconds, mut at_edge) = (Vec::new(), Vec::new(), Vec::new(), 0);
    for _ in 0..replicates {
        let mut season = vec![Gram::default(); CELLS + 1];
        for _ in 0..tables.len() {
            let night = &tables[rng.random_range(0..tables.len())];
            season.iter_mut().zip(night).for_each(|(s, n)| s.add(n));
        }
        let solved: Vec<Option<Solution>> = season.iter().map(solve).collect();
        let rss = |i: usize| solved[i].as_ref().map_or(f64::INFINITY, |s| s.rss);
        let best = (0..=CELLS).min_by(|&i, &j| rss(i).total_cmp(&rss(j))).unwrap_or(0);
        let Some(at) = solved[best].as_ref() else {
            at_edge += 1;
            continue;
        };
        // A parabola through the lowest point and its neighbours.
        let around = (best > 0 && best < CELLS).then(|| (solved[best - 1].as_ref(), solved[best + 1].as_ref()));
        let Some((Some(before), Some(after))) = around else {
            at_edge += 1;
            taus.push(grid[best].exp());
            firsts.push(at.lifts[0]);
            seconds.push(at.lifts[1]);
            continue;
        };
        let bend = before.rss - 2.0 * at.rss + after.rss;
        let x = if bend > 0.0 { (0.5 * (before.rss - after.rss) / bend).clamp(-0.5, 0.5) } else { 0.0 };
        let between = |a: f64, b: f64, c: f64| b + 0.5 * x * (c - a) + 0.5 * x * x * (a - 2.0 * b + c);
        taus.push((grid[best] + x * (grid[1] - grid[0])).exp());
        firsts.push(between(before.lifts[0], at.lifts[0], after.lifts[0]));
        seconds.push(between(before.lifts[1], at.lifts[1], after.lifts[1]));
    }
    let tau_s = spread(&mut taus)?;
    let mut sums: Vec<f64> = match drive {
        Drive::SteadyAndHeater => firsts.iter().zip(&seconds).map(|(a, b)| a + b).collect(),
        _ => firsts.clone(),
    };
    let heated = spread(&mut sums)?;
    let (first, second) = (spread(&mut firsts), spread(&mut seconds));
    let (steady, heater) = match drive {
        Drive::Steady => (first, None),
        Drive::Heater => (None, first),
        Drive::SteadyAndHeater => (first, second),
    };
    Some(NightErrors { tau_s, steady, heater, heated, replicates, at_edge, seed })
}

fn spread(values: &mut [f64]) -> Option<Resampled> {
    if values.len() < 20 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let se = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    values.sort_by(f64::total_cmp);
    let at = |share: f64| values[((n - 1.0) * share).round() as usize];
    Some(Resampled { se, limits: Limits::new(at(0.025), at(0.975)) })
}
