//! Shares: limits of a binomial proportion and exact tests against a stated one.
//!
//! Sources: Clopper & Pearson 1934, Biometrika 26:404–413; Wilson 1927, J. Am. Stat. Assoc. 22:209–212 (no continuity
//! correction); Newcombe 1998, Stat. Med. 17:857–872 (comparison, worked values); Berry & Armitage 1995, Statistician
//! 44:417–423 (mid-p); Brown, Cai & DasGupta 2001, Stat. Sci. 16:101–133 (Jeffreys).
//!
//! Edge cases: no successes give the lower limit 0, all successes the upper limit 1, and the other limit still uses half of
//! alpha; no trials at all give 0 to 1 (nothing known).

use super::error::{self, AnalysisError, Result};
use super::limits::Limits;
use super::roots;
use super::special::{
    beta_quantile, beta_upper_quantile, binomial_lower, binomial_pmf, binomial_upper, normal_two_sided_quantile,
};

fn counts(successes: u64, trials: u64) -> Result<()> {
    let value = successes as f64;
    if successes <= trials {
        Ok(())
    } else {
        Err(AnalysisError::Range { what: "successes", value, expected: "no more than the trials" })
    }
}

/// Exact (Clopper–Pearson) limits of a share: both tails hold half of alpha.
///
/// # Errors
/// More successes than trials; a confidence outside 0 to 1.
pub fn clopper_pearson(successes: u64, trials: u64, confidence: f64) -> Result<Limits> {
    counts(successes, trials)?;
    let half = 0.5 * error::alpha(confidence)?;
    let (x, rest) = (successes as f64, (trials - successes) as f64);
    Ok(Limits {
        low: if successes == 0 { 0.0 } else { beta_quantile(half, x, rest + 1.0) },
        high: if successes == trials { 1.0 } else { beta_upper_quantile(half, x + 1.0, rest) },
    })
}

/// Exact upper limit of a share when nothing happened in `trials`, one-sided: 1 − alpha^(1/n).
///
/// # Errors
/// A confidence outside 0 to 1.
pub fn zero_upper(trials: u64, confidence: f64) -> Result<f64> {
    let alpha = error::alpha(confidence)?;
    Ok(if trials == 0 { 1.0 } else { -(alpha.ln() / trials as f64).exp_m1() })
}

/// Wilson's score limits, without continuity correction.
///
/// # Errors
/// More successes than trials; a confidence outside 0 to 1.
pub fn wilson(successes: u64, trials: u64, confidence: f64) -> Result<Limits> {
    counts(successes, trials)?;
    error::alpha(confidence)?;
    if trials == 0 {
        return Ok(Limits::new(0.0, 1.0));
    }
    let (x, n) = (successes as f64, trials as f64);
    let z2 = normal_two_sided_quantile(confidence).powi(2);
    let centre = (x + 0.5 * z2) / (n + z2);
    let half = (z2 * (x * (n - x) / n + 0.25 * z2)).sqrt() / (n + z2);
    Ok(Limits {
        low: if successes == 0 { 0.0 } else { centre - half },
        high: if successes == trials { 1.0 } else { centre + half },
    })
}

/// Mid-p limits: half of the probability of the observed count belongs to each tail. Shorter than the exact ones; on
/// average, not always, at the stated confidence.
///
/// # Errors
/// More successes than trials; a confidence outside 0 to 1.
pub fn mid_p(successes: u64, trials: u64, confidence: f64) -> Result<Limits> {
    counts(successes, trials)?;
    let half = 0.5 * error::alpha(confidence)?;
    let point = |p: f64| 0.5 * binomial_pmf(successes, trials, p);
    let root = |f: &dyn Fn(f64) -> f64| {
        roots::between(0.0, 1.0, f).ok_or(AnalysisError::NoConvergence { what: "a mid-p limit of a share" })
    };
    Ok(Limits {
        low: match successes {
            0 => 0.0,
            x => root(&|p| binomial_upper(x, trials, p) - point(p) - half)?,
        },
        high: if successes == trials {
            1.0
        } else {
            root(&|p| binomial_lower(successes, trials, p) - point(p) - half)?
        },
    })
}

