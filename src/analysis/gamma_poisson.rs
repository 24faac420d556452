//! Bayesian view of a rate: a gamma prior, Poisson counts, a gamma posterior, and how probable it is that one rate is below
//! another.
//!
//! Source: Gelman et al., *Bayesian Data Analysis*, ch. 2 (conjugate gamma prior); the probability that one gamma variable is
//! below a multiple of another is an incomplete beta function. With `lambda ~ Gamma(shape a, rate b)` and x events over
//! exposure T the posterior is Gamma(a + x, b + T).
//!
//! Edge cases: no events are fine. No exposure is fine only under a proper prior (rate above 0): the posterior is then the
//! prior. The default prior is Jeffreys' Gamma(½, 0).

use super::error::{self, AnalysisError, Result};
use super::limits::Limits;
use super::special::{beta_lower, gamma_lower, gamma_quantile, gamma_upper, gamma_upper_quantile};

/// A gamma distribution of a rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gamma {
    /// Shape a.
    pub shape: f64,
    /// Rate b (inverse scale), in units of exposure.
    pub rate: f64,
}

/// Jeffreys' prior of a Poisson rate, Gamma(½, 0); improper, so it needs some exposure.
pub const JEFFREYS: Gamma = Gamma { shape: 0.5, rate: 0.0 };

/// Posterior of the rate after `count` events over `exposure`.
///
/// # Errors
/// Prior shape not above 0, prior rate or exposure below 0, or both 0.
pub fn posterior(prior: Gamma, count: u64, exposure: f64) -> Result<Gamma> {
    let shape = error::positive("the prior shape", prior.shape)? + count as f64;
    let rate = error::not_negative("the prior rate", prior.rate)? + error::not_negative("exposure", exposure)?;
    if rate > 0.0 {
        Ok(Gamma { shape, rate })
    } else {
        Err(AnalysisError::Range { what: "exposure", value: exposure, expected: "a number above 0 under this prior" })
    }
}

impl Gamma {
    /// Mean of the rate.
    pub fn mean(self) -> f64 {
        self.shape / self.rate
    }
    /// Equal-tailed credible limits.
    ///
    /// # Errors
    /// A credibility outside 0 to 1.
    pub fn limits(self, credibility: f64) -> Result<Limits> {
        let half = 0.5 * error::alpha(credibility)?;
        Ok(Limits::new(gamma_quantile(half, self.shape), gamma_upper_quantile(half, self.shape)).per(self.rate))
    }
    /// P(rate ≤ x).
    pub fn below(self, x: f64) -> f64 {
        gamma_lower(self.shape, self.rate * x)
    }
    /// P(rate > x).
    pub fn above(self, x: f64) -> f64 {
        gamma_upper(self.shape, self.rate * x)
    }
    /// P(self < factor · other) for independent rates: I_q(a, a′) with q = factor b / (b′ + factor b), where a, b belong to
    /// `self` and a′, b′ to `other`.
    ///
    /// # Errors
    /// A factor not above 0.
    pub fn probability_below(self, other: Gamma, factor: f64) -> Result<f64> {
        let scaled = error::positive("the factor", factor)? * self.rate;
        Ok(beta_lower(self.shape, other.shape, scaled / (other.rate + scaled)))
    }
}
