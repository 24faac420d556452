//! The search itself: every candidate against every kind, nights changed about freely and in blocks, corrected for the search.

use super::field::{Candidate, Field};
use super::{LEVEL, Options, Progress};
use crate::analysis::maxsel;
use crate::analysis::permute::{Arrangement, Plan, blocks, groups, trend};
use crate::analysis::scan::{Laying, Trace};
use crate::analysis::season::{Rank, SEASON_DAY};
use crate::analysis::special::{binomial_upper, ln_factorial};
use crate::analysis::stepdown::{ranks, step_down};
use crate::model::FaultKind;
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Thresholds tried for each signal in the tests.
const CUTS: usize = 24;
/// Least share of at-risk hours on either side of a threshold.
const MIN_SHARE: f64 = 0.08;
/// Share of hours beyond a threshold, and factor there, for which the power is given.
const POWER_SHARE: f64 = 0.3;
const POWER_FACTOR: f64 = 12.0;
/// The blocked p is raised by so much, since a trend that is fitted leaves a little over inside a block: without it more than one in
/// twenty of the seasons that cool while a contact wears out blames something, a third of them the cold.
const LEFT_OVER: f64 = 2.0;

/// Nights that may change places, freely and in blocks, with their arrangements.
pub(super) struct Shuffles {
    by_largest: bool,
    pub free: Plan,
    pub blocked: Plan,
    free_all: Vec<Arrangement>,
    free_inside: Vec<Arrangement>,
    blocked_all: Vec<Arrangement>,
    blocked_inside: Vec<Arrangement>,
}

impl Shuffles {
    pub(super) fn new(field: &Field, options: &Options) -> Shuffles {
        let free = Plan { strata: field.period.clone(), rate: vec![1.0; field.nights.len()] };
        let blocked =
            Plan { strata: blocks(&field.period, options.block), rate: trend(&field.days, &field.period, &field.all) };
        let free_all = field.all.arrangements(&free, options.permutations, options.seed);
        let blocked_all = field.all.arrangements(&blocked, options.permutations, options.seed ^ 0x5EA5);
        Shuffles {
            by_largest: options.by_largest,
            free_inside: field.inside.follow(&field.all, &free_all, &field.first),
            blocked_inside: field.inside.follow(&field.all, &blocked_all, &field.first),
            free,
            blocked,
            free_all,
            blocked_all,
        }
    }

    /// Smallest p that these nights can give: one over the number of ways to place the trouble nights within blocks; or, where
    /// faults can also fall elsewhere in the same nights, the chance that all of them fall into the worse third of the hours.
    pub(super) fn smallest_p(&self, trouble: &[bool]) -> f64 {
        let ways: f64 = groups(&self.blocked.strata)
            .iter()
            .map(|g| {
                let k = g.iter().filter(|&&i| trouble[i]).count();
                ln_factorial(g.len() as u64) - ln_factorial(k as u64) - ln_factorial((g.len() - k) as u64)
            })
            .sum();
        let elsewhere = POWER_SHARE.powi(trouble.iter().filter(|t| **t).count().min(60) as i32);
        (-ways).exp().min(elsewhere)
    }
}

/// What the search found for one candidate and kind.
pub(super) struct Found {
    /// Index of the candidate.
    pub candidate: usize,
    /// Index of the kind in the list of kinds.
    pub kind: usize,
    pub p_free: f64,
    pub p_blocked: f64,
    pub adjusted_free: f64,
    pub adjusted_blocked: f64,
    /// The blocked p corrected for all that the free way found, and raised for what the fitted trend leaves over.
    pub confirmed: f64,
    /// Probability of finding a twelvefold rate.
    pub power: f64,
}

struct Scanned {
    found: Found,
    free: Vec<f64>,
    blocked: Vec<f64>,
}

