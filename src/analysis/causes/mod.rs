//! What the faults go with: every signal against every kind of fault, over all nights.
//!
//! Starts from a [`Season`] and gives one [`Cause`] for each signal and kind, with a verdict and a sentence. How it is done:
//!
//! | step | where |
//! | --- | --- |
//! | the nights as records: at-risk hours and faults; what counts of them for signals that a fault can change | `field`, `evidence` |
//! | averaged likelihood ratio over thresholds and ratios of rates; one value a night: largest standardised excess, exact | [`super::scan`], [`super::maxsel`] |
//! | nights changed about freely inside remedy periods; the same weighted by the season's trend; and inside season blocks | [`super::permute`] |
//! | correction for the search over thresholds, signals and kinds, short list and suspects first | [`super::stepdown`] |
//! | what moved together | `entangled` |
//! | rates, ratio, nights on either side, logistic fit: description only | `describe` |
//! | words | `words` |
//!
//! Verdicts (level 0.05): a signal is blamed when the free way, corrected for the search, speaks and two others confirm it: within
//! blocks, and over the whole season with its trend taken out. They search nothing: they are corrected only for having been asked
//! about several signals, if the free way found several.
//! What they do not confirm cannot be told apart from the season; the day in the season never can. Signals of the second rank are
//! never more than worth watching.

mod describe;
mod entangled;
mod evidence;
mod field;
mod result;
mod search;
#[cfg(test)]
mod tests;
pub(super) mod words;

pub use evidence::Evidence;
pub use result::{
    Cause, Causes, Direction, HourlyRate, KindCount, NightCounts, NightFigure, NightModel, RateRatio, Statistics,
    Verdict,
};

use super::season::{Rank, SEASON_DAY, Season};
use crate::config::model::TemperatureScale;
use crate::model::FaultKind;
use describe::Split;
use field::{Candidate, Field};
use rayon::prelude::*;
use search::{Found, Shuffles};

/// How the judging is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Seed of all random numbers.
    pub seed: u64,
    /// Number of permutations.
    pub permutations: usize,
    /// Nights in a season block, about.
    pub block: usize,
    /// Test by the largest likelihood ratio instead of the averaged one. For comparison only: it finds less.
    pub by_largest: bool,
}

impl Default for Options {
    fn default() -> Options {
        Options { seed: 1, permutations: 2000, block: 12, by_largest: false }
    }
}

/// Told how far the work is: steps done, steps in all. May be called from several threads.
pub type Progress<'a> = &'a (dyn Fn(usize, usize) + Sync);

/// Fewest faults of a kind that is tested by itself.
pub const FEWEST: usize = 4;
/// Level of all tests.
const LEVEL: f64 = 0.05;

/// Judges every signal for all faults and for each kind with at least four of them (a kind that is the only one is not tested a
/// second time: it is "all").
pub fn judge(season: &Season, options: &Options, progress: Progress<'_>) -> Causes {
    let field = Field::new(season);
    let counted = count_kinds(&field);
    let trouble = field.trouble(None);
    let troubled = trouble.iter().filter(|t| **t).count();
    let faults = field.kinds.len();
    let mut statistics = Statistics {
        seed: options.seed,
        permutations: options.permutations,
        nights: field.nights.len(),
        trouble_nights: troubled,
        faults,
        at_risk_hours: field.nights.iter().map(|&n| season.nights[n].at_risk_hours).sum(),
        periods: field.period.iter().max().map_or(0, |m| m + 1),
        trend: 1.0,
        smallest_p: 1.0,
        ..Statistics::default()
    };
    let nothing = match () {
        () if field.nights.is_empty() => Some("There is no night with a session yet, so there is nothing to compare."),
        () if faults == 0 => Some("There was no fault yet: nothing to look for."),
        () if field.nights.len() < 4 => Some("Fewer than four nights: nothing can be told from so few."),
        () => None,
    };
    if nothing.is_some() {
        return Causes { counted, statistics, nothing: nothing.map(Into::into), ..Causes::default() };
    }
    let candidates = field.candidates(season);
    let mut kinds: Vec<Option<FaultKind>> = vec![None];
    if faults >= FEWEST {
        kinds.extend(counted.iter().filter(|k| k.tested && k.faults < faults).map(|k| Some(k.kind)));
    }
    let shuffles = Shuffles::new(&field, options);
    statistics.blocks = shuffles.blocked.plan.strata.iter().max().map_or(0, |m| m + 1);
    statistics.trend = match (shuffles.blocked.plan.rate.first(), shuffles.blocked.plan.rate.last()) {
        (Some(a), Some(b)) => b / a,
        _ => 1.0,
    };
    statistics.smallest_p = shuffles.smallest_p(&trouble);
    let begins = field.all.begins_burst();
    statistics.bursts = begins.iter().filter(|b| !**b).count() as f64 > 0.15 * faults as f64;
    let found = search::search(&field, &candidates, &kinds, &shuffles, progress);
    statistics.power_twelvefold = found
        .iter()
        .filter(|f| f.kind == 0 && candidates[f.candidate].rank != Rank::Rest)
        .map(|f| f.power)
        .fold(0.0, f64::max);
    statistics.left_out = (0..candidates.len())
        .filter(|&i| !found.iter().any(|f| f.candidate == i))
        .map(|i| candidates[i].name.clone())
        .collect();
    let splits: Vec<Option<Split>> = found
        .par_iter()
        .map(|f| describe::best_split(&field, &candidates[f.candidate], kinds[f.kind], &shuffles))
        .collect();
    let judged = Judged { field: &field, candidates: &candidates, kinds: &kinds, found: &found, splits: &splits };
    let mut causes: Vec<Cause> = (0..found.len())
        .into_par_iter()
        .map(|t| judged.cause(t, statistics.smallest_p, statistics.bursts, options.seed))
        .collect();
    causes.sort_by(|a, b| {
        let key = |c: &Cause| (!c.verdict.blames(), c.rank == Rank::Rest);
        key(a)
            .cmp(&key(b))
            .then(a.p_value_adjusted.total_cmp(&b.p_value_adjusted))
            .then(a.p_value_blocked.total_cmp(&b.p_value_blocked))
    });
    Causes { causes, counted, statistics, nothing: None }
}

