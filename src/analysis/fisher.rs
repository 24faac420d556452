//! Tests and odds ratio of a 2×2 table: `[[a, b], [c, d]]`, rows the two groups (cold and warm nights), first column the
//! nights with trouble.
//!
//! Sources: Fisher 1935, *The Design of Experiments*, ch. 2; Cornfield 1956, Proc. Third Berkeley Symp. 4:135–148 (exact
//! limits of the odds ratio from the non-central hypergeometric distribution); Lancaster 1961, J. Am. Stat. Assoc.
//! 56:223–234 (mid-p); Barnard 1945, Nature 156:177; Boschloo 1970, Stat. Neerl. 24:1–35 (unconditional tests, the rows'
//! totals fixed).
//!
//! Up to 120 observations the probabilities are ratios of whole numbers and ties are exact; beyond, ties are judged with a
//! relative slack of 1e-7. Edge cases: a table with an empty row or column has p = 1, no odds ratio, and limits 0 to ∞.

use super::error::{self, AnalysisError, Result};
use super::limits::Limits;
use super::roots;
use super::special::{binomial_pmf, ln_factorial};

/// A 2×2 table of counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Table {
    /// First group, yes.
    pub a: u64,
    /// First group, no.
    pub b: u64,
    /// Second group, yes.
    pub c: u64,
    /// Second group, no.
    pub d: u64,
}

/// p values of Fisher's exact test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FisherTest {
    /// Probability of this very table, its margins given.
    pub point: f64,
    /// P(A ≤ a): against "the odds ratio is below 1".
    pub less: f64,
    /// P(A ≥ a): against "the odds ratio is above 1".
    pub greater: f64,
    /// Two-sided: all tables no more probable than the observed one.
    pub two_sided: f64,
    /// P(A < a) + ½ P(A = a).
    pub mid_less: f64,
    /// P(A > a) + ½ P(A = a).
    pub mid_greater: f64,
    /// Two-sided by point probability, counting half of all tables exactly as probable as the observed one.
    pub mid_two_sided: f64,
    /// Twice the smaller mid-p tail, at most 1.
    pub mid_two_sided_doubled: f64,
}

/// Odds ratio with exact limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OddsRatio {
    /// Conditional maximum likelihood estimate; ∞ at the end of the range, none where a margin is empty.
    pub conditional: Option<f64>,
    /// a d / (b c); ∞ for b c = 0, none for 0 / 0.
    pub sample: Option<f64>,
    /// Exact limits (both tails half of alpha).
    pub limits: Limits,
}

/// Largest number of tables with the same margins that is still worked through.
const MOST_TABLES: u64 = 2_000_000;
/// Largest total for which the numbers of tables fit into 128 bits with room for the recursion.
const EXACT_TOTAL: u64 = 120;

impl Table {
    /// The table `[[a, b], [c, d]]`.
    pub const fn new(a: u64, b: u64, c: u64, d: u64) -> Table {
        Table { a, b, c, d }
    }
    fn rows(self) -> (u64, u64) {
        (self.a + self.b, self.c + self.d)
    }
    /// Smallest and largest first cell that the margins allow.
    fn range(self) -> (u64, u64) {
        let ((n1, n2), yes) = (self.rows(), self.a + self.c);
        (yes.saturating_sub(n2), yes.min(n1))
    }
    fn checked(self) -> Result<Table> {
        let cells = [self.a, self.b, self.c, self.d];
        let (low, high) = if cells.iter().all(|&v| v <= u64::MAX / 8) { self.range() } else { (0, u64::MAX) };
        if high - low >= MOST_TABLES {
            let value = (high - low) as f64;
            return Err(AnalysisError::Range { what: "the range of a table", value, expected: "below 2000000" });
        }
        Ok(self)
    }
}

/// Fisher's exact test.
///
/// # Errors
/// Counts so large that more than two million tables share their margins.
pub fn test(table: Table) -> Result<FisherTest> {
    let t = table.checked()?;
    let (low, _) = t.range();
    let at = (t.a - low) as usize;
    let (n1, n2) = t.rows();
    let p = if n1 + n2 <= EXACT_TOTAL {
        let weights = whole_weights(t);
        let total: u128 = weights.iter().sum();
        let sum = |keep: &dyn Fn(usize) -> bool| {
            weights.iter().enumerate().filter(|(i, _)| keep(*i)).map(|(_, w)| w).sum::<u128>() as f64 / total as f64
        };
        let mine = weights[at];
        [
            mine as f64 / total as f64,
            sum(&|i| i <= at),
            sum(&|i| i >= at),
            sum(&|i| weights[i] <= mine),
            sum(&|i| weights[i] == mine),
        ]
    } else {
        let ln = ln_weights(t);
        let share = normalised(&ln, 0.0);
        let sum = |keep: &dyn Fn(usize) -> bool| (0..share.len()).filter(|&i| keep(i)).map(|i| share[i]).sum::<f64>();
        let same = |i: usize| (ln[i] - ln[at]).abs() <= 1e-7;
        [
            share[at],
            sum(&|i| i <= at).min(1.0),
            sum(&|i| i >= at).min(1.0),
            sum(&|i| ln[i] < ln[at] || same(i)).min(1.0),
            sum(&same),
        ]
    };
    let [point, less, greater, two_sided, as_probable] = p;
    let (mid_less, mid_greater) = (less - 0.5 * point, greater - 0.5 * point);
    Ok(FisherTest {
        point,
        less,
        greater,
        two_sided,
        mid_less,
        mid_greater,
        mid_two_sided: two_sided - 0.5 * as_probable,
        mid_two_sided_doubled: (2.0 * mid_less.min(mid_greater)).min(1.0),
    })
}