/// Tests all; candidates that do not vary give nothing.
pub(super) fn search(
    field: &Field,
    candidates: &[Candidate],
    kinds: &[Option<FaultKind>],
    shuffles: &Shuffles,
    progress: Progress<'_>,
) -> Vec<Found> {
    let done = AtomicUsize::new(0);
    let first_rank = candidates.iter().filter(|c| c.rank != Rank::Rest).count() * kinds.len();
    let scanned: Vec<Scanned> = candidates
        .par_iter()
        .enumerate()
        .flat_map_iter(|(i, c)| {
            let out = one(field, i, c, kinds, shuffles, first_rank.max(1));
            progress(done.fetch_add(1, Ordering::Relaxed) + 1, candidates.len());
            out
        })
        .collect();
    let mut found: Vec<Found> = Vec::with_capacity(scanned.len());
    let (mut free, mut blocked) = (Vec::new(), Vec::new());
    for s in scanned {
        found.push(s.found);
        free.push(s.free);
        blocked.push(s.blocked);
    }
    correct(&mut found, candidates, &free, &blocked);
    found
}

/// Corrects for the search. `free[t]`, `blocked[t]`: p of test `t` in each arrangement.
fn correct(found: &mut [Found], candidates: &[Candidate], free: &[Vec<f64>], blocked: &[Vec<f64>]) {
    let everything: Vec<usize> = (0..found.len()).collect();
    let of = |t: usize| &candidates[found[t].candidate];
    let short: Vec<usize> = everything.iter().copied().filter(|&t| of(t).rank != Rank::Rest).collect();
    let days: Vec<bool> = everything.iter().map(|&t| of(t).name.as_str() == SEASON_DAY).collect();
    // The day in the season is never blamed, so nothing has to pay for having asked about it.
    let blamable: Vec<usize> = short.iter().copied().filter(|&t| !days[t]).collect();
    // The short list and the suspects among themselves; the rest pays for the whole search.
    for family in [&everything, &short, &blamable] {
        for ((&t, f), b) in family.iter().zip(corrected(free, family)).zip(corrected(blocked, family)) {
            (found[t].adjusted_free, found[t].adjusted_blocked) = (f, b);
        }
    }
    // The blocked way is asked only about what the free way found: no more than that is corrected for.
    let spoken = |family: &[usize]| -> Vec<usize> {
        family.iter().copied().filter(|&t| found[t].adjusted_free <= LEVEL && !days[t]).collect()
    };
    for family in [spoken(&everything), spoken(&short)] {
        for (&t, p) in family.iter().zip(corrected(blocked, &family)) {
            found[t].confirmed = raised(p);
        }
    }
}

/// The p of these tests, corrected for there being several. A share of random arrangements has a chance error of its own; twice
/// that is added, so that another seed would seldom judge otherwise.
fn corrected(p: &[Vec<f64>], family: &[usize]) -> Vec<f64> {
    let of: Vec<Vec<f64>> = family.iter().map(|&t| p[t].clone()).collect();
    let n = of.first().map_or(1, Vec::len) as f64;
    step_down(&of).into_iter().map(|p| (p + 2.0 * (p * (1.0 - p) / n).sqrt()).min(1.0)).collect()
}

/// A blocked p, raised for what the fitted trend leaves over.
fn raised(p: f64) -> f64 {
    (p * LEFT_OVER).min(1.0)
}

