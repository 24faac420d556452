//! What a fitted box says about nights to come.

use super::fit::ThermalFit;
use super::response::amplitude_ratio;
use crate::analysis::error::{self, AnalysisError, Result};
use crate::analysis::limits::Limits;
use crate::analysis::special::normal_two_sided_quantile;

/// Whether the heater is on in the night to come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heating {
    /// Off, or there is none.
    Off,
    /// On all the time.
    On,
}

/// A box temperature to expect, with a band that holds the uncertainty of the lift and the scatter around the model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// In °C.
    pub celsius: f64,
    /// Band at the stated confidence.
    pub band: Limits,
}

/// Coldest and warmest box for a range of outside temperatures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoxRange {
    /// The lowest outside temperature lasts: outside + lift.
    pub coldest: Expected,
    /// The highest outside temperature lasts.
    pub warmest: Expected,
    /// The same if the outside swings between both once a day: the box follows by less.
    pub daily_swing: Limits,
}

/// Lift in K and its standard error for a way of heating.
fn lift(fit: &ThermalFit, heating: Heating) -> (f64, f64) {
    match heating {
        Heating::Off => (fit.lift_without_heater(), fit.lift_se()),
        Heating::On => (fit.lift_with_heater(), fit.heated_se()),
    }
}

/// Coldest and warmest box to expect for outside temperatures from `low` to `high` °C.
///
/// # Errors
/// Temperatures that are not finite or the wrong way round, a confidence outside 0 to 1.
pub fn box_range(fit: &ThermalFit, low: f64, high: f64, heating: Heating, confidence: f64) -> Result<BoxRange> {
    error::finite("the outside range", &[low, high])?;
    error::alpha(confidence)?;
    if low > high {
        return Err(AnalysisError::Range {
            what: "the lowest outside temperature",
            value: low,
            expected: "not above the highest",
        });
    }
    let (lift, se) = lift(fit, heating);
    let half = normal_two_sided_quantile(confidence) * se.hypot(fit.residual_sd());
    let at = |outside: f64| {
        let celsius = outside + lift;
        Expected { celsius, band: Limits::new(celsius - half, celsius + half) }
    };
    let ratio = amplitude_ratio(fit.tau_s.value, 86_400.0)?;
    let (middle, swing) = (0.5 * (low + high) + lift, 0.5 * (high - low) * ratio);
    Ok(BoxRange { coldest: at(low), warmest: at(high), daily_swing: Limits::new(middle - swing, middle + swing) })
}

/// The outside temperature in °C that belongs to a box temperature when it lasts: box − lift, with limits from the lift's error.
/// How a limit found in the box is said in terms of what a remedy in the box cannot touch.
///
/// # Errors
/// A temperature that is not finite, a confidence outside 0 to 1.
pub fn outside_for_box(fit: &ThermalFit, box_c: f64, heating: Heating, confidence: f64) -> Result<Expected> {
    error::finite_one("the box temperature", box_c)?;
    error::alpha(confidence)?;
    let (lift, se) = lift(fit, heating);
    let (celsius, half) = (box_c - lift, normal_two_sided_quantile(confidence) * se);
    Ok(Expected { celsius, band: Limits::new(celsius - half, celsius + half) })
}
