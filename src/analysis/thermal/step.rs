//! One heating or cooling curve at constant outside temperature: y = a + b e^(−t/τ) by nonlinear least squares.
//!
//! For a given τ the curve is linear in a and b, so only τ is searched (Golub & Pereyra 1973, variable projection): over a wide
//! grid, so that no local minimum is taken for the answer, then to the last digits by Gauss–Newton steps. Standard errors are
//! √diag((JᵀJ)⁻¹ · RSS / (n − 3)). They are honest about a record shorter than a time constant: lift and τ then go together and
//! both errors are large.

use crate::analysis::error::{self, AnalysisError, Result};
use nalgebra::{Matrix3, Vector3};

/// A fitted exponential.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exponential {
    /// Value at infinite time.
    pub a: f64,
    /// Distance from there at t = 0.
    pub b: f64,
    /// Time constant, in the unit of the times.
    pub tau: f64,
    /// Covariance of a, b and τ.
    pub covariance: [[f64; 3]; 3],
    /// Residual sum of squares.
    pub rss: f64,
    /// Degrees of freedom, n − 3.
    pub degrees: usize,
}

/// A figure with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// Its standard error.
    pub se: f64,
}

impl Exponential {
    /// √(RSS / degrees of freedom).
    pub fn residual_sd(&self) -> f64 {
        (self.rss / self.degrees as f64).sqrt()
    }
    /// A linear combination of a, b and τ.
    fn combined(&self, w: [f64; 3]) -> Estimate {
        let value = w[0] * self.a + w[1] * self.b + w[2] * self.tau;
        let mut variance = 0.0;
        for (i, row) in self.covariance.iter().enumerate() {
            for (j, c) in row.iter().enumerate() {
                variance += w[i] * w[j] * c;
            }
        }
        Estimate { value, se: variance.max(0.0).sqrt() }
    }
    /// Value at t = 0: the start of the curve.
    pub fn start(&self) -> Estimate {
        self.combined([1.0, 1.0, 0.0])
    }
    /// Rise from the start to the end: the lift of a heating curve that starts at the outside temperature.
    pub fn lift(&self) -> Estimate {
        self.combined([0.0, -1.0, 0.0])
    }
    /// Value at infinite time.
    pub fn end(&self) -> Estimate {
        self.combined([1.0, 0.0, 0.0])
    }
    /// Fall from the start to the end.
    pub fn drop(&self) -> Estimate {
        self.combined([0.0, 1.0, 0.0])
    }
    /// The time constant.
    pub fn time_constant(&self) -> Estimate {
        self.combined([0.0, 0.0, 1.0])
    }
}

/// Fit a heating or cooling curve. Times in any order.
///
/// # Errors
/// Fewer than four readings or three distinct times, values that are not finite, readings that do not vary, and
/// [`AnalysisError::Undetermined`] where the curve bends too little (or only within one step) to tell a time constant.
pub fn fit(t: &[f64], y: &[f64]) -> Result<Exponential> {
    error::same_length("times and temperatures", t, y)?;
    error::at_least("readings of the curve", t.len(), 4)?;
    error::finite("times", t)?;
    error::finite("temperatures", y)?;
    let mut distinct = t.to_vec();
    distinct.sort_by(f64::total_cmp);
    distinct.dedup();
    error::at_least("distinct times of the curve", distinct.len(), 3)?;
    if y.iter().all(|v| *v == y[0]) {
        return Err(AnalysisError::NoVariation { what: "the temperature" });
    }
    // Times from the first reading on, so that far-off clocks keep their digits; b is moved back at the end.
    let (t0, span) = (distinct[0], distinct[distinct.len() - 1] - distinct[0]);
    let u: Vec<f64> = t.iter().map(|t| t - t0).collect();
    let finest = distinct.windows(2).map(|w| w[1] - w[0]).fold(span, f64::min);
    let (low, high) = ((finest / 20.0).ln(), (span * 200.0).ln());
    const CELLS: usize = 200;
    let grid: Vec<f64> = (0..=CELLS).map(|i| low + (high - low) * i as f64 / CELLS as f64).collect();
    let rss: Vec<f64> = grid.iter().map(|l| linear(&u, y, l.exp()).2).collect();
    let best = (0..=CELLS).min_by(|&i, &j| rss[i].total_cmp(&rss[j])).unwrap_or(0);
    let undetermined = AnalysisError::Undetermined {
        what: "the time constant",
        why: "the curve bends too little; record it for longer, or in finer steps",
    };
    if best == 0 || best == CELLS {
        return Err(undetermined);
    }
    let log_tau = golden(grid[best - 1], grid[best + 1], |l| linear(&u, y, l.exp()).2);
    let mut tau = log_tau.exp();
    let (mut a, mut b, mut at) = linear(&u, y, tau);
    let mut normal = Matrix3::zeros();
    for _ in 0..50 {
        let mut right = Vector3::zeros();
        normal = Matrix3::zeros();
        for (t, y) in u.iter().zip(y) {
            let e = (-t / tau).exp();
            let j = Vector3::new(1.0, e, b * e * t / (tau * tau));
            normal += j * j.transpose();
            right += j * (y - a - b * e);
        }
        let Some(step) = normal.lu().solve(&right) else { return Err(undetermined) };
        let next = tau + step[2];
        if !(next > 0.0 && next.is_finite()) {
            break;
        }
        let (na, nb, nr) = linear(&u, y, next);
        // At the minimum rounding decides; a worse sum means that the last digits are reached.
        if nr > at {
            break;
        }
        let done = (next - tau).abs() <= 1e-14 * tau;
        (a, b, at, tau) = (na, nb, nr, next);
        if done {
            break;
        }
    }
    let degrees = t.len() - 3;
    let Some(inverse) = normal.try_inverse() else { return Err(undetermined) };
    let v = inverse * (at / degrees as f64);
    // y = a + b e^(−(t − t0)/τ) = a + (b e^(t0/τ)) e^(−t/τ).
    let shift = (t0 / tau).exp();
    if !shift.is_finite() || shift == 0.0 {
        return Err(AnalysisError::Range {
            what: "the first time",
            value: t0,
            expected: "times counted from the start",
        });
    }
    let back = Matrix3::new(1.0, 0.0, 0.0, 0.0, shift, -b * shift * t0 / (tau * tau), 0.0, 0.0, 1.0);
    let c = back * v * back.transpose();
    let covariance = std::array::from_fn(|i| std::array::from_fn(|j| c[(i, j)]));
    Ok(Exponential { a, b: b * shift, tau, covariance, rss: at, degrees })
}

