//! Logistic regression with one covariate by maximum likelihood, for yes/no outcomes and for counts out of trials.
//!
//! Model: log(p / (1 − p)) = intercept + slope · x. Sources: McCullagh & Nelder 1989, *Generalized Linear Models*, ch. 4
//! (likelihood, deviance, information); Albert & Anderson 1984, Biometrika 71:1–10 (separation: when no estimate exists);
//! Fieller 1954, J. R. Stat. Soc. B 16:175–185 (limits of a quotient); Venzon & Moolgavkar 1988, Appl. Stat. 37:87–94
//! (profile limits).
//!
//! Edge cases: an outcome that never or always happens, and complete or quasi-complete separation, are answers
//! ([`Fit::Absent`]), not errors: the likelihood then has no maximum. A covariate that does not vary, an empty list, lists of
//! unequal length, and NaN or infinite values are errors. Results are equivariant under a change of unit of x (°F to °C).

use super::error::{self, AnalysisError, Result};
use super::limits::{ConfidenceSet, Limits};
pub use super::line::Line;
use super::profile::Profiler;
use super::special::{chi2_1_upper, ln_1p_exp};

/// Outcomes at levels of one covariate: `successes[i]` of `trials[i]` at `x[i]`. For yes/no data all trials are 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Observations {
    x: Vec<f64>,
    successes: Vec<f64>,
    trials: Vec<f64>,
}

impl Observations {
    /// Yes/no outcomes, one for each `x`.
    ///
    /// # Errors
    /// Empty or unequal lists, values that are not finite, a covariate that does not vary.
    pub fn binary(x: &[f64], outcome: &[bool]) -> Result<Observations> {
        error::same_length("covariate and outcome", x, outcome)?;
        Observations::checked(x, outcome.iter().map(|&y| u8::from(y).into()).collect(), vec![1.0; x.len()])
    }

    /// `successes[i]` out of `trials[i]` at `x[i]`. Rows without trials are allowed and count for nothing.
    ///
    /// # Errors
    /// As [`Observations::binary`], and where successes exceed trials.
    pub fn grouped(x: &[f64], successes: &[u64], trials: &[u64]) -> Result<Observations> {
        error::same_length("covariate and successes", x, successes)?;
        error::same_length("successes and trials", successes, trials)?;
        if let Some(i) = (0..x.len()).find(|&i| successes[i] > trials[i]) {
            let value = successes[i] as f64;
            return Err(AnalysisError::Range { what: "successes", value, expected: "no more than the trials" });
        }
        let keep: Vec<usize> = (0..x.len()).filter(|&i| trials[i] > 0).collect();
        error::finite("covariate", x)?;
        Observations::checked(
            &keep.iter().map(|&i| x[i]).collect::<Vec<_>>(),
            keep.iter().map(|&i| successes[i] as f64).collect(),
            keep.iter().map(|&i| trials[i] as f64).collect(),
        )
    }

    fn checked(x: &[f64], successes: Vec<f64>, trials: Vec<f64>) -> Result<Observations> {
        error::at_least("observations", x.len(), 2)?;
        error::finite("covariate", x)?;
        if x.iter().all(|&v| v == x[0]) {
            return Err(AnalysisError::NoVariation { what: "the covariate" });
        }
        Ok(Observations { x: x.to_vec(), successes, trials })
    }

    /// Number of rows (nights, flights), rows without trials left out.
    pub fn len(&self) -> usize {
        self.x.len()
    }
    /// Never true for a checked set; here for completeness.
    pub fn is_empty(&self) -> bool {
        self.x.is_empty()
    }
    /// The covariate.
    pub fn x(&self) -> &[f64] {
        &self.x
    }
    pub(crate) fn successes(&self) -> &[f64] {
        &self.successes
    }
    pub(crate) fn trials(&self) -> &[f64] {
        &self.trials
    }

