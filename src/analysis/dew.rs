//! Water vapour: saturation over water and ice, dew and frost point, relative humidity after warming, margin to dew.
//!
//! Source: WMO-No. 8 (Guide to Instruments and Methods of Observation), Annex 4.B: e_w = 6.112 exp[17.62 t / (243.12 + t)]
//! hPa over water (−45 to 60 °C) and e_i = 6.112 exp[22.46 t / (272.62 + t)] over ice (−65 to 0 °C), with t in °C; stated
//! uncertainty 0.6 % and 1 %. Relative humidity is with respect to water at all temperatures, as sensors report it, so the dew
//! point is over water even below 0 °C and the frost point lies above it. The pressure enhancement factor (below 0.5 %)
//! cancels in relative humidity and is left out of dew points.
//!
//! Edge cases: 100 % gives the air temperature exactly; 0 % has no dew point; above 100 % (a sensor's error, or fog) the dew
//! point is held at the air temperature and flagged. Temperatures outside −80 to 100 °C and humidities outside 0 to 150 % are
//! refused: they come from broken sensors.

use super::error::{AnalysisError, Result};

const SCALE: f64 = 6.112;
const WATER: (f64, f64) = (17.62, 243.12);
const ICE: (f64, f64) = (22.46, 272.62);

fn temperature(value: f64) -> Result<f64> {
    if (-80.0..=100.0).contains(&value) {
        Ok(value)
    } else {
        Err(AnalysisError::Range { what: "a temperature", value, expected: "-80 to 100 °C" })
    }
}

fn humidity(value: f64) -> Result<f64> {
    if (0.0..=150.0).contains(&value) {
        Ok(value)
    } else {
        Err(AnalysisError::Range { what: "a relative humidity", value, expected: "0 to 100 %" })
    }
}

fn magnus((a, b): (f64, f64), t: f64) -> f64 {
    SCALE * (a * t / (b + t)).exp()
}

fn inverse((a, b): (f64, f64), hpa: f64) -> f64 {
    let l = (hpa / SCALE).ln();
    b * l / (a - l)
}

/// Saturation vapour pressure over water in hPa at a temperature in °C.
///
/// # Errors
/// A temperature outside −80 to 100 °C.
pub fn saturation_over_water(t_c: f64) -> Result<f64> {
    temperature(t_c).map(|t| magnus(WATER, t))
}

/// Saturation vapour pressure over ice in hPa at a temperature in °C, not above 0 °C.
///
/// # Errors
/// A temperature outside −80 to 0 °C.
pub fn saturation_over_ice(t_c: f64) -> Result<f64> {
    if t_c > 0.0 {
        return Err(AnalysisError::Range { what: "a temperature over ice", value: t_c, expected: "-80 to 0 °C" });
    }
    temperature(t_c).map(|t| magnus(ICE, t))
}

/// Pressure enhancement factor of moist air: f(p) = 1.0016 + 3.15e-6 p − 0.074 / p, p in hPa.
///
/// # Errors
/// A pressure outside 100 to 1200 hPa.
pub fn enhancement_factor(p_hpa: f64) -> Result<f64> {
    if (100.0..=1200.0).contains(&p_hpa) {
        Ok(1.0016 + 3.15e-6 * p_hpa - 0.074 / p_hpa)
    } else {
        Err(AnalysisError::Range { what: "an air pressure", value: p_hpa, expected: "100 to 1200 hPa" })
    }
}

/// Saturation vapour pressure over water of moist air in hPa at a temperature in °C and a pressure in hPa.
///
/// # Errors
/// Values outside the ranges of the two factors.
pub fn saturation_moist_air(t_c: f64, p_hpa: f64) -> Result<f64> {
    Ok(enhancement_factor(p_hpa)? * saturation_over_water(t_c)?)
}

/// Vapour pressure in hPa of air at `t_c` °C and `rh` % relative humidity.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn vapour_pressure(t_c: f64, rh: f64) -> Result<f64> {
    Ok(humidity(rh)? / 100.0 * saturation_over_water(t_c)?)
}

/// Absolute humidity in g/m³: 216.679 e / T, e in hPa and T in K.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn absolute_humidity(t_c: f64, rh: f64) -> Result<f64> {
    Ok(216.679 * vapour_pressure(t_c, rh)? / (t_c + 273.15))
}

/// A dew point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DewPoint {
    /// In °C, never above the air temperature.
    pub celsius: f64,
    /// What the formula gives for a humidity above 100 %; otherwise the same.
    pub unclamped: f64,
    /// The humidity was above 100 %: fog, or a sensor that reads too high.
    pub supersaturated: bool,
}