/// Conditional maximum likelihood odds ratio with exact limits.
///
/// # Errors
/// As [`test`]; a confidence outside 0 to 1.
pub fn odds_ratio(table: Table, confidence: f64) -> Result<OddsRatio> {
    let t = table.checked()?;
    let half = 0.5 * error::alpha(confidence)?;
    let (ad, bc) = (t.a as f64 * t.d as f64, t.b as f64 * t.c as f64);
    let sample = if bc > 0.0 { Some(ad / bc) } else { (ad > 0.0).then_some(f64::INFINITY) };
    let (low, high) = t.range();
    if low == high {
        return Ok(OddsRatio { conditional: None, sample, limits: Limits::new(0.0, f64::INFINITY) });
    }
    let ln = ln_weights(t);
    let at = (t.a - low) as usize;
    let last = ln.len() - 1;
    // All three are monotone in the logarithm of the odds ratio.
    let solve = |f: &dyn Fn(&[f64]) -> f64| {
        let g = |log_ratio: f64| f(&normalised(&ln, log_ratio));
        let toward = if g(0.0) < 0.0 { 1.0 } else { -1.0 };
        roots::outward(0.0, toward, 1e5, g).map(f64::exp).ok_or(AnalysisError::NoConvergence { what: "the odds ratio" })
    };
    let mean = |p: &[f64]| p.iter().enumerate().map(|(i, p)| i as f64 * p).sum::<f64>();
    Ok(OddsRatio {
        conditional: Some(match at {
            0 => 0.0,
            i if i == last => f64::INFINITY,
            _ => solve(&|p| mean(p) - at as f64)?,
        }),
        sample,
        limits: Limits {
            low: if at == 0 { 0.0 } else { solve(&|p| p[at..].iter().sum::<f64>().ln() - half.ln())? },
            high: if at == last { f64::INFINITY } else { solve(&|p| half.ln() - p[..=at].iter().sum::<f64>().ln())? },
        },
    })
}

/// p values of an unconditional test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unconditional {
    /// Against "the first group has the smaller share".
    pub less: f64,
    /// Against "the first group has the larger share".
    pub greater: f64,
    /// Two-sided: twice the smaller one-sided p value, at most 1.
    pub two_sided: f64,
}

/// Boschloo's test: Fisher's one-sided p value as the statistic, the unknown common share at its worst.
///
/// # Errors
/// More than 2000 observations in a row (the work grows with the square).
pub fn boschloo(table: Table) -> Result<Unconditional> {
    let t = small(table)?;
    let side = |greater: bool| {
        let cut = |t: Table| -> f64 {
            let share = normalised(&ln_weights(t), 0.0);
            let at = (t.a - t.range().0) as usize;
            if greater { share[at..].iter().sum() } else { share[..=at].iter().sum() }
        };
        let observed = cut(t) * (1.0 + 1e-9);
        worst_share(t, |k| {
            // Within one total of yes the tail grows cell by cell: the region is a run from one end.
            let margin = with_total(t, k);
            let share = normalised(&ln_weights(margin), 0.0);
            let mut sum = 0.0;
            let mut region = 0.0;
            for i in 0..share.len() {
                sum += if greater { share[share.len() - 1 - i] } else { share[i] };
                if sum > observed {
                    break;
                }
                region = sum;
            }
            region
        })
    };
    let (less, greater) = (side(false), side(true));
    Ok(Unconditional { less, greater, two_sided: (2.0 * less.min(greater)).min(1.0) })
}

