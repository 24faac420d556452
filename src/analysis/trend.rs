//! Do faults come faster or slower as time goes on? Tests of the times of faults on one clock (hours at risk since the
//! beginning), from 0 to the end of watching.
//!
//! Sources: Cox & Lewis 1966, *The Statistical Analysis of Series of Events*, ch. 3 (Laplace's test); MIL-HDBK-189A and Crow
//! 1974 (power law, chi-square); Mann 1945, Econometrica 13:245–259 (reversals of the gaps: needs no constant rate, so it
//! stands up to bursts). Edge cases: no fault, or for [`reversals`] fewer than two gaps, give p = 1, not an error; several
//! faults at one instant are allowed.

use super::error::{self, AnalysisError, Result};
use super::special::{gamma_lower, gamma_upper, normal_cdf};
use super::survival::Stop;

/// A test against "no trend". Small `faster` speaks for faults that come faster and faster.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// The test's own statistic.
    pub statistic: f64,
    /// One-sided p value against "the rate rises".
    pub faster: f64,
    /// One-sided p value against "the rate falls".
    pub slower: f64,
    /// Twice the smaller of both, at most 1.
    pub two_sided: f64,
}

impl Trend {
    fn new(statistic: f64, faster: f64, slower: f64) -> Trend {
        let (faster, slower) = (faster.clamp(0.0, 1.0), slower.clamp(0.0, 1.0));
        Trend { statistic, faster, slower, two_sided: (2.0 * faster.min(slower)).min(1.0) }
    }
    fn nothing() -> Trend {
        Trend { statistic: 0.0, faster: 1.0, slower: 1.0, two_sided: 1.0 }
    }
}

/// Sorted times that count, and the end of the clock. If the last fault ended the watching, it is the end and does not count.
fn counted(times: &[f64], end: f64, stop: Stop) -> Result<(Vec<f64>, f64)> {
    error::finite("times of faults", times)?;
    let end = error::positive("the end of watching", end)?;
    if let Some(&value) = times.iter().find(|t| !(0.0..=end).contains(*t)) {
        return Err(AnalysisError::Range { what: "a time of a fault", value, expected: "0 to the end of watching" });
    }
    let mut sorted = times.to_vec();
    sorted.sort_by(f64::total_cmp);
    match stop {
        Stop::Time => Ok((sorted, end)),
        Stop::Fault => match sorted.pop() {
            Some(last) if last > 0.0 => Ok((sorted, last)),
            _ => Err(AnalysisError::TooFew { what: "faults that ended the watching", have: 0, need: 1 }),
        },
    }
}

/// Laplace's test: under a constant rate the times are uniform, so their mean lies near the middle. Exact (the distribution
/// of a sum of uniform variables) up to 20 faults, normal beyond; the statistic is the usual standardised one.
///
/// # Errors
/// Times outside 0 to `end`, values that are not finite.
pub fn laplace(times: &[f64], end: f64, stop: Stop) -> Result<Trend> {
    let (t, end) = counted(times, end, stop)?;
    if t.is_empty() {
        return Ok(Trend::nothing());
    }
    let n = t.len() as f64;
    let sum: f64 = t.iter().map(|x| x / end).sum();
    let u = (sum - 0.5 * n) / (n / 12.0).sqrt();
    let (lower, upper) = if t.len() <= 20 {
        (uniform_sum_lower(sum, t.len()), uniform_sum_lower(n - sum, t.len()))
    } else {
        (normal_cdf(u), normal_cdf(-u))
    };
    Ok(Trend::new(u, upper, lower))
}

/// P(sum of n uniform variables ≤ s), Irwin 1927 and Hall 1927; computed in the nearer half, where the alternating sum is
/// shortest.
fn uniform_sum_lower(s: f64, n: usize) -> f64 {
    let n_f = n as f64;
    if s > 0.5 * n_f {
        return 1.0 - uniform_sum_lower(n_f - s, n);
    }
    let mut term_choose = 1.0;
    let mut sum = 0.0;
    for k in 0..=(s.max(0.0).floor() as usize).min(n) {
        let base = s - k as f64;
        // (s − k)ⁿ / n! built up factor by factor.
        let power = (1..=n).fold(1.0, |p, i| p * base / i as f64);
        sum += if k % 2 == 0 { term_choose * power } else { -term_choose * power };
        term_choose *= (n - k) as f64 / (k + 1) as f64;
    }
    sum.clamp(0.0, 1.0)
}