/// Equal-tailed limits of the posterior under Jeffreys' prior Beta(½, ½), with 0 and 1 at the ends of the range.
///
/// # Errors
/// More successes than trials; a confidence outside 0 to 1.
pub fn jeffreys(successes: u64, trials: u64, confidence: f64) -> Result<Limits> {
    counts(successes, trials)?;
    let half = 0.5 * error::alpha(confidence)?;
    let (x, rest) = (successes as f64 + 0.5, (trials - successes) as f64 + 0.5);
    Ok(Limits {
        low: if successes == 0 { 0.0 } else { beta_quantile(half, x, rest) },
        high: if successes == trials { 1.0 } else { beta_upper_quantile(half, x, rest) },
    })
}

/// p values of an exact binomial test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BinomialTest {
    /// P(X ≤ x): against "the share is smaller".
    pub less: f64,
    /// P(X ≥ x): against "the share is larger".
    pub greater: f64,
    /// Two-sided: all outcomes that are no more probable than the observed one.
    pub two_sided: f64,
    /// Two-sided: twice the smaller tail, at most 1.
    pub two_sided_doubled: f64,
    /// P(X < x) + ½ P(X = x).
    pub mid_less: f64,
    /// P(X > x) + ½ P(X = x).
    pub mid_greater: f64,
    /// Twice the smaller mid-p tail, at most 1.
    pub mid_two_sided_doubled: f64,
    /// Two-sided by point probability, with half of all outcomes exactly as probable as the observed one.
    pub mid_two_sided: f64,
}

/// Exact test of `successes` out of `trials` against the share `p0` in 0..=1.
///
/// # Errors
/// More successes than trials; `p0` outside 0 to 1.
pub fn test(successes: u64, trials: u64, p0: f64) -> Result<BinomialTest> {
    counts(successes, trials)?;
    if !(0.0..=1.0).contains(&p0) {
        return Err(AnalysisError::Range { what: "the share tested against", value: p0, expected: "0 to 1" });
    }
    let (x, n) = (successes, trials);
    let point = binomial_pmf(x, n, p0);
    let (less, greater) = (binomial_lower(x, n, p0), binomial_upper(x, n, p0));
    let doubled = |a: f64, b: f64| (2.0 * a.min(b)).min(1.0);
    let (mid_less, mid_greater) = ((less - 0.5 * point).max(0.0), (greater - 0.5 * point).max(0.0));
    let (two_sided, equal) = by_point_probability(x, n, p0, point, less, greater);
    Ok(BinomialTest {
        less,
        greater,
        two_sided,
        two_sided_doubled: doubled(less, greater),
        mid_less,
        mid_greater,
        mid_two_sided_doubled: doubled(mid_less, mid_greater),
        mid_two_sided: (two_sided - 0.5 * equal).clamp(0.0, 1.0),
    })
}

/// Sum of the probabilities of all outcomes no more probable than the observed one, and of those as probable. The
/// probabilities fall away from the mode on both sides, so the far boundary is found by halving. A relative slack of 1e-7
/// counts outcomes as equal that only rounding tells apart.
fn by_point_probability(x: u64, n: u64, p0: f64, point: f64, less: f64, greater: f64) -> (f64, f64) {
    let slack = point * (1.0 + 1e-7);
    let pmf = |k: u64| binomial_pmf(k, n, p0);
    let mean = n as f64 * p0;
    let same = |k: u64| if pmf(k) >= point * (1.0 - 1e-7) { pmf(k) } else { 0.0 };
    if x as f64 == mean {
        return (1.0, point);
    }
    if (x as f64) < mean {
        // Smallest k from the mode upwards that is no more probable.
        let (mut low, mut high) = (mean.ceil() as u64, n + 1);
        while low < high {
            let k = low + (high - low) / 2;
            if pmf(k) <= slack { high = k } else { low = k + 1 }
        }
        let low = low.max(x + 1);
        let equal = if low <= n { same(low) } else { 0.0 };
        ((less + binomial_upper(low, n, p0)).min(1.0), point + equal)
    } else {
        // One more than the largest k from the mode downwards that is no more probable.
        let (mut low, mut high) = (0, (mean.floor() as u64 + 1).min(x));
        while low < high {
            let k = low + (high - low) / 2;
            if pmf(k) <= slack { low = k + 1 } else { high = k }
        }
        let (tail, equal) = if low == 0 { (0.0, 0.0) } else { (binomial_lower(low - 1, n, p0), same(low - 1)) };
        ((greater + tail).min(1.0), point + equal)
    }
}
