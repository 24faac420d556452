//! Profile limits: hold one figure of a logistic fit, let the other go where the (penalised) likelihood is best, and see how far the
//! held one may move until the loss exceeds what the confidence level allows.
//!
//! Sources: Venzon & Moolgavkar 1988, Appl. Stat. 37:87–94; Heinze & Schemper 2002, Stat. Med. 21:2409–2419 (penalised).

use super::error::{self, Result};
use super::limits::{ConfidenceSet, Limits};
use super::line::Line;
use super::logistic::{Observations, log_likelihood, probability};
use super::roots;
use super::special::chi2_quantile;

/// Profile limits of a logistic fit, plain or penalised (shared with Firth's fit).
pub(crate) struct Profiler<'a> {
    data: &'a Observations,
    line: &'a Line,
    best: f64,
    critical: f64,
    penalised: bool,
    z: Vec<f64>,
}

impl<'a> Profiler<'a> {
    pub(crate) fn new(
        data: &'a Observations,
        line: &'a Line,
        best: f64,
        penalised: bool,
        confidence: f64,
    ) -> Result<Profiler<'a>> {
        error::alpha(confidence)?;
        let z = data.x().iter().map(|x| (x - line.mean) / line.spread).collect();
        Ok(Profiler { data, line, best, critical: chi2_quantile(confidence, 1.0), penalised, z })
    }

    /// Best attainable (penalised) log likelihood with eta = offset + t · direction, over t.
    pub(crate) fn best_along(
        &self,
        start: f64,
        offset: impl Fn(usize) -> f64,
        direction: impl Fn(usize) -> f64,
    ) -> f64 {
        let eta = |i: usize, t: f64| offset(i) + t * direction(i);
        let slope = |t: f64| self.score(|i| eta(i, t), &direction);
        let at = slope(start);
        let t = if at == 0.0 {
            Some(start)
        } else {
            // Uphill from the start until the slope changes sign. At the top the value is flat: an argument to nine digits gives
            // it to the last one.
            let step = 0.25f64.copysign(at) * (1.0 + start.abs());
            roots::outward_within(start, step, 1e12, 1e-10, slope)
        };
        t.map_or(f64::NAN, |t| self.value(|i| eta(i, t)))
    }

    fn value(&self, eta: impl Fn(usize) -> f64) -> f64 {
        let plain = log_likelihood(self.data, &eta);
        if self.penalised { plain + super::firth::penalty(self.data, &self.z, self.line.spread, &eta) } else { plain }
    }

    fn score(&self, eta: impl Fn(usize) -> f64, direction: impl Fn(usize) -> f64) -> f64 {
        if self.penalised {
            return super::firth::score_along(self.data, &self.z, eta, direction);
        }
        (0..self.data.len())
            .map(|i| (self.data.successes()[i] - self.data.trials()[i] * probability(eta(i)).0) * direction(i))
            .sum()
    }

    /// Twice the loss of log likelihood beyond what the confidence level allows.
    fn excess(&self, profile: f64) -> f64 {
        2.0 * (self.best - profile) - self.critical
    }

    fn limits(&self, estimate: f64, step: f64, excess: impl Fn(f64) -> f64) -> Limits {
        let reach = 1e9 * step;
        Limits {
            low: roots::outward(estimate, -step, reach, &excess).unwrap_or(f64::NEG_INFINITY),
            high: roots::outward(estimate, step, reach, &excess).unwrap_or(f64::INFINITY),
        }
    }

    fn slope_excess(&self, b: f64) -> f64 {
        self.excess(self.best_along(self.line.scaled[0], |i| b * self.z[i], |_| 1.0))
    }

    /// Twice the gain of log likelihood over the best line with slope 0.
    pub(crate) fn slope_statistic(&self) -> f64 {
        (self.slope_excess(0.0) + self.critical).max(0.0)
    }

    /// Twice the gain of log likelihood over the best line with intercept 0 (at x = 0).
    pub(crate) fn intercept_statistic(&self) -> f64 {
        (self.intercept_excess(0.0) + self.critical).max(0.0)
    }

    fn intercept_excess(&self, a: f64) -> f64 {
        // eta = a + slope · x, searched along x in units of its largest size.
        let size = self.data.x().iter().fold(0.0f64, |m, v| m.max(v.abs()));
        self.excess(self.best_along(self.line.slope * size, |_| a, |i| self.data.x()[i] / size))
    }

    pub(crate) fn slope(&self) -> Limits {
        let step = self.line.scaled_covariance[2].sqrt();
        self.limits(self.line.scaled[1], step, |b| self.slope_excess(b)).per(self.line.spread)
    }

    pub(crate) fn intercept(&self) -> Limits {
        self.limits(self.line.intercept, self.line.covariance[0][0].sqrt(), |a| self.intercept_excess(a))
    }

    fn half_point_excess(&self, m: f64) -> f64 {
        // eta = t (z − m) / size: far out this is a level line, so the loss tends to that of slope 0.
        let size = self.z.iter().fold(0.0f64, |s, v| s.max((v - m).abs()));
        let start = (self.line.scaled[1] * size).clamp(-4.0, 4.0);
        self.excess(self.best_along(start, |_| 0.0, |i| (self.z[i] - m) / size))
    }

    pub(crate) fn half_point(&self) -> Option<ConfidenceSet> {
        self.line.half_point()?;
        let m = -self.line.scaled[0] / self.line.scaled[1];
        let widest = self.z.iter().fold(0.0f64, |s, v| s.max(v.abs()));
        let far = 1e7 * (1.0 + m.abs() + widest);
        let excess = |m: f64| self.half_point_excess(m);
        let back = |m: f64| self.line.mean + self.line.spread * m;
        if self.slope_excess(0.0) > 0.0 {
            // A level line is excluded, and the half point runs to ±∞ only with a level line: the set is an interval.
            let step = 0.1 * (self.line.half_point_delta_se()? / self.line.spread).clamp(1e-3, 1.0);
            let low = roots::outward(m, -step, far, excess).map_or(f64::NEG_INFINITY, back);
            let high = roots::outward(m, step, far, excess).map_or(f64::INFINITY, back);
            return Some(ConfidenceSet::Interval { low, high });
        }
        // The slope may be zero, so both far ends belong to the set; at most there is a hole where the data lie.
        let grid = (0..=120).map(|i| widest * (f64::from(i) / 60.0 - 1.0));
        let (worst, at) =
            grid.map(|g| (g, excess(g))).fold((0.0, f64::NEG_INFINITY), |b, c| if c.1 > b.1 { c } else { b });
        if at <= 0.0 {
            return Some(ConfidenceSet::Everything);
        }
        let up_to = roots::outward(worst, -0.1, far, excess).map_or(f64::NEG_INFINITY, back);
        let from = roots::outward(worst, 0.1, far, excess).map_or(f64::INFINITY, back);
        Some(ConfidenceSet::TwoRays { up_to, from })
    }
}