    /// Mean and (root mean square) spread of x; the fits work on (x − mean) / spread.
    pub(crate) fn scale(&self) -> (f64, f64) {
        let n = self.x.len() as f64;
        let largest = self.x.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        // Scaled first, so that squares of very large or very small values neither overflow nor vanish.
        let mean = self.x.iter().map(|v| v / largest).sum::<f64>() / n * largest;
        let reach = self.x.iter().fold(0.0f64, |m, v| m.max((v - mean).abs()));
        let spread = (self.x.iter().map(|v| ((v - mean) / reach).powi(2)).sum::<f64>() / n).sqrt() * reach;
        (mean, spread)
    }

    /// How the two outcomes lie along the covariate.
    pub fn separation(&self) -> Separation {
        let range = |yes: bool| {
            let some = |i: &usize| if yes { self.successes[*i] > 0.0 } else { self.successes[*i] < self.trials[*i] };
            (0..self.x.len()).filter(some).fold(None, |r: Option<(f64, f64)>, i| {
                let v = self.x[i];
                Some(r.map_or((v, v), |(lo, hi)| (lo.min(v), hi.max(v))))
            })
        };
        let (yes, no) = match (range(true), range(false)) {
            (Some(yes), Some(no)) => (yes, no),
            (None, _) => return Separation::OneOutcome { always: false },
            (_, None) => return Separation::OneOutcome { always: true },
        };
        let judge = |below: (f64, f64), above: (f64, f64), yes_below: bool| match below.1.total_cmp(&above.0) {
            std::cmp::Ordering::Less => Some(Separation::Complete { from: below.1, to: above.0, yes_below }),
            std::cmp::Ordering::Equal => Some(Separation::Quasi { at: below.1, yes_below }),
            std::cmp::Ordering::Greater => None,
        };
        judge(yes, no, true).or_else(|| judge(no, yes, false)).unwrap_or(Separation::None)
    }

    /// Residual deviance towards which the likelihood runs when no estimate exists: 0 under complete separation and for one
    /// outcome, what the tied level alone contributes under quasi-complete separation; none when an estimate exists.
    pub fn deviance_limit(&self) -> Option<f64> {
        match self.separation() {
            Separation::None => None,
            Separation::Complete { .. } | Separation::OneOutcome { .. } => Some(0.0),
            Separation::Quasi { at, .. } => {
                let sum = |v: &[f64]| (0..v.len()).filter(|&i| self.x[i] == at).map(|i| v[i]).sum::<f64>();
                let (k, m) = (sum(&self.successes), sum(&self.trials));
                // Rows keep their own saturated terms, as in the deviance of a fit.
                let saturated: f64 = (0..self.len())
                    .filter(|&i| self.x[i] == at)
                    .map(|i| saturated(self.successes[i], self.trials[i]))
                    .sum();
                Some(2.0 * (saturated - saturated_terms(k, m)))
            }
        }
    }

    /// Deviance of the model without covariate; 0 when only one outcome occurs.
    pub fn null_deviance(&self) -> f64 {
        let (k, m) = (self.successes.iter().sum::<f64>(), self.trials.iter().sum::<f64>());
        let rows: f64 = (0..self.len()).map(|i| saturated(self.successes[i], self.trials[i])).sum();
        (2.0 * (rows - saturated_terms(k, m))).max(0.0)
    }
}

/// k ln(k/m) + (m−k) ln((m−k)/m), with 0 ln 0 = 0.
fn saturated_terms(k: f64, m: f64) -> f64 {
    let term = |a: f64| if a > 0.0 { a * (a / m).ln() } else { 0.0 };
    term(k) + term(m - k)
}
fn saturated(k: f64, m: f64) -> f64 {
    saturated_terms(k, m)
}

/// How yes and no lie along the covariate (Albert & Anderson 1984, here for one covariate, where it is a matter of order).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Separation {
    /// They overlap: the estimate exists.
    None,
    /// All yes on one side of the gap from `from` to `to`, all no on the other: the slope runs to infinity.
    Complete {
        /// Last level before the gap.
        from: f64,
        /// First level after it.
        to: f64,
        /// Whether the yes lie below.
        yes_below: bool,
    },
    /// They share just one level, at the end of both: the slope runs to infinity.
    Quasi {
        /// The shared level.
        at: f64,
        /// Whether the other yes lie below.
        yes_below: bool,
    },
    /// Every outcome is the same: the intercept runs to infinity.
    OneOutcome {
        /// All yes, or all no.
        always: bool,
    },
}

