//! Time until a fault with nights that ended without one: Kaplan–Meier, log-rank, and mean time between faults.
//!
//! Sources: Kaplan & Meier 1958, J. Am. Stat. Assoc. 53:457–481; Greenwood 1926 (variance); Kalbfleisch & Prentice 2002, *The
//! Statistical Analysis of Failure Time Data*, ch. 1 (limits on the log and log-log scale); Brookmeyer & Crowley 1982,
//! Biometrics 38:29–41 (limits of the median); Mantel 1966 (log-rank); IEC 60605-4 and MIL-HDBK-781A (mean time between
//! failures by chi-square).
//!
//! Edge cases: where everybody had the event survival ends at 0 and its limits do not exist there; a curve that never falls
//! to one half has no median; no fault at all gives a mean time without upper limit.

use super::error::{self, AnalysisError, Result};
use super::limits::Limits;
use super::special::{chi2_1_upper, gamma_quantile, gamma_upper_quantile, normal_two_sided_quantile};

/// One step of a Kaplan–Meier curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Time of the events.
    pub time: f64,
    /// How many were still watched just before.
    pub at_risk: usize,
    /// Events at this time.
    pub events: usize,
    /// Share that gets beyond this time.
    pub survival: f64,
    /// Greenwood's standard error; none once survival is 0.
    pub greenwood_se: Option<f64>,
    /// Survival ± z · error, cut to 0..1.
    pub plain: Option<Limits>,
    /// Limits on the scale of log survival, upper one cut to 1.
    pub log: Option<Limits>,
    /// Limits on the scale of log(−log survival); stay inside 0..1 by themselves.
    pub log_log: Option<Limits>,
}

/// Which limits of a curve are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scale {
    /// Symmetric around survival.
    Plain,
    /// Symmetric on the logarithm.
    Log,
    /// Symmetric on log(−log).
    LogLog,
}

/// A Kaplan–Meier curve: one step for each time with an event.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Steps in order of time.
    pub steps: Vec<Step>,
    /// Sum of all times.
    pub total_time: f64,
    /// Number of events.
    pub events: usize,
}

fn checked(time: &[f64], event: &[bool]) -> Result<()> {
    error::same_length("times and events", time, event)?;
    error::finite("times", time)?;
    match time.iter().find(|t| **t < 0.0) {
        Some(&value) => Err(AnalysisError::Range { what: "a time", value, expected: "a number not below 0" }),
        None => Ok(()),
    }
}

/// Kaplan–Meier curve of `time[i]`, which ended with the event or (false) was only watched that long. At equal times events
/// come before ends of watching.
///
/// # Errors
/// Empty or unequal lists, times below 0 or not finite, a confidence outside 0 to 1.
pub fn kaplan_meier(time: &[f64], event: &[bool], confidence: f64) -> Result<Curve> {
    checked(time, event)?;
    error::at_least("times", time.len(), 1)?;
    error::alpha(confidence)?;
    let z = normal_two_sided_quantile(confidence);
    let (mut survival, mut variance) = (1.0, 0.0);
    let mut steps = Vec::new();
    for (t, at_risk, events) in event_times(time, event) {
        let (n, d) = (at_risk as f64, events as f64);
        survival *= (n - d) / n;
        let alive = events < at_risk;
        if alive {
            variance += d / (n * (n - d));
        }
        let se = survival * f64::sqrt(variance);
        let spread = z * variance.sqrt();
        let tilt = (spread / f64::ln(survival)).exp();
        steps.push(Step {
            time: t,
            at_risk,
            events,
            survival,
            greenwood_se: alive.then_some(se),
            plain: alive.then(|| Limits::new((survival - z * se).max(0.0), (survival + z * se).min(1.0))),
            log: alive.then(|| Limits::new(survival * (-spread).exp(), (survival * spread.exp()).min(1.0))),
            log_log: alive.then(|| Limits::new(survival.powf(1.0 / tilt), survival.powf(tilt))),
        });
    }
    Ok(Curve { steps, total_time: time.iter().sum(), events: event.iter().filter(|e| **e).count() })
}

/// Distinct times with events: time, number at risk, number of events.
fn event_times(time: &[f64], event: &[bool]) -> Vec<(f64, usize, usize)> {
    let mut order: Vec<usize> = (0..time.len()).collect();
    order.sort_by(|&a, &b| time[a].total_cmp(&time[b]));
    let mut out = Vec::new();
    let mut i = 0;
    while i < order.len() {
        let t = time[order[i]];
        let same = order[i..].iter().take_while(|&&k| time[k] == t).count();
        let events = order[i..i + same].iter().filter(|&&k| event[k]).count();
        if events > 0 {
            out.push((t, order.len() - i, events));
        }
        i += same;
    }
    out
}

