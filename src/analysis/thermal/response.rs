//! Closed solutions of the first-order box.

use crate::analysis::error::{self, AnalysisError, Result};

/// Course of the box at the times `t_s`, exact for an outside temperature that is linear between them and a heat share `heat[i]`
/// that is constant from `t_s[i]` to `t_s[i + 1]`:
/// T′ = A′ + r (h − τ) + lift u + (T − A + r τ − lift u) e^(−h/τ) with r = (A′ − A) / h.
///
/// # Errors
/// Lists of unequal length, values that are not finite, times that do not increase, a time constant not above 0.
pub fn simulate(t_s: &[f64], outside: &[f64], heat: &[f64], start: f64, lift: f64, tau_s: f64) -> Result<Vec<f64>> {
    error::same_length("times and outside temperatures", t_s, outside)?;
    error::same_length("times and heat shares", t_s, heat)?;
    for (what, list) in [("times", t_s), ("outside temperatures", outside), ("heat shares", heat)] {
        error::finite(what, list)?;
    }
    error::finite("start and lift", &[start, lift])?;
    let tau = error::positive("the time constant", tau_s)?;
    if let Some(w) = t_s.windows(2).find(|w| w[1] <= w[0]) {
        return Err(AnalysisError::Range { what: "a time", value: w[1], expected: "times that increase" });
    }
    let mut out = Vec::with_capacity(t_s.len());
    let mut box_c = start;
    for i in 0..t_s.len() {
        if i > 0 {
            let step = Advance::new(t_s[i] - t_s[i - 1], tau);
            box_c = step.step(box_c, outside[i - 1], outside[i], lift * heat[i - 1]);
        }
        out.push(box_c);
    }
    Ok(out)
}

/// One step of the recursion for a length and a time constant: its three factors, which are the same for every step of that
/// length.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Advance {
    /// What is left of the start, e^(−h/τ).
    pub(crate) decay: f64,
    /// How far the box comes to a target that stands still, 1 − e^(−h/τ).
    pub(crate) approach: f64,
    /// How much of the outside's rise over the step it follows, 1 − (1 − e^(−h/τ)) τ/h.
    pub(crate) follow: f64,
}

impl Advance {
    pub(crate) fn new(h: f64, tau: f64) -> Advance {
        let x = h / tau;
        let approach = -(-x).exp_m1();
        Advance { decay: (-x).exp(), approach, follow: if x > 0.0 { 1.0 - approach / x } else { 0.0 } }
    }
    /// Box temperature after the step.
    pub(crate) fn step(self, from: f64, outside: f64, outside_next: f64, lift: f64) -> f64 {
        from * self.decay + (outside + lift) * self.approach + (outside_next - outside) * self.follow
    }
}

/// How much of a swing of the outside temperature with this period reaches the box: 1 / √(1 + (ω τ)²).
///
/// # Errors
/// A period or time constant not above 0.
pub fn amplitude_ratio(tau_s: f64, period_s: f64) -> Result<f64> {
    Ok(1.0 / omega_tau(tau_s, period_s)?.hypot(1.0))
}

/// By how many seconds the box lags behind such a swing: atan(ω τ) / ω.
///
/// # Errors
/// A period or time constant not above 0.
pub fn time_lag(tau_s: f64, period_s: f64) -> Result<f64> {
    Ok(phase_lag(tau_s, period_s)? * period_s / (2.0 * std::f64::consts::PI))
}

/// The same lag as an angle in radians: atan(ω τ).
///
/// # Errors
/// A period or time constant not above 0.
pub fn phase_lag(tau_s: f64, period_s: f64) -> Result<f64> {
    omega_tau(tau_s, period_s).map(f64::atan)
}

fn omega_tau(tau_s: f64, period_s: f64) -> Result<f64> {
    let tau = error::positive("the time constant", tau_s)?;
    Ok(2.0 * std::f64::consts::PI * tau / error::positive("the period", period_s)?)
}

/// A swing of the outside temperature: mean + amplitude · sin(2π t / period + phase).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swing {
    /// Mean in °C.
    pub mean: f64,
    /// Amplitude in K.
    pub amplitude: f64,
    /// Period in s.
    pub period_s: f64,
    /// Phase at t = 0 in radians.
    pub phase: f64,
}

