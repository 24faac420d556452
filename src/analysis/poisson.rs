//! Rates of rare events: counts over exposure (faults over at-risk hours), and the comparison of two of them.
//!
//! Sources: Garwood 1936, Biometrika 28:437–442, in the chi-square form of Ulm 1990, Am. J. Epidemiol. 131:373–375; Hanley
//! & Lippman-Hand 1983, J. Am. Med. Assoc. 249:1743–1745 (no events; rule of three); Przyborowski & Wilenski 1940,
//! Biometrika 31:313–323 (conditional test of two counts); Krishnamoorthy & Thomson 2004, J. Stat. Plan. Inference
//! 119:23–35 (E-test).
//!
//! Edge cases: a count of 0 has lower limit 0 and a finite upper one; where neither count has an event the ratio does not
//! exist, its limits are 0 to ∞ and every p value is 1; where only the second has none the ratio is ∞. Exposure must be
//! above zero: a rate over no time at all is an error.

use super::binomial::{self, BinomialTest};
use super::error::{self, AnalysisError, Result};
use super::limits::Limits;
use super::special::{gamma_quantile, gamma_upper_quantile, poisson_lower, poisson_pmf, poisson_upper};

/// Exact (Garwood) limits of the expected count behind an observed one; divide by the exposure for a rate.
///
/// # Errors
/// A confidence outside 0 to 1, a count above a thousand million.
pub fn garwood(count: u64, confidence: f64) -> Result<Limits> {
    let half = 0.5 * error::alpha(confidence)?;
    let n = counted(count)?;
    Ok(Limits {
        low: if count == 0 { 0.0 } else { gamma_quantile(half, n) },
        high: gamma_upper_quantile(half, n + 1.0),
    })
}

/// A count as a number. Beyond a thousand million the sums behind exact limits would take seconds.
fn counted(count: u64) -> Result<f64> {
    if count <= 1_000_000_000 {
        Ok(count as f64)
    } else {
        Err(AnalysisError::Range { what: "a count", value: count as f64, expected: "at most 1000000000" })
    }
}

/// One-sided exact upper limit of the expected count; for a count of 0 it is −ln(alpha).
///
/// # Errors
/// A confidence outside 0 to 1, a count above a thousand million.
pub fn upper_one_sided(count: u64, confidence: f64) -> Result<f64> {
    let alpha = error::alpha(confidence)?;
    Ok(if count == 0 { -alpha.ln() } else { gamma_upper_quantile(alpha, counted(count)? + 1.0) })
}

/// One-sided exact lower limit of the expected count; 0 for a count of 0.
///
/// # Errors
/// A confidence outside 0 to 1, a count above a thousand million.
pub fn lower_one_sided(count: u64, confidence: f64) -> Result<f64> {
    let alpha = error::alpha(confidence)?;
    Ok(if count == 0 { 0.0 } else { gamma_quantile(alpha, counted(count)?) })
}

/// A rate with its exact limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// Events.
    pub count: u64,
    /// Over how much (hours, nights).
    pub exposure: f64,
    /// Events per unit of exposure.
    pub rate: f64,
    /// Exact limits of the rate.
    pub limits: Limits,
}

/// Rate of `count` events over `exposure` > 0, with Garwood's limits.
///
/// # Errors
/// Exposure not above 0; a confidence outside 0 to 1.
pub fn rate(count: u64, exposure: f64, confidence: f64) -> Result<Rate> {
    let exposure = error::positive("exposure", exposure)?;
    let limits = garwood(count, confidence)?.per(exposure);
    Ok(Rate { count, exposure, rate: count as f64 / exposure, limits })
}

/// One-sided upper limit of a rate when nothing happened over `exposure`: −ln(alpha) / T.
///
/// # Errors
/// Exposure not above 0; a confidence outside 0 to 1.
pub fn zero_events_upper(exposure: f64, confidence: f64) -> Result<f64> {
    Ok(upper_one_sided(0, confidence)? / error::positive("exposure", exposure)?)
}

/// The rule of three: 3 / T, near the one-sided 95 % limit when nothing happened.
///
/// # Errors
/// Exposure not above 0.
pub fn rule_of_three(exposure: f64) -> Result<f64> {
    Ok(3.0 / error::positive("exposure", exposure)?)
}

/// Two rates compared, conditional on the total count: given `count1 + count2`, `count1` is binomial with share
/// `exposure1 / (exposure1 + exposure2)` if the rates are equal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateComparison {
    /// First rate.
    pub rate1: f64,
    /// Second rate.
    pub rate2: f64,
    /// rate1 / rate2: infinite if only the second has no event, none if neither has.
    pub ratio: Option<f64>,
    /// Exact limits of the ratio (both tails half of alpha).
    pub limits: Limits,
    /// p values: `less` is the evidence for a ratio below 1, `greater` above 1.
    pub test: BinomialTest,
}