/// The handbook's test for a power law: 2 Σ ln(end / t) is chi-square with two degrees of freedom a fault under a constant
/// rate. Small values mean late faults. Faults at time 0 are taken as at the first representable instant.
///
/// # Errors
/// As [`laplace`].
pub fn power_law(times: &[f64], end: f64, stop: Stop) -> Result<Trend> {
    let (t, end) = counted(times, end, stop)?;
    if t.is_empty() {
        return Ok(Trend::nothing());
    }
    let sum: f64 = t.iter().map(|x| -(x.max(f64::MIN_POSITIVE) / end).ln().min(0.0)).sum();
    let n = t.len() as f64;
    Ok(Trend::new(2.0 * sum, gamma_lower(n, sum), gamma_upper(n, sum)))
}

/// Mann's test of the gaps between faults: how often a later gap is longer than an earlier one (the statistic). Exact up to
/// 40 gaps, normal beyond; equal gaps count against either verdict, which makes it slightly cautious.
///
/// # Errors
/// As [`laplace`].
pub fn reversals(times: &[f64], end: f64, stop: Stop) -> Result<Trend> {
    let (mut t, end) = counted(times, end, stop)?;
    if stop == Stop::Fault {
        t.push(end);
    }
    let mut last = 0.0;
    let gaps: Vec<f64> = t.iter().map(|&x| x - std::mem::replace(&mut last, x)).collect();
    let n = gaps.len();
    if n < 2 {
        return Ok(Trend::nothing());
    }
    let (mut longer, mut ties) = (0.0f64, 0.0);
    for i in 0..n {
        for j in i + 1..n {
            if gaps[j] > gaps[i] {
                longer += 1.0;
            } else if gaps[j] == gaps[i] {
                ties += 1.0;
            }
        }
    }
    let pairs = (n * (n - 1) / 2) as f64;
    // Many longer later gaps: slower. The distribution is symmetric about half of all pairs.
    let (lower, upper) = if n <= 40 {
        let shares = inversion_shares(n);
        let up_to = |x: f64| shares.iter().take(x as usize + 1).sum::<f64>();
        (up_to(longer + ties), up_to(pairs - longer))
    } else {
        let n = n as f64;
        let spread = (n * (n - 1.0) * (2.0 * n + 5.0) / 72.0).sqrt();
        (normal_cdf((longer + ties + 0.5 - 0.5 * pairs) / spread), normal_cdf((0.5 * pairs - longer + 0.5) / spread))
    };
    Ok(Trend::new(longer, lower, upper))
}

/// Share of the orders of n things with k inversions, for every k (Mann 1945's recursion).
fn inversion_shares(n: usize) -> Vec<f64> {
    let mut shares = vec![1.0];
    for m in 2..=n {
        let mut next = vec![0.0; shares.len() + m - 1];
        for (k, s) in shares.iter().enumerate() {
            for slot in &mut next[k..k + m] {
                *slot += s / m as f64;
            }
        }
        shares = next;
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_of_uniform_variables() {
        assert!((uniform_sum_lower(0.5, 1) - 0.5).abs() < 1e-15);
        assert!((uniform_sum_lower(1.0, 2) - 0.5).abs() < 1e-15);
        assert!((uniform_sum_lower(0.5, 2) - 0.125).abs() < 1e-15);
        assert!((uniform_sum_lower(1.0, 3) - 1.0 / 6.0).abs() < 1e-15);
        // Near the normal distribution for twenty: P at one standard deviation below.
        let s = 10.0 - (20.0f64 / 12.0).sqrt();
        assert!((uniform_sum_lower(s, 20) - normal_cdf(-1.0)).abs() < 2e-3);
    }

    #[test]
    fn no_faults_are_no_trend() {
        for test in [laplace, power_law, reversals] {
            assert_eq!(test(&[], 10.0, Stop::Time).unwrap().two_sided, 1.0);
            assert!(test(&[11.0], 10.0, Stop::Time).is_err());
            assert!(test(&[f64::NAN], 10.0, Stop::Time).is_err());
            assert!(test(&[], 10.0, Stop::Fault).is_err());
            assert!(test(&[0.0, 0.0, 10.0], 10.0, Stop::Time).unwrap().two_sided <= 1.0);
        }
    }
}