impl Separation {
    /// `none`, `complete`, `quasi-complete`, `one outcome`.
    pub fn word(self) -> &'static str {
        match self {
            Separation::None => "none",
            Separation::Complete { .. } => "complete",
            Separation::Quasi { .. } => "quasi-complete",
            Separation::OneOutcome { .. } => "one outcome",
        }
    }
}

/// What came of a maximum likelihood fit.
#[derive(Clone, Debug, PartialEq)]
pub enum Fit {
    /// The estimate exists.
    Found(LogisticFit),
    /// It does not exist, because of this.
    Absent(Separation),
}

impl Fit {
    /// The estimate, where it exists.
    pub fn found(self) -> Option<LogisticFit> {
        match self {
            Fit::Found(f) => Some(f),
            Fit::Absent(_) => None,
        }
    }
}

/// Fit yes/no outcomes on one covariate by maximum likelihood.
///
/// # Errors
/// See [`Observations::binary`].
pub fn fit_binary(x: &[f64], outcome: &[bool]) -> Result<Fit> {
    fit(&Observations::binary(x, outcome)?)
}

/// Fit counts out of trials on one covariate by maximum likelihood.
///
/// # Errors
/// See [`Observations::grouped`].
pub fn fit_grouped(x: &[f64], successes: &[u64], trials: &[u64]) -> Result<Fit> {
    fit(&Observations::grouped(x, successes, trials)?)
}