fn one(
    field: &Field,
    index: usize,
    c: &Candidate,
    kinds: &[Option<FaultKind>],
    shuffles: &Shuffles,
    tests: usize,
) -> Vec<Scanned> {
    let records = field.records(c);
    let t = trace(field, c, CUTS);
    if t.cuts.is_empty() {
        return Vec::new();
    }
    let sets: Vec<Vec<bool>> = kinds.iter().map(|k| field.set(c.inside(), *k)).collect();
    let (free, blocked) = if c.inside() {
        (&shuffles.free_inside, &shuffles.blocked_inside)
    } else {
        (&shuffles.free_all, &shuffles.blocked_all)
    };
    let statistic = |plan: &Plan, all: &[Arrangement]| -> Vec<Vec<f64>> {
        if shuffles.by_largest {
            t.largest(records, plan, all, &sets)
        } else if t.constant && c.laying == Laying::Moved {
            sets.iter()
                .map(|set| {
                    let u = t.excess(records, plan, all, set);
                    t.standardised(&u, &t.spread(&u))
                })
                .collect()
        } else {
            t.averaged(records, plan, all, &sets)
        }
    };
    let few = &blocked[..blocked.len().min(400)];
    let largest = t.largest(records, &shuffles.blocked, few, &sets);
    statistic(&shuffles.free, free)
        .into_iter()
        .zip(statistic(&shuffles.blocked, blocked))
        .zip(largest)
        .enumerate()
        .map(|(kind, ((f, b), l))| {
            let (free, blocked) = (ranks(&f), ranks(&b));
            let exact = if t.constant { exact(field, c, kinds[kind]) } else { None };
            let count = sets[kind].iter().filter(|x| **x).count();
            Scanned {
                found: Found {
                    candidate: index,
                    kind,
                    p_free: exact.map_or(free[0], |b| b.p),
                    p_blocked: blocked[0],
                    adjusted_free: 1.0,
                    adjusted_blocked: 1.0,
                    confirmed: raised(blocked[0]),
                    power: power(&l, count, tests),
                },
                free,
                blocked,
            }
        })
        .collect()
}

/// A candidate prepared for the scan.
pub(super) fn trace(field: &Field, c: &Candidate, cuts: usize) -> Trace {
    Trace::new(field.records(c), &c.values, cuts, MIN_SHARE, c.side, c.laying)
}

/// The exact probability of the best cut between trouble and quiet nights, for a signal with one value a night and quiet nights of
/// much the same length. None otherwise.
pub(super) fn exact(field: &Field, c: &Candidate, kind: Option<FaultKind>) -> Option<maxsel::BestCut> {
    if field.period.iter().any(|p| *p != 0) || c.laying == Laying::Dealt {
        return None;
    }
    let trouble = field.trouble(kind);
    let any = field.trouble(None);
    let quiet: Vec<f64> = (0..any.len()).filter(|&i| !any[i]).map(|i| field.all.hours[i]).collect();
    let mean = quiet.iter().sum::<f64>() / quiet.len().max(1) as f64;
    let spread = (quiet.iter().map(|h| (h - mean).powi(2)).sum::<f64>() / quiet.len().max(1) as f64).sqrt();
    if spread > 0.25 * mean {
        return None;
    }
    let known: Vec<usize> = (0..trouble.len()).filter(|&i| c.figures[i].is_some()).collect();
    let x: Vec<f64> = known.iter().filter_map(|&i| c.figures[i].map(|f| f.mean)).collect();
    let y: Vec<bool> = known.iter().map(|&i| trouble[i]).collect();
    maxsel::best_cut(&x, &y, 1).ok()
}

/// Probability of finding a twelvefold rate beyond a threshold that 30 % of the hours pass, with `count` faults: the share of
/// outcomes whose likelihood ratio reaches the level that the permutations of this signal ask for (0.05 over all tests of the
/// first rank).
fn power(largest: &[f64], count: usize, tests: usize) -> f64 {
    if count == 0 || largest.len() < 2 {
        return 0.0;
    }
    let mut null: Vec<f64> = largest[1..].to_vec();
    null.sort_by(f64::total_cmp);
    let at = ((1.0 - 0.05 / tests as f64) * null.len() as f64) as usize;
    let asked = null[at.min(null.len() - 1)].max(1e-6);
    let expected = POWER_SHARE * count as f64;
    let need = (0..=count)
        .find(|&n| n as f64 > expected && crate::analysis::scan::log_ratio(n as f64, expected, count as f64) >= asked);
    let share = POWER_FACTOR * POWER_SHARE / (POWER_FACTOR * POWER_SHARE + 1.0 - POWER_SHARE);
    need.map_or(0.0, |n| binomial_upper(n as u64, count as u64, share))
}
