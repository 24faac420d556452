//! A line on the logit scale, as [`super::logistic`] and [`super::firth`] fit it: coefficients, their covariance, and the level at
//! which half the outcomes are yes.
//!
//! Sources: McCullagh & Nelder 1989, *Generalized Linear Models*, ch. 4; Fieller 1954, J. R. Stat. Soc. B 16:175–185.

use super::error::{self, AnalysisError, Result};
use super::limits::{ConfidenceSet, Limits};
use super::logistic::probability;
use super::special::{normal_two_sided, normal_two_sided_quantile};

/// A fitted line on the logit scale with the covariance of its coefficients (inverse Fisher information).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Log odds at x = 0.
    pub intercept: f64,
    /// Change of the log odds per unit of x.
    pub slope: f64,
    /// Covariance of intercept and slope: `[[var a, cov], [cov, var b]]`.
    pub covariance: [[f64; 2]; 2],
    /// Where x was centred, and its spread.
    pub(super) mean: f64,
    pub(super) spread: f64,
    /// The same on the scale (x − mean) / spread, where digits are kept.
    pub(super) scaled: [f64; 2],
    pub(super) scaled_covariance: [f64; 3],
}

impl Line {
    /// From coefficients and information on the scale (x − mean) / spread.
    pub(crate) fn from_scaled(a: f64, b: f64, mean: f64, spread: f64, info: [f64; 3]) -> Result<Line> {
        let det = info[0] * info[2] - info[1] * info[1];
        let v = [info[2] / det, -info[1] / det, info[0] / det];
        let slope = b / spread;
        let m = mean / spread;
        let line = Line {
            intercept: a - b * m,
            slope,
            covariance: [
                [v[0] - 2.0 * m * v[1] + m * m * v[2], (v[1] - m * v[2]) / spread],
                [(v[1] - m * v[2]) / spread, v[2] / (spread * spread)],
            ],
            mean,
            spread,
            scaled: [a, b],
            scaled_covariance: v,
        };
        let sound = line.intercept.is_finite() && slope.is_finite() && det > 0.0;
        if sound { Ok(line) } else { Err(AnalysisError::NoConvergence { what: "the logistic fit" }) }
    }

    /// Standard errors of intercept and slope.
    pub fn standard_errors(&self) -> [f64; 2] {
        [self.covariance[0][0].sqrt(), self.covariance[1][1].sqrt()]
    }
    /// Wald statistics z = estimate / standard error of intercept and slope.
    pub fn wald_z(&self) -> [f64; 2] {
        let se = self.standard_errors();
        [self.intercept / se[0], self.slope / se[1]]
    }
    /// Two-sided Wald p values of intercept and slope.
    pub fn wald_p(&self) -> [f64; 2] {
        self.wald_z().map(normal_two_sided)
    }
    /// Probability of yes at `x`.
    pub fn predict(&self, x: f64) -> f64 {
        probability(self.scaled[0] + self.scaled[1] * (x - self.mean) / self.spread).0
    }
    /// The level of x at which half the outcomes are yes; none for a level line.
    pub fn half_point(&self) -> Option<f64> {
        let [a, b] = self.scaled;
        let x = self.mean - self.spread * (a / b);
        (b != 0.0 && x.is_finite()).then_some(x)
    }
    /// Standard error of the half point by the delta method.
    pub fn half_point_delta_se(&self) -> Option<f64> {
        let [a, b] = self.scaled;
        let [vaa, vab, vbb] = self.scaled_covariance;
        let m = -a / b;
        let se = self.spread * (vaa + 2.0 * m * vab + m * m * vbb).max(0.0).sqrt() / b.abs();
        (b != 0.0 && se.is_finite()).then_some(se)
    }
    /// Half point ± z · standard error. Symmetric, and too short on the far side when the slope is uncertain.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn half_point_delta(&self, confidence: f64) -> Result<Option<Limits>> {
        error::alpha(confidence)?;
        let z = normal_two_sided_quantile(confidence);
        Ok(self.half_point().zip(self.half_point_delta_se()).map(|(x, se)| Limits::new(x - z * se, x + z * se)))
    }
    /// Fieller's g = z² var(slope) / slope²: from 1 on the set is not an interval.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn fieller_g(&self, confidence: f64) -> Result<f64> {
        error::alpha(confidence)?;
        let z = normal_two_sided_quantile(confidence);
        Ok(z * z * self.scaled_covariance[2] / (self.scaled[1] * self.scaled[1]))
    }
    /// Fieller's confidence set of the half point: all m for which intercept + slope · m is not significantly off zero.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn half_point_fieller(&self, confidence: f64) -> Result<ConfidenceSet> {
        error::alpha(confidence)?;
        let z2 = normal_two_sided_quantile(confidence).powi(2);
        let [a, b] = self.scaled;
        let [vaa, vab, vbb] = self.scaled_covariance;
        // (a + b m)² ≤ z² (vaa + 2 m vab + m² vbb), a quadratic inequality in m.
        let (q2, q1, q0) = (b * b - z2 * vbb, a * b - z2 * vab, a * a - z2 * vaa);
        let disc = q1 * q1 - q2 * q0;
        let back = |m: f64| self.mean + self.spread * m;
        if q2 == 0.0 {
            let m = back(-q0 / (2.0 * q1));
            return Ok(match q1.partial_cmp(&0.0) {
                Some(std::cmp::Ordering::Greater) => ConfidenceSet::Interval { low: f64::NEG_INFINITY, high: m },
                Some(std::cmp::Ordering::Less) => ConfidenceSet::Interval { low: m, high: f64::INFINITY },
                _ => ConfidenceSet::Everything,
            });
        }
        if disc <= 0.0 {
            return Ok(ConfidenceSet::Everything);
        }
        // The root without cancellation first.
        let r = -(q1 + disc.sqrt().copysign(q1));
        let (m1, m2) = if r == 0.0 { (0.0, 0.0) } else { (r / q2, q0 / r) };
        let (low, high) = (back(m1.min(m2)), back(m1.max(m2)));
        Ok(if q2 > 0.0 {
            ConfidenceSet::Interval { low, high }
        } else {
            ConfidenceSet::TwoRays { up_to: low, from: high }
        })
    }
}