impl Curve {
    /// Share that gets beyond `time`.
    pub fn survival(&self, time: f64) -> f64 {
        self.steps.iter().take_while(|s| s.time <= time).last().map_or(1.0, |s| s.survival)
    }
    /// First time at which survival is at most one half; none if it never is.
    pub fn median(&self) -> Option<f64> {
        // Products of fractions such as ½ · ½ may miss the exact value by rounding.
        self.steps.iter().find(|s| s.survival <= 0.5 * (1.0 + 1e-12)).map(|s| s.time)
    }
    /// Limits of the median: first times at which the limits of survival are at most one half. The upper one is infinite if
    /// the upper limit stays above; where survival has reached 0 its limits count as reached too.
    pub fn median_limits(&self, scale: Scale) -> Limits {
        let first = |upper: bool| {
            self.steps.iter().find(|s| {
                let l = match scale {
                    Scale::Plain => s.plain,
                    Scale::Log => s.log,
                    Scale::LogLog => s.log_log,
                };
                l.map_or(!upper, |l| (if upper { l.high } else { l.low }) <= 0.5)
            })
        };
        Limits::new(first(false).map_or(f64::INFINITY, |s| s.time), first(true).map_or(f64::INFINITY, |s| s.time))
    }
    /// Events per unit of time, supposing a constant rate.
    pub fn exponential_rate(&self) -> f64 {
        self.events as f64 / self.total_time
    }
    /// Total time divided by events; none without an event.
    pub fn mean_time_between(&self) -> Option<f64> {
        (self.events > 0).then(|| self.total_time / self.events as f64)
    }
}

/// A log-rank test of two groups.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogRank {
    /// Events seen in the first group.
    pub observed: f64,
    /// Events to be expected there if both groups were alike.
    pub expected: f64,
    /// Hypergeometric variance of their difference.
    pub variance: f64,
    /// (observed − expected)² / variance, one degree of freedom.
    pub chi2: f64,
    /// Its p value; 1 where the variance is 0 (nothing to compare).
    pub p: f64,
}

/// Log-rank test of two groups of times.
///
/// # Errors
/// Unequal lists, times below 0 or not finite.
pub fn log_rank(time1: &[f64], event1: &[bool], time2: &[f64], event2: &[bool]) -> Result<LogRank> {
    checked(time1, event1)?;
    checked(time2, event2)?;
    let times = [time1, time2].concat();
    let events = [event1, event2].concat();
    let (mut expected, mut variance) = (0.0, 0.0);
    for (t, at_risk, d) in event_times(&times, &events) {
        let n1 = time1.iter().filter(|x| **x >= t).count() as f64;
        let (n, d) = (at_risk as f64, d as f64);
        expected += d * n1 / n;
        if at_risk > 1 {
            variance += d * (n1 / n) * (1.0 - n1 / n) * (n - d) / (n - 1.0);
        }
    }
    let observed = event1.iter().filter(|e| **e).count() as f64;
    let chi2 = if variance > 0.0 { (observed - expected).powi(2) / variance } else { 0.0 };
    Ok(LogRank { observed, expected, variance, chi2, p: chi2_1_upper(chi2) })
}

/// What ended the watching.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stop {
    /// A time fixed beforehand, or today: what a log does.
    Time,
    /// The last fault itself.
    Fault,
}

/// Mean time between faults with exact limits, supposing a constant rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanTime {
    /// Total time divided by faults; none without a fault.
    pub mean: Option<f64>,
    /// Both tails half of alpha; the upper one is infinite without a fault.
    pub limits: Limits,
    /// One-sided lower limit at the same confidence.
    pub lower_one_sided: f64,
}

/// Mean time between `faults` over `total_time`.
///
/// # Errors
/// Total time not above 0; watching that was stopped by a fault without any; a confidence outside 0 to 1.
pub fn mean_time_between(total_time: f64, faults: u64, stop: Stop, confidence: f64) -> Result<MeanTime> {
    let t = error::positive("the total time", total_time)?;
    let alpha = error::alpha(confidence)?;
    if faults > 1_000_000_000 {
        return Err(AnalysisError::Range { what: "faults", value: faults as f64, expected: "at most 1000000000" });
    }
    let r = faults as f64;
    // Chi-square with 2r + 2 degrees of freedom, or 2r if the last fault ended it.
    let shape = match stop {
        Stop::Time => r + 1.0,
        Stop::Fault if faults > 0 => r,
        Stop::Fault => return Err(AnalysisError::TooFew { what: "faults that ended the watching", have: 0, need: 1 }),
    };
    Ok(MeanTime {
        mean: (faults > 0).then(|| t / r),
        limits: Limits {
            low: t / gamma_upper_quantile(0.5 * alpha, shape),
            high: if faults == 0 { f64::INFINITY } else { t / gamma_quantile(0.5 * alpha, r) },
        },
        lower_one_sided: t / gamma_upper_quantile(alpha, shape),
    })
}
