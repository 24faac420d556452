//! Thermal model of the box: first order, driven by the measured outside temperature.
//!
//! dT/dt = (T_outside + lift · u − T) / τ, u the share of time that the heat is on (1 for what always warms the box). Newton's
//! law of cooling with one time constant; temperatures in °C, lifts in K, times in s.
//!
//! | question | where |
//! | --- | --- |
//! | course of the box for given lift and time constant: any outside curve, a sine, a ramp, time to reach a rise | [`response`] |
//! | one heating or cooling curve at constant outside temperature | [`step`] |
//! | ten-minute means and unbroken stretches from readings | [`means`] |
//! | lift and time constant of a season; errors by resampling nights | [`fit`], [`resample`] |
//! | coldest and warmest box to expect, outside level that belongs to a box level | [`predict`] |

pub mod fit;
pub mod means;
pub mod predict;
pub mod resample;
pub mod response;
pub mod step;

pub use fit::{ThermalFit, fit_season, fit_stretches};
pub use means::{Mean, Stretch, ten_minute_means};
