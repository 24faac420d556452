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
/// Variances of the prior on the trend of the season: inside blocks it has little left to do; over the whole season it must follow
/// a contact that wears out.
const BLOCK_TREND: f64 = 2.0;
const SEASON_TREND: f64 = 8.0;

/// One way in which nights change places, with its arrangements.
pub(super) struct Way {
    pub plan: Plan,
    all: Vec<Arrangement>,
    inside: Vec<Arrangement>,
}

impl Way {
    fn new(field: &Field, plan: Plan, count: usize, seed: u64) -> Way {
        let all = field.all.arrangements(&plan, count, seed);
        Way { inside: field.inside.follow(&field.all, &all, &field.first), plan, all }
    }

    /// The arrangements of the records that a candidate is judged on.
    fn of(&self, c: &Candidate) -> &[Arrangement] {
        if c.inside() { &self.inside } else { &self.all }
    }
}

/// The ways in which nights change places.
pub(super) struct Shuffles {
    by_largest: bool,
    /// Over the whole season.
    pub free: Way,
    /// Within season blocks, weighted by the trend.
    pub blocked: Way,
    /// Over the whole season, weighted by the trend.
    trended: Way,
}

impl Shuffles {
    pub(super) fn new(field: &Field, options: &Options) -> Shuffles {
        let trend = |variance| trend(&field.days, &field.period, &field.all, variance);
        let way = |strata, rate, seed| Way::new(field, Plan { strata, rate }, options.permutations, seed);
        Shuffles {
            by_largest: options.by_largest,
            free: way(field.period.clone(), vec![1.0; field.nights.len()], options.seed),
            blocked: way(blocks(&field.period, options.block), trend(BLOCK_TREND), options.seed ^ 0x5EA5),
            trended: way(field.period.clone(), trend(SEASON_TREND), options.seed ^ 0x7E4D),
        }
    }

    /// Smallest p that these nights can give: one over the number of ways to place the trouble nights within blocks; or, where
    /// faults can also fall elsewhere in the same nights, the chance that all of them fall into the worse third of the hours.
    pub(super) fn smallest_p(&self, trouble: &[bool]) -> f64 {
        let ways: f64 = groups(&self.blocked.plan.strata)
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
    pub p_trended: f64,
    pub adjusted_free: f64,
    pub adjusted_blocked: f64,
    /// The larger of what the season leaves of it, corrected for all that the free way found: the blocked p, and the p with the trend
    /// taken out.
    pub confirmed: f64,
    /// Probability of finding a twelvefold rate.
    pub power: f64,
}

struct Scanned {
    found: Found,
    /// p in each arrangement of the three ways.
    free: Vec<f64>,
    blocked: Vec<f64>,
    trended: Vec<f64>,
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
    let (mut free, mut blocked, mut trended) = (Vec::new(), Vec::new(), Vec::new());
    for s in scanned {
        found.push(s.found);
        free.push(s.free);
        blocked.push(s.blocked);
        trended.push(s.trended);
    }
    correct(&mut found, candidates, &free, &blocked, &trended);
    found
}

/// Corrects for the search. `free[t]`, `blocked[t]`, `trended[t]`: p of test `t` in each arrangement.
fn correct(
    found: &mut [Found],
    candidates: &[Candidate],
    free: &[Vec<f64>],
    blocked: &[Vec<f64>],
    trended: &[Vec<f64>],
) {
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
    // The two others are asked only about what the free way found: no more than that is corrected for.
    let spoken = |family: &[usize]| -> Vec<usize> {
        family.iter().copied().filter(|&t| found[t].adjusted_free <= LEVEL && !days[t]).collect()
    };
    for family in [spoken(&everything), spoken(&short)] {
        for ((&t, b), p) in family.iter().zip(corrected(blocked, &family)).zip(corrected(trended, &family)) {
            found[t].confirmed = b.max(p);
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
    let statistic = |way: &Way| -> Vec<Vec<f64>> {
        let (plan, all) = (&way.plan, way.of(c));
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
    let few = shuffles.blocked.of(c);
    let largest = t.largest(records, &shuffles.blocked.plan, &few[..few.len().min(400)], &sets);
    statistic(&shuffles.free)
        .into_iter()
        .zip(statistic(&shuffles.blocked))
        .zip(statistic(&shuffles.trended))
        .zip(largest)
        .enumerate()
        .map(|(kind, (((f, b), s), l))| {
            let (free, blocked, trended) = (ranks(&f), ranks(&b), ranks(&s));
            let exact = if t.constant { exact(field, c, kinds[kind]) } else { None };
            let count = sets[kind].iter().filter(|x| **x).count();
            Scanned {
                found: Found {
                    candidate: index,
                    kind,
                    p_free: exact.map_or(free[0], |b| b.p),
                    p_blocked: blocked[0],
                    p_trended: trended[0],
                    adjusted_free: 1.0,
                    adjusted_blocked: 1.0,
                    confirmed: blocked[0].max(trended[0]),
                    power: power(&l, count, tests),
                },
                free,
                blocked,
                trended,
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
