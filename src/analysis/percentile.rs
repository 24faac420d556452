//! Percentiles of delays with losses, as RFC 2330, section 11.3, and RFC 2681, section 4, define them.
//!
//! The empirical distribution F(x) is the share of values not above x; the y-th percentile is the smallest value x with
//! F(x) ≥ y %. A reply that never came is infinitely long, not missing: so the 99th percentile of a stream that lost 2 % is
//! infinite (RFC: undefined). The median of an even number is the mean of the two in the middle.
//!
//! Edge cases: an empty sample is an error; NaN and −∞ are refused, +∞ is a loss.

use super::error::{self, AnalysisError, Result};

/// A sorted sample; losses stand at its end as ∞.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    sorted: Vec<f64>,
    lost: usize,
}

impl Sample {
    /// From values, none for a loss.
    ///
    /// # Errors
    /// No values at all; NaN or −∞.
    pub fn new(values: &[Option<f64>]) -> Result<Sample> {
        error::at_least("values", values.len(), 1)?;
        let mut sorted: Vec<f64> = values.iter().map(|v| v.unwrap_or(f64::INFINITY)).collect();
        if let Some(position) = sorted.iter().position(|v| v.is_nan() || *v == f64::NEG_INFINITY) {
            return Err(AnalysisError::NotFinite { what: "the sample", value: sorted[position], position });
        }
        sorted.sort_by(f64::total_cmp);
        let lost = sorted.iter().filter(|v| v.is_infinite()).count();
        Ok(Sample { sorted, lost })
    }
    /// From values without losses.
    ///
    /// # Errors
    /// As [`Sample::new`].
    pub fn of(values: &[f64]) -> Result<Sample> {
        Sample::new(&values.iter().copied().map(Some).collect::<Vec<_>>())
    }
    /// Number of values, losses included.
    pub fn len(&self) -> usize {
        self.sorted.len()
    }
    /// Never true; here for completeness.
    pub fn is_empty(&self) -> bool {
        self.sorted.is_empty()
    }
    /// F(x): share of values not above x (the inverse percentile).
    pub fn share_up_to(&self, x: f64) -> f64 {
        self.sorted.partition_point(|v| *v <= x) as f64 / self.sorted.len() as f64
    }
    /// The smallest value x with F(x) ≥ `percent` %; ∞ where that is a loss.
    ///
    /// # Errors
    /// A percentage outside 0 to 100.
    pub fn percentile(&self, percent: f64) -> Result<f64> {
        if !(0.0..=100.0).contains(&percent) {
            return Err(AnalysisError::Range { what: "a percentage", value: percent, expected: "0 to 100" });
        }
        // k / n ≥ percent / 100, forgiving the rounding of the product.
        let exact = percent / 100.0 * self.sorted.len() as f64;
        let k = (exact - 1e-9 * exact.max(1.0)).ceil().max(1.0) as usize;
        Ok(self.sorted[k.min(self.sorted.len()) - 1])
    }
    /// The middle value, or the mean of the two in the middle; ∞ where that is a loss.
    pub fn median(&self) -> f64 {
        let n = self.sorted.len();
        let (a, b) = (self.sorted[(n - 1) / 2], self.sorted[n / 2]);
        if b.is_infinite() { b } else { a + (b - a) / 2.0 }
    }
    /// The smallest value; ∞ if all were lost.
    pub fn minimum(&self) -> f64 {
        self.sorted[0]
    }
    /// The largest value that came; none if all were lost.
    pub fn largest_seen(&self) -> Option<f64> {
        self.sorted[..self.sorted.len() - self.lost].last().copied()
    }
    /// Share lost.
    pub fn loss(&self) -> f64 {
        self.lost as f64 / self.sorted.len() as f64
    }
}