fn count_kinds(field: &Field) -> Vec<KindCount> {
    let mut out: Vec<KindCount> = FaultKind::ALL
        .into_iter()
        .map(|kind| {
            let faults = field.kinds.iter().filter(|k| **k == kind).count();
            let nights = field.trouble(Some(kind)).iter().filter(|t| **t).count();
            KindCount { kind, faults, nights, tested: faults >= FEWEST }
        })
        .filter(|k| k.faults > 0)
        .collect();
    out.sort_by_key(|k| std::cmp::Reverse(k.faults));
    out
}

/// What the search gave, for the verdicts.
struct Judged<'a> {
    field: &'a Field,
    candidates: &'a [Candidate],
    kinds: &'a [Option<FaultKind>],
    found: &'a [Found],
    splits: &'a [Option<Split>],
}

impl Judged<'_> {
    /// Found by the corrected search and confirmed in blocks.
    fn speaks(&self, f: &Found) -> bool {
        f.adjusted_free.max(f.confirmed) <= LEVEL
    }

    fn of(&self, t: usize) -> &Candidate {
        &self.candidates[self.found[t].candidate]
    }

    /// Tests (of the same kind) whose signal could stand for that of test `t`.
    fn companions(&self, t: usize) -> Vec<usize> {
        let (f, a) = (&self.found[t], self.of(t));
        let Some(split) = self.splits[t] else { return Vec::new() };
        (0..self.found.len())
            .filter(|&o| o != t && self.found[o].kind == f.kind)
            .filter(|&o| {
                let (g, b) = (&self.found[o], self.of(o));
                let Some(by) = self.splits[o] else { return false };
                // What says nothing by itself cannot stand for something that does; the day in the season is dealt with by the blocks.
                g.p_free.min(g.p_blocked) <= LEVEL
                    && b.rank != Rank::Rest
                    && b.name.as_str() != SEASON_DAY
                    && entangled::added(self.field, a, split, b, by, self.kinds[f.kind]) < entangled::NOTHING_ADDED
            })
            .collect()
    }

    fn verdict(&self, t: usize, companions: &[usize], smallest_p: f64) -> Verdict {
        let (f, c) = (&self.found[t], self.of(t));
        let both = f.p_free <= LEVEL && f.p_blocked <= LEVEL;
        if smallest_p > LEVEL {
            return Verdict::NotEnoughNights;
        }
        if c.rank == Rank::Rest {
            if self.speaks(f) {
                return Verdict::WorthWatching;
            }
        } else if f.adjusted_free <= LEVEL && (f.confirmed > LEVEL || c.name.as_str() == SEASON_DAY) {
            return Verdict::Season;
        } else if self.speaks(f) {
            return if companions.is_empty() { Verdict::GoesWithFaults } else { Verdict::Inseparable };
        } else if both {
            return Verdict::WorthWatching;
        }
        if !both && describe::threefold_excluded(self.field, c, self.kinds[f.kind]) {
            Verdict::NoSign
        } else {
            Verdict::NotEnoughNights
        }
    }

    fn cause(&self, t: usize, smallest_p: f64, bursts: bool, seed: u64) -> Cause {
        let (f, c) = (&self.found[t], self.of(t));
        let kind = self.kinds[f.kind];
        let companions = if self.speaks(f) { self.companions(t) } else { Vec::new() };
        let verdict = self.verdict(t, &companions, smallest_p);
        let split = self.splits[t].unwrap_or(Split { at: f64::NAN, direction: Direction::Below, ratio: 0.0 });
        let constant = search::trace(self.field, c, 2).constant;
        let figure = describe::figure(c, constant, split.direction);
        let (x, trouble) = describe::night_figures(self.field, c, kind, figure);
        let rates = describe::rates(self.field, c, kind, split, bursts, seed);
        let mut cause = Cause {
            signal: c.name.clone(),
            what: c.what.clone(),
            unit: c.unit,
            rank: c.rank,
            kind,
            evidence: c.evidence,
            figure,
            direction: split.direction,
            threshold: self.splits[t].map(|s| s.at),
            p_value: f.p_free,
            p_value_blocked: f.p_blocked,
            p_value_trend: f.p_trended,
            p_value_adjusted: f.adjusted_free.max(f.confirmed),
            p_adjusted_free: f.adjusted_free,
            p_adjusted_blocked: f.adjusted_blocked,
            power_twelvefold: f.power,
            rate_beyond: rates.beyond,
            rate_within: rates.within,
            rate_ratio: rates.ratio,
            night_model: describe::night_model(&x, &trouble),
            inseparable_from: companions.iter().map(|&o| self.of(o).name.clone()).collect(),
            moved_with: companions.iter().map(|&o| self.of(o).what.clone()).collect(),
            verdict,
            nights: describe::night_counts(&x, &trouble, split),
            sentence: String::new(),
        };
        cause.sentence = cause.say(TemperatureScale::Celsius);
        cause
    }
}
