//! Firth's penalised logistic regression with one covariate: finite answers even when the outcomes are separated.
//!
//! Maximises log likelihood + ½ ln det(Fisher information), i.e. Jeffreys' prior. Sources: Firth 1993, Biometrika 80:27–38;
//! Heinze & Schemper 2002, Stat. Med. 21:2409–2419 (separation; limits by profiling the penalised likelihood, where the
//! penalty keeps the full information matrix while one coefficient is held).
//!
//! Edge cases: one outcome only still gives a finite fit (its slope is pulled to zero). Errors as in
//! [`super::logistic::Observations`].

use super::error::{AnalysisError, Result};
use super::limits::{ConfidenceSet, Limits};
use super::line::Line;
use super::logistic::{Observations, log_likelihood, probability};
use super::profile::Profiler;
use super::special::{chi2_1_upper, ln_1p_exp};

/// A penalised fit.
#[derive(Clone, Debug, PartialEq)]
pub struct FirthFit {
    /// Coefficients, covariance (inverse Fisher information at the estimate), half point.
    pub line: Line,
    /// Log likelihood plus penalty, without binomial coefficients.
    pub penalised_log_likelihood: f64,
    data: Observations,
}

/// Fit yes/no outcomes on one covariate.
///
/// # Errors
/// Empty or unequal lists, values that are not finite, a covariate that does not vary.
pub fn fit_binary(x: &[f64], outcome: &[bool]) -> Result<FirthFit> {
    fit(&Observations::binary(x, outcome)?)
}

/// Fit counts out of trials on one covariate.
///
/// # Errors
/// As [`fit_binary`], and where successes exceed trials.
pub fn fit_grouped(x: &[f64], successes: &[u64], trials: &[u64]) -> Result<FirthFit> {
    fit(&Observations::grouped(x, successes, trials)?)
}

/// Fit by modified Fisher scoring with halved steps.
///
/// # Errors
/// [`AnalysisError::NoConvergence`] only for values at the edge of the number range.
pub fn fit(data: &Observations) -> Result<FirthFit> {
    let (mean, spread) = data.scale();
    let z: Vec<f64> = data.x().iter().map(|x| (x - mean) / spread).collect();
    let value = |a: f64, b: f64| log_likelihood(data, |i| a + b * z[i]) + penalty(data, &z, spread, |i| a + b * z[i]);
    let (mut a, mut b) = (0.0, 0.0);
    let mut at = value(a, b);
    let mut settled = false;
    for _ in 0..500 {
        let (u, info) = score_and_step_matrix(data, &z, |i| a + b * z[i]);
        let det = info[0] * info[2] - info[1] * info[1];
        let (mut da, mut db) = ((info[2] * u[0] - info[1] * u[1]) / det, (info[0] * u[1] - info[1] * u[0]) / det);
        // A bounded step (Heinze & Schemper): far from the estimate the information says too little.
        let longest = da.abs().max(db.abs());
        if longest > 3.0 {
            (da, db) = (da * 3.0 / longest, db * 3.0 / longest);
        }
        if !(da.is_finite() && db.is_finite()) {
            break;
        }
        let mut t = 1.0;
        while t > 1e-12 && value(a + t * da, b + t * db) < at - 1e-13 * (1.0 + at.abs()) {
            t *= 0.5;
        }
        (a, b) = (a + t * da, b + t * db);
        at = value(a, b);
        // Convergence is linear: go on to the last digits.
        if da.abs() <= 1e-13 * (1.0 + a.abs()) && db.abs() <= 1e-13 * (1.0 + b.abs()) {
            settled = true;
            break;
        }
    }
    if !settled {
        // Rounding may keep the steps just above the bound; the score tells whether that is all.
        let (u, info) = score_and_step_matrix(data, &z, |i| a + b * z[i]);
        if !(u[0].abs() <= 1e-9 * info[0].sqrt() && u[1].abs() <= 1e-9 * info[2].sqrt()) {
            return Err(AnalysisError::NoConvergence { what: "the penalised logistic fit" });
        }
    }
    let info = information(data, &z, |i| a + b * z[i]);
    Ok(FirthFit {
        line: Line::from_scaled(a, b, mean, spread, info)?,
        penalised_log_likelihood: at,
        data: data.clone(),
    })
}