/// Compare `count1` over `exposure1` with `count2` over `exposure2`.
///
/// # Errors
/// Exposures not above 0; a confidence outside 0 to 1.
pub fn compare(count1: u64, exposure1: f64, count2: u64, exposure2: f64, confidence: f64) -> Result<RateComparison> {
    let t1 = error::positive("the first exposure", exposure1)?;
    let t2 = error::positive("the second exposure", exposure2)?;
    let total = count1 + count2;
    let share = 1.0 / (1.0 + t2 / t1);
    let limits = binomial::clopper_pearson(count1, total, confidence)?;
    // A share p of the events is a ratio p / (1 − p) of counts. The upper limit comes from the other side's lower one, so
    // that shares near 1 lose no digits.
    let other = binomial::clopper_pearson(count2, total, confidence)?;
    let low = if count1 == 0 { 0.0 } else { limits.low / other.high };
    let high = if count2 == 0 { f64::INFINITY } else { limits.high / other.low };
    let (rate1, rate2) = (count1 as f64 / t1, count2 as f64 / t2);
    Ok(RateComparison {
        rate1,
        rate2,
        ratio: (total > 0).then(|| if count2 == 0 { f64::INFINITY } else { rate1 / rate2 }),
        limits: Limits::new(low * (t2 / t1), high * (t2 / t1)),
        test: binomial::test(count1, total, share)?,
    })
}

/// Two-sided p value of the E-test (Krishnamoorthy & Thomson 2004) that two rates are equal: unconditional, with the
/// common rate put at its estimate. Less cautious than the conditional test; the double sum leaves out about 1e-12. Ties of the
/// statistic are counted: for counts (x, 0) and (0, x) it is √x, and software that compares in floating point may lose one.
///
/// # Errors
/// Exposures not above 0; counts above 100,000, where the double sum would take too long.
pub fn e_test(count1: u64, exposure1: f64, count2: u64, exposure2: f64) -> Result<f64> {
    let t1 = error::positive("the first exposure", exposure1)?;
    let t2 = error::positive("the second exposure", exposure2)?;
    if count1.max(count2) > 100_000 {
        let value = count1.max(count2) as f64;
        return Err(AnalysisError::Range { what: "a count for the E-test", value, expected: "at most 100000" });
    }
    let statistic = |x1: u64, x2: u64| {
        let (r1, r2) = (x1 as f64 / t1, x2 as f64 / t2);
        let variance = r1 / t1 + r2 / t2;
        if variance > 0.0 { (r1 - r2).abs() / variance.sqrt() } else { 0.0 }
    };
    let observed = statistic(count1, count2) * (1.0 - 1e-12);
    if count1 + count2 == 0 || observed == 0.0 {
        return Ok(1.0);
    }
    let common = (count1 + count2) as f64 / (t1 + t2);
    let table = |mean: f64| {
        let reach = 9.0 * mean.sqrt() + 25.0;
        let from = (mean - reach).max(0.0).floor() as u64;
        (from, (from..=(mean + reach) as u64).map(|k| poisson_pmf(k, mean)).collect::<Vec<f64>>())
    };
    let ((from1, p1), (from2, p2)) = (table(common * t1), table(common * t2));
    let mut p = 0.0;
    for (i, a) in p1.iter().enumerate() {
        let row: f64 = p2
            .iter()
            .enumerate()
            .filter(|(j, _)| statistic(from1 + i as u64, from2 + *j as u64) >= observed)
            .map(|(_, b)| b)
            .sum();
        p += a * row;
    }
    Ok(p.min(1.0))
}

/// Observed events against an expected number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandardisedRatio {
    /// Observed / expected.
    pub ratio: f64,
    /// Exact limits of the ratio.
    pub limits: Limits,
    /// P(X ≤ observed) if the expectation holds.
    pub less: f64,
    /// P(X ≥ observed) if the expectation holds.
    pub greater: f64,
    /// Twice the smaller tail, at most 1.
    pub two_sided_doubled: f64,
}

/// Standardised ratio: `observed` events where `expected` > 0 were to be expected.
///
/// # Errors
/// Expected not above 0; a confidence outside 0 to 1.
pub fn standardised_ratio(observed: u64, expected: f64, confidence: f64) -> Result<StandardisedRatio> {
    let expected = error::positive("the expected count", expected)?;
    let (less, greater) = (poisson_lower(observed, expected), poisson_upper(observed, expected));
    Ok(StandardisedRatio {
        ratio: observed as f64 / expected,
        limits: garwood(observed, confidence)?.per(expected),
        less,
        greater,
        two_sided_doubled: (2.0 * less.min(greater)).min(1.0),
    })
}