/// Fit by maximum likelihood: Newton's method (Fisher scoring) with halved steps, to the last digits.
///
/// # Errors
/// [`AnalysisError::NoConvergence`] only for data so near to separation that the estimate exceeds the number range.
pub fn fit(data: &Observations) -> Result<Fit> {
    let separation = data.separation();
    if separation != Separation::None {
        return Ok(Fit::Absent(separation));
    }
    let (mean, spread) = data.scale();
    let z: Vec<f64> = data.x.iter().map(|x| (x - mean) / spread).collect();
    let value = |a: f64, b: f64| log_likelihood(data, |i| a + b * z[i]);
    let (mut a, mut b) = (0.0, 0.0);
    let mut at = value(a, b);
    let mut settled = false;
    for _ in 0..200 {
        let (mut ua, mut ub, mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (i, &zi) in z.iter().enumerate() {
            let (p, w) = probability(a + b * zi);
            let (u, w) = (data.successes[i] - data.trials[i] * p, data.trials[i] * w);
            ua += u;
            ub += u * zi;
            s0 += w;
            s1 += w * zi;
            s2 += w * zi * zi;
        }
        let det = s0 * s2 - s1 * s1;
        let (da, db) = ((s2 * ua - s1 * ub) / det, (s0 * ub - s1 * ua) / det);
        if !(da.is_finite() && db.is_finite()) {
            break;
        }
        // The decrement of Newton's method bounds what is left to gain.
        let gain = 0.5 * (ua * da + ub * db);
        let mut t = 1.0;
        while t > 1e-12 && value(a + t * da, b + t * db) < at - 1e-13 * at.abs() {
            t *= 0.5;
        }
        (a, b) = (a + t * da, b + t * db);
        at = value(a, b);
        let tiny = da.abs() <= 1e-13 * (1.0 + a.abs()) && db.abs() <= 1e-13 * (1.0 + b.abs());
        if settled || tiny {
            settled = true;
            break;
        }
        // One more full step once the gain is below rounding: convergence is quadratic.
        settled = gain.abs() < 1e-14;
    }
    if !settled {
        return Err(AnalysisError::NoConvergence { what: "the logistic fit" });
    }
    let mut info = [0.0; 3];
    for (i, &zi) in z.iter().enumerate() {
        let w = data.trials[i] * probability(a + b * zi).1;
        info[0] += w;
        info[1] += w * zi;
        info[2] += w * zi * zi;
    }
    let line = Line::from_scaled(a, b, mean, spread, info)?;
    let saturated: f64 = (0..data.len()).map(|i| saturated(data.successes[i], data.trials[i])).sum();
    let choose: f64 = (0..data.len()).map(|i| ln_choose(data.trials[i], data.successes[i])).sum();
    Ok(Fit::Found(LogisticFit {
        line,
        log_likelihood: at + choose,
        kernel: at,
        deviance: (2.0 * (saturated - at)).max(0.0),
        null_deviance: data.null_deviance(),
        rows: data.len(),
        data: data.clone(),
    }))
}

fn ln_choose(m: f64, k: f64) -> f64 {
    use super::special::ln_factorial as f;
    if m <= 1.0 { 0.0 } else { f(m as u64) - f(k as u64) - f((m - k) as u64) }
}

/// p and p(1 − p) at a value of the linear predictor, without cancellation.
pub(crate) fn probability(eta: f64) -> (f64, f64) {
    let e = (-eta.abs()).exp();
    let d = 1.0 + e;
    (if eta >= 0.0 { 1.0 / d } else { e / d }, e / (d * d))
}

/// Σ k ln p + (m − k) ln(1 − p): the logarithm of the likelihood without the binomial coefficients.
pub(crate) fn log_likelihood(data: &Observations, eta: impl Fn(usize) -> f64) -> f64 {
    (0..data.len())
        .map(|i| {
            let (k, m, e) = (data.successes[i], data.trials[i], eta(i));
            let yes = if k > 0.0 { k * ln_1p_exp(-e) } else { 0.0 };
            let no = if m > k { (m - k) * ln_1p_exp(e) } else { 0.0 };
            -(yes + no)
        })
        .sum()
}

/// A maximum likelihood fit.
#[derive(Clone, Debug, PartialEq)]
pub struct LogisticFit {
    /// Coefficients, covariance, half point.
    pub line: Line,
    /// Logarithm of the likelihood, binomial coefficients included.
    pub log_likelihood: f64,
    /// Residual deviance.
    pub deviance: f64,
    /// Deviance without the covariate.
    pub null_deviance: f64,
    /// Number of rows.
    pub rows: usize,
    kernel: f64,
    data: Observations,
}

impl LogisticFit {
    /// Degrees of freedom of the residual deviance.
    pub fn degrees(&self) -> usize {
        self.rows.saturating_sub(2)
    }
    /// Likelihood-ratio statistic of the slope, one degree of freedom.
    pub fn likelihood_ratio(&self) -> f64 {
        (self.null_deviance - self.deviance).max(0.0)
    }
    /// Its p value.
    pub fn likelihood_ratio_p(&self) -> f64 {
        chi2_1_upper(self.likelihood_ratio())
    }
    /// Akaike's criterion, −2 ln L + 4.
    pub fn aic(&self) -> f64 {
        4.0 - 2.0 * self.log_likelihood
    }
    /// Profile-likelihood limits of the slope.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn slope_profile(&self, confidence: f64) -> Result<Limits> {
        self.profiler(confidence).map(|p| p.slope())
    }
    /// Profile-likelihood limits of the intercept.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn intercept_profile(&self, confidence: f64) -> Result<Limits> {
        self.profiler(confidence).map(|p| p.intercept())
    }
    /// Profile-likelihood set of the half point; none for a level line.
    ///
    /// # Errors
    /// A confidence outside 0 to 1.
    pub fn half_point_profile(&self, confidence: f64) -> Result<Option<ConfidenceSet>> {
        self.profiler(confidence).map(|p| p.half_point())
    }
    fn profiler(&self, confidence: f64) -> Result<Profiler<'_>> {
        Profiler::new(&self.data, &self.line, self.kernel, false, confidence)
    }
}