/// Barnard's test with the pooled Wald statistic |z|: two-sided p value, the unknown common share at its worst. Ties of the
/// statistic are judged in whole numbers.
///
/// # Errors
/// More than 2000 observations in a row.
pub fn barnard_two_sided(table: Table) -> Result<f64> {
    let t = small(table)?;
    let (n1, n2) = t.rows();
    // z² is proportional to (x1 n2 − x2 n1)² / (K (N − K)), K the total of yes; 0 where K or N − K is 0.
    let z2 = |x1: u64, x2: u64| -> (u128, u128) {
        let difference = u128::from((x1 * n2).abs_diff(x2 * n1));
        let k = u128::from(x1 + x2);
        let rest = u128::from(n1 + n2) - k;
        (difference * difference, (k * rest).max(1))
    };
    let (top, bottom) = z2(t.a, t.c);
    Ok(worst_share(t, |k| {
        let margin = with_total(t, k);
        let (low, _) = margin.range();
        let share = normalised(&ln_weights(margin), 0.0);
        let as_far = |i: usize| {
            let x1 = low + i as u64;
            let (a, b) = z2(x1, k - x1);
            a * bottom >= top * b
        };
        (0..share.len()).filter(|&i| as_far(i)).map(|i| share[i]).sum::<f64>()
    }))
}

fn small(table: Table) -> Result<Table> {
    let t = table.checked()?;
    let (n1, n2) = t.rows();
    if n1.max(n2) > 2000 {
        let value = n1.max(n2) as f64;
        return Err(AnalysisError::Range { what: "a row's total", value, expected: "at most 2000 for this test" });
    }
    Ok(t)
}

/// The same row totals with `k` yes in all, the first cell as small as it can be.
fn with_total(t: Table, k: u64) -> Table {
    let (n1, n2) = t.rows();
    let a = k.saturating_sub(n2);
    Table { a, b: n1 - a, c: k - a, d: n2 - (k - a) }
}

/// Largest value over the common share of Σ_k Binomial(k; N, share) · region(k), where `region(k)` is the conditional
/// probability of the rejection region given k yes in all.
fn worst_share(t: Table, region: impl Fn(u64) -> f64) -> f64 {
    let (n1, n2) = t.rows();
    let n = n1 + n2;
    if n1 == 0 || n2 == 0 {
        return 1.0;
    }
    let regions: Vec<(u64, f64)> = (0..=n).map(|k| (k, region(k))).filter(|(_, r)| *r > 0.0).collect();
    let value = |p: f64| regions.iter().map(|(k, r)| r * binomial_pmf(*k, n, p)).sum::<f64>();
    // Peaks are no narrower than the binomial's own spread, so this grid cannot step over one.
    let cells = 512.max(4 * n as usize).min(8192);
    let grid: Vec<f64> = (0..=cells).map(|i| value(i as f64 / cells as f64)).collect();
    let best = grid.iter().copied().fold(0.0, f64::max);
    let mut worst = best;
    for i in (1..cells).filter(|&i| grid[i] >= grid[i - 1] && grid[i] >= grid[i + 1] && grid[i] > 0.98 * best) {
        let (mut a, mut b) = ((i - 1) as f64 / cells as f64, (i + 1) as f64 / cells as f64);
        for _ in 0..60 {
            let (c, d) = (a + 0.381_966 * (b - a), b - 0.381_966 * (b - a));
            if value(c) < value(d) { a = c } else { b = d }
        }
        worst = worst.max(value(0.5 * (a + b)));
    }
    worst.min(1.0)
}

/// Numbers of tables with each possible first cell, the margins given: C(n1, a) C(n2, K − a).
fn whole_weights(t: Table) -> Vec<u128> {
    let ((n1, n2), (low, high), yes) = (t.rows(), t.range(), t.a + t.c);
    (low..=high).map(|a| choose(n1, a) * choose(n2, yes - a)).collect()
}

fn choose(n: u64, k: u64) -> u128 {
    (1..=k.min(n - k)).fold(1u128, |c, i| c * u128::from(n - i + 1) / u128::from(i))
}

/// Logarithms of the same numbers, relative to each other.
fn ln_weights(t: Table) -> Vec<f64> {
    let ((n1, n2), (low, high), yes) = (t.rows(), t.range(), t.a + t.c);
    if n1 + n2 <= EXACT_TOTAL {
        return (low..=high).map(|a| (choose(n1, a) as f64).ln() + (choose(n2, yes - a) as f64).ln()).collect();
    }
    let ln_choose = |n: u64, k: u64| ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k);
    (low..=high).map(|a| ln_choose(n1, a) + ln_choose(n2, yes - a)).collect()
}

/// Probabilities from logarithms of weights, tilted by a log odds ratio.
fn normalised(ln: &[f64], log_ratio: f64) -> Vec<f64> {
    let tilted = |i: usize| ln[i] + i as f64 * log_ratio;
    let most = (0..ln.len()).map(tilted).fold(f64::NEG_INFINITY, f64::max);
    let w: Vec<f64> = (0..ln.len()).map(|i| (tilted(i) - most).exp()).collect();
    let total: f64 = w.iter().sum();
    w.into_iter().map(|w| w / total).collect()
}