/// Dew point (over water) of air at `t_c` °C and `rh` % relative humidity; none for perfectly dry air.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn dew_point(t_c: f64, rh: f64) -> Result<Option<DewPoint>> {
    let e = vapour_pressure(t_c, rh)?;
    if rh == 0.0 {
        return Ok(None);
    }
    let unclamped = if rh == 100.0 { t_c } else { inverse(WATER, e) };
    Ok(Some(DewPoint { celsius: unclamped.min(t_c), unclamped, supersaturated: rh > 100.0 }))
}

/// Frost point (over ice) in °C of air at `t_c` °C and `rh` % relative humidity; none for perfectly dry air and where it
/// would lie above 0 °C, for then dew forms and no frost. Warmer than the dew point.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn frost_point(t_c: f64, rh: f64) -> Result<Option<f64>> {
    let e = vapour_pressure(t_c, rh)?;
    Ok((e > 0.0).then(|| inverse(ICE, e)).filter(|f| *f <= 0.0))
}

/// The temperature in °C at which a vapour pressure in hPa saturates over water.
///
/// # Errors
/// A pressure not above 0, or beyond saturation at 100 °C.
pub fn dew_point_of_pressure(e_hpa: f64) -> Result<f64> {
    if e_hpa > 0.0 && e_hpa <= magnus(WATER, 100.0) {
        Ok(inverse(WATER, e_hpa))
    } else {
        Err(AnalysisError::Range { what: "a vapour pressure", value: e_hpa, expected: "above 0, in hPa" })
    }
}

/// Air brought to another temperature with its water kept in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warmed {
    /// Vapour pressure in hPa, unchanged.
    pub vapour_pressure: f64,
    /// Relative humidity in % at the new temperature; above 100 means that water comes out.
    pub rh: f64,
    /// Whether it does.
    pub condenses: bool,
}

/// Relative humidity of air at `t_c` °C and `rh` % after warming or cooling to `to_c` °C.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn warmed(t_c: f64, rh: f64, to_c: f64) -> Result<Warmed> {
    let e = vapour_pressure(t_c, rh)?;
    let rh = 100.0 * e / saturation_over_water(to_c)?;
    // Warmed to where it was: exactly the same humidity, not one rounding above it.
    Ok(Warmed { vapour_pressure: e, rh, condenses: rh > 100.0 * (1.0 + 1e-12) })
}

/// How many kelvin above air of `t_c` °C and `rh` % a surface must be held so that the humidity at it is at most `target` %.
/// Not below 0 when it is dry enough already.
///
/// # Errors
/// A temperature or humidity out of range; a target of 0 %.
pub fn lift_for_humidity(t_c: f64, rh: f64, target: f64) -> Result<f64> {
    let e = vapour_pressure(t_c, rh)?;
    if humidity(target)? == 0.0 {
        return Err(AnalysisError::Range { what: "the humidity aimed at", value: target, expected: "above 0 %" });
    }
    Ok(if e == 0.0 { 0.0 } else { (inverse(WATER, 100.0 * e / target) - t_c).max(0.0) })
}

/// How far a surface is from getting wet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margin {
    /// Surface minus dew point, in K; negative: dew forms.
    pub over_water: f64,
    /// Surface minus frost point, in K, where the frost point is at or below 0 °C; negative on a surface below 0 °C: frost.
    pub over_ice: Option<f64>,
}

impl Margin {
    /// The margin that matters at a surface of this temperature: over ice below 0 °C, else over water.
    pub fn nearest(self, surface_c: f64) -> f64 {
        match self.over_ice {
            Some(ice) if surface_c < 0.0 => ice.min(self.over_water),
            _ => self.over_water,
        }
    }
}

/// Margin to condensation of a surface at `surface_c` °C in air of `t_c` °C and `rh` %; none in perfectly dry air. A surface
/// under open sky can be colder than the air: measure the surface, or do not trust a small margin.
///
/// # Errors
/// A temperature or humidity out of range.
pub fn margin(surface_c: f64, t_c: f64, rh: f64) -> Result<Option<Margin>> {
    let surface = temperature(surface_c)?;
    let (dew, frost) = (dew_point(t_c, rh)?, frost_point(t_c, rh)?);
    Ok(dew.map(|d| Margin { over_water: surface - d.celsius, over_ice: frost.map(|f| surface - f) }))
}

/// °F from °C.
pub fn fahrenheit(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

/// °C from °F.
pub fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}