impl FirthFit {
    /// Profile penalised-likelihood limits of the slope.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn slope_profile(&self, confidence: f64) -> Result<Limits> {
        self.profiler(confidence).map(|p| p.slope())
    }
    /// Profile penalised-likelihood limits of the intercept.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn intercept_profile(&self, confidence: f64) -> Result<Limits> {
        self.profiler(confidence).map(|p| p.intercept())
    }
    /// Profile penalised-likelihood set of the half point; none for a level line.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn half_point_profile(&self, confidence: f64) -> Result<Option<ConfidenceSet>> {
        self.profiler(confidence).map(|p| p.half_point())
    }
    /// Penalised likelihood-ratio test of slope = 0: statistic (one degree of freedom) and p value.
    ///
    /// # Errors
    /// None for a fit made here.
    pub fn slope_test(&self) -> Result<(f64, f64)> {
        let chi2 = self.profiler(0.95)?.slope_statistic();
        Ok((chi2, chi2_1_upper(chi2)))
    }
    /// Penalised likelihood-ratio test of intercept = 0: statistic (one degree of freedom) and p value.
    ///
    /// # Errors
    /// None for a fit made here.
    pub fn intercept_test(&self) -> Result<(f64, f64)> {
        let chi2 = self.profiler(0.95)?.intercept_statistic();
        Ok((chi2, chi2_1_upper(chi2)))
    }
    fn profiler(&self, confidence: f64) -> Result<Profiler<'_>> {
        Profiler::new(&self.data, &self.line, self.penalised_log_likelihood, true, confidence)
    }
}

/// ln of p (1 − p), which does not underflow.
fn ln_weight(eta: f64) -> f64 {
    -ln_1p_exp(eta) - ln_1p_exp(-eta)
}

/// Weights m p (1 − p) divided by the largest of them, its logarithm, and their sum, mean and spread along z. Dividing first
/// keeps far-out values, where every weight underflows, from becoming 0 / 0.
struct Weights {
    w: Vec<f64>,
    ln_largest: f64,
    sum: f64,
    mean: f64,
    spread: f64,
}

fn weights(data: &Observations, z: &[f64], eta: impl Fn(usize) -> f64) -> Weights {
    let ln: Vec<f64> = (0..z.len()).map(|i| data.trials()[i].ln() + ln_weight(eta(i))).collect();
    let ln_largest = ln.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let w: Vec<f64> = ln.iter().map(|l| (l - ln_largest).exp()).collect();
    let sum: f64 = w.iter().sum();
    let mean = w.iter().zip(z).map(|(w, z)| w * z).sum::<f64>() / sum;
    let spread = w.iter().zip(z).map(|(w, z)| w * (z - mean).powi(2)).sum();
    Weights { w, ln_largest, sum, mean, spread }
}

/// ½ ln det of the Fisher information of intercept and slope on the original scale, where x = mean + spread · z.
pub(crate) fn penalty(data: &Observations, z: &[f64], spread: f64, eta: impl Fn(usize) -> f64) -> f64 {
    let k = weights(data, z, eta);
    k.ln_largest + 0.5 * (k.sum.ln() + k.spread.ln()) + spread.ln()
}

/// Row i's part of the modified score: k − m p + h (½ − p), h its hat value.
fn residuals<'a>(
    data: &'a Observations,
    z: &'a [f64],
    eta: impl Fn(usize) -> f64 + 'a,
) -> impl Iterator<Item = f64> + 'a {
    let k = weights(data, z, &eta);
    (0..z.len()).map(move |i| {
        let p = probability(eta(i)).0;
        let lever = if k.spread > 0.0 { (z[i] - k.mean).powi(2) / k.spread } else { 0.0 };
        let hat = k.w[i] * (1.0 / k.sum + lever);
        data.successes()[i] - data.trials()[i] * p + hat * (0.5 - p)
    })
}

/// Derivative of the penalised log likelihood along a direction of eta.
pub(crate) fn score_along(
    data: &Observations,
    z: &[f64],
    eta: impl Fn(usize) -> f64,
    direction: impl Fn(usize) -> f64,
) -> f64 {
    residuals(data, z, eta).enumerate().map(|(i, r)| r * direction(i)).sum()
}

/// Modified score, and the information of the data augmented by their hat values (h more trials, half of them successes). The
/// penalty bends the likelihood too: steps by the plain information alone overshoot by up to a factor of two where every row is
/// decisive, and then never settle.
fn score_and_step_matrix(data: &Observations, z: &[f64], eta: impl Fn(usize) -> f64) -> ([f64; 2], [f64; 3]) {
    let k = weights(data, z, &eta);
    let (mut u, mut info) = ([0.0; 2], [0.0; 3]);
    for (i, r) in residuals(data, z, &eta).enumerate() {
        let lever = if k.spread > 0.0 { (z[i] - k.mean).powi(2) / k.spread } else { 0.0 };
        let hat = k.w[i] * (1.0 / k.sum + lever);
        let w = (data.trials()[i] + hat) * probability(eta(i)).1;
        u[0] += r;
        u[1] += r * z[i];
        info[0] += w;
        info[1] += w * z[i];
        info[2] += w * z[i] * z[i];
    }
    (u, info)
}

/// Plain Fisher information: sums of m p (1 − p), with z, with z².
fn information(data: &Observations, z: &[f64], eta: impl Fn(usize) -> f64) -> [f64; 3] {
    let mut info = [0.0; 3];
    for (i, &zi) in z.iter().enumerate() {
        let w = data.trials()[i] * probability(eta(i)).1;
        info[0] += w;
        info[1] += w * zi;
        info[2] += w * zi * zi;
    }
    info
}