/// Best a and b for a given τ, and the residual sum of squares.
fn linear(t: &[f64], y: &[f64], tau: f64) -> (f64, f64, f64) {
    let n = t.len() as f64;
    let e: Vec<f64> = t.iter().map(|t| (-t / tau).exp_m1()).collect();
    let (me, my) = (e.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
    let (mut see, mut sey) = (0.0, 0.0);
    for (e, y) in e.iter().zip(y) {
        see += (e - me) * (e - me);
        sey += (e - me) * (y - my);
    }
    let b = if see > 0.0 { sey / see } else { 0.0 };
    // e stands for e^(−t/τ) − 1, which keeps digits for long time constants.
    let a1 = my - b * me;
    let rss = e.iter().zip(y).map(|(e, y)| (y - a1 - b * e).powi(2)).sum();
    (a1 - b, b, rss)
}

/// Minimum of a function with one valley between two points (golden section).
pub(crate) fn golden(mut a: f64, mut b: f64, f: impl Fn(f64) -> f64) -> f64 {
    const G: f64 = 0.618_033_988_749_894_8;
    let (mut c, mut d) = (b - G * (b - a), a + G * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    for _ in 0..70 {
        if fc < fd {
            (b, d, fd) = (d, c, fc);
            c = b - G * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + G * (b - a);
            fd = f(d);
        }
    }
    0.5 * (a + b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn records_that_say_nothing_are_refused() {
        let t: Vec<f64> = (0..20).map(|i| f64::from(i) * 60.0).collect();
        assert!(matches!(fit(&t, &[3.0; 20]), Err(AnalysisError::NoVariation { .. })));
        let straight: Vec<f64> = t.iter().map(|t| 1.0 + 0.01 * t).collect();
        assert!(matches!(fit(&t, &straight), Err(AnalysisError::Undetermined { .. })));
        assert!(fit(&t[..3], &straight[..3]).is_err());
        assert!(fit(&[0.0, 0.0, 1.0, 1.0], &[1.0, 2.0, 3.0, 4.0]).is_err());
    }

    #[test]
    fn exact_curves_come_back_whatever_the_origin() {
        for t0 in [0.0, -3600.0, 7200.0] {
            let t: Vec<f64> = (0..60).map(|i| t0 + f64::from(i) * 60.0).collect();
            let y: Vec<f64> = t.iter().map(|t| 10.0 - 8.0 * (-t / 1500.0).exp()).collect();
            let f = fit(&t, &y).unwrap();
            assert!((f.tau - 1500.0).abs() < 1e-5 && (f.a - 10.0).abs() < 1e-7 && (f.b + 8.0).abs() < 1e-7, "{f:?}");
        }
    }
}