impl Swing {
    /// Box temperature at `t_s` when it stood at `start` at t = 0 and is warmed by `lift` from then on.
    ///
    /// # Errors
    /// Values that are not finite, a period or time constant not above 0.
    pub fn box_at(self, t_s: f64, start: f64, lift: f64, tau_s: f64) -> Result<f64> {
        error::finite("the swing", &[self.mean, self.amplitude, self.phase, t_s, start, lift])?;
        let (ratio, lag) = (amplitude_ratio(tau_s, self.period_s)?, phase_lag(tau_s, self.period_s)?);
        let omega = 2.0 * std::f64::consts::PI / self.period_s;
        let steady = |t: f64| self.mean + lift + self.amplitude * ratio * (omega * t + self.phase - lag).sin();
        Ok(steady(t_s) + (start - steady(0.0)) * (-t_s / tau_s).exp())
    }
}

/// Box temperature at `t_s` when the outside temperature runs as `a + r t`, the box stood at `start` at t = 0 and is warmed by
/// `lift`. After the transient it stands `lift − r τ` above the outside.
///
/// # Errors
/// Values that are not finite, a time constant not above 0.
pub fn ramp(t_s: f64, a: f64, r_per_s: f64, start: f64, lift: f64, tau_s: f64) -> Result<f64> {
    error::finite("the ramp", &[t_s, a, r_per_s, start, lift])?;
    let tau = error::positive("the time constant", tau_s)?;
    let steady = |t: f64| a + r_per_s * (t - tau) + lift;
    Ok(steady(t_s) + (start - steady(0.0)) * (-t_s / tau).exp())
}

/// Seconds until a box warmed by `lift` has risen by `d` kelvin: −τ ln(1 − d / lift). None where it never gets there; the same
/// sign of both is needed, so it serves for cooling too.
///
/// # Errors
/// Values that are not finite, a time constant not above 0.
pub fn time_to_reach(d: f64, lift: f64, tau_s: f64) -> Result<Option<f64>> {
    error::finite("rise and lift", &[d, lift])?;
    let tau = error::positive("the time constant", tau_s)?;
    if d == 0.0 {
        return Ok(Some(0.0));
    }
    let share = d / lift;
    Ok((share > 0.0 && share < 1.0).then(|| -tau * (-share).ln_1p()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// One long step is as good as many short ones on a straight line, and both agree with the closed form.
        #[test]
        fn steps_of_any_length_agree(tau in 60.0f64..20_000.0, r in -1e-3f64..1e-3, lift in -5.0f64..20.0, n in 1usize..40) {
            let (a, start, end) = (4.0, 1.0, 30_000.0);
            let t: Vec<f64> = (0..=n).map(|i| end * i as f64 / n as f64).collect();
            let outside: Vec<f64> = t.iter().map(|t| a + r * t).collect();
            let heat = vec![1.0; t.len()];
            let got = simulate(&t, &outside, &heat, start, lift, tau).unwrap();
            for (t, got) in t.iter().zip(got) {
                prop_assert!((got - ramp(*t, a, r, start, lift, tau).unwrap()).abs() < 1e-9);
            }
        }

        /// The box stays between the coldest and the warmest target.
        #[test]
        fn no_overshoot(outside in prop::collection::vec(-30.0f64..30.0, 2..30), tau in 1.0f64..1e6, lift in 0.0f64..20.0) {
            let t: Vec<f64> = (0..outside.len()).map(|i| 600.0 * i as f64).collect();
            let got = simulate(&t, &outside, &vec![1.0; t.len()], outside[0] + lift, lift, tau).unwrap();
            let (low, high) = outside.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            prop_assert!(got.iter().all(|b| *b >= low + lift - 1e-9 && *b <= high + lift + 1e-9));
        }
    }

    #[test]
    fn odd_input_is_refused() {
        assert!(simulate(&[0.0, 0.0], &[1.0, 1.0], &[0.0, 0.0], 1.0, 0.0, 10.0).is_err());
        assert!(simulate(&[0.0], &[f64::NAN], &[0.0], 1.0, 0.0, 10.0).is_err());
        assert!(simulate(&[], &[], &[], 1.0, 0.0, 0.0).is_err());
        assert_eq!(simulate(&[], &[], &[], 1.0, 0.0, 1.0).unwrap(), Vec::<f64>::new());
        assert_eq!(time_to_reach(1.0, 0.0, 10.0).unwrap(), None);
        assert_eq!(time_to_reach(-1.0, 8.0, 10.0).unwrap(), None);
    }
}
