//! The box in the report on many nights: what the thermal fit and the humidity say, as figures and as plain sentences.
//!
//! Owns the words about the box and the cautions that belong to them; the figures come from [`super::thermal`] and [`super::dew`].
//! Nothing is guessed: no fit, no lift; no humidity sensor, no dew statement.

use super::dew;
use super::error::{AnalysisError, Result};
use super::limits::Limits;
use super::thermal::ThermalFit;
use super::thermal::predict::{BoxRange, Expected, Heating, box_range};
use crate::config::model::TemperatureScale;
use serde::Serialize;

/// Lift in K of a small pad on its low setting in a closed box. Common practice, no source; for plausibility only (−5 °C outside
/// then gives about 10 to 15 °C inside).
pub const USUAL_PAD_LIFT: (f64, f64) = (15.0, 20.0);
/// Margin to dew in K below which condensation must be reckoned with (the built-in rule's limit).
pub const SMALL_MARGIN: f64 = 2.0;

/// Said wherever a dew margin is shown.
pub const CAUTION_SKY: &str = "A surface under open sky can be colder than the air around it, so dew or frost can form there while the margin is still above zero.";
/// Said wherever heating is spoken of.
pub const CAUTION_HEATING: &str = "A heating pad in a closed box is a fire risk: it needs its own over-temperature cut-out and must not be covered by flammable material. Mains outdoors belongs on a residual-current device and in weather-proof fittings, to local code and by a licensed electrician.";

/// One reading of the air in the box, with the outside temperature at the same time where it is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirReading {
    /// Box air in °C.
    pub box_c: f64,
    /// Relative humidity in the box in %.
    pub rh: f64,
    /// Outside temperature in °C.
    pub outside_c: Option<f64>,
}

/// What the humidity in the box says.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DewFigures {
    /// Readings used.
    pub readings: usize,
    /// Readings left out because a value was out of range or not a number.
    pub refused: usize,
    /// Readings above 100 %: fog, or a sensor that reads too high.
    pub above_100: usize,
    /// Highest dew point of the box air, °C.
    pub highest_dew_point: f64,
    /// Smallest margin of the box air to its dew point (below 0 °C: to its frost point if that is nearer), K.
    pub smallest_margin: f64,
    /// Smallest margin of a wall as cold as the outside air, K; none without outside temperature.
    pub smallest_margin_wall: Option<f64>,
    /// Share of readings with a margin of the box air below 2 K.
    pub share_small: f64,
}

/// Sum up humidity readings; none where no reading can be used.
pub fn dew_figures(readings: &[AirReading]) -> Option<DewFigures> {
    let mut f = DewFigures {
        readings: 0,
        refused: 0,
        above_100: 0,
        highest_dew_point: f64::NEG_INFINITY,
        smallest_margin: f64::INFINITY,
        smallest_margin_wall: None,
        share_small: 0.0,
    };
    let mut small = 0;
    for r in readings {
        let (Ok(point), Ok(margin)) = (dew::dew_point(r.box_c, r.rh), dew::margin(r.box_c, r.box_c, r.rh)) else {
            f.refused += 1;
            continue;
        };
        f.readings += 1;
        // Perfectly dry air has no dew point: it counts as read, and limits nothing.
        let (Some(point), Some(margin)) = (point, margin) else { continue };
        f.above_100 += usize::from(point.supersaturated);
        f.highest_dew_point = f.highest_dew_point.max(point.celsius);
        let nearest = margin.nearest(r.box_c);
        f.smallest_margin = f.smallest_margin.min(nearest);
        small += usize::from(nearest < SMALL_MARGIN);
        if let Some(outside) = r.outside_c
            && let Ok(Some(wall)) = dew::margin(outside, r.box_c, r.rh)
        {
            let m = wall.nearest(outside);
            f.smallest_margin_wall = Some(f.smallest_margin_wall.map_or(m, |w: f64| w.min(m)));
        }
    }
    f.share_small = small as f64 / f.readings.max(1) as f64;
    (f.readings > 0 && f.highest_dew_point.is_finite()).then_some(f)
}

/// What is known about the box.
#[derive(Clone, Debug)]
pub struct BoxFacts<'a> {
    /// The thermal fit, or why there is none.
    pub fit: std::result::Result<&'a ThermalFit, String>,
    /// Range of outside temperatures to expect, °C: stated by the person, or as recorded.
    pub outside: Option<(f64, f64)>,
    /// Humidity figures; none without a sensor.
    pub dew: Option<DewFigures>,
    /// Limit of the box in °C.
    pub too_hot_c: f64,
    /// Highest box temperature that was recorded, °C.
    pub hottest_seen: Option<f64>,
}

/// Machine-readable thermal figures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ThermalFigures {
    /// Box minus outside in steady state, K; with the heater on where it is known.
    pub lift: f64,
    /// Its standard error, K: by resampling nights where there are enough, else from residuals.
    pub lift_se: f64,
    /// Middle 95 % over resampled seasons, K; none below three nights.
    pub lift_low: Option<f64>,
    /// See `lift_low`.
    pub lift_high: Option<f64>,
    /// Box minus outside with the heater off, K; none where the heater is not known.
    pub lift_without_heater: Option<f64>,
    /// Its standard error, K.
    pub lift_without_heater_se: Option<f64>,
    /// Time constant in minutes.
    pub time_constant_minutes: f64,
    /// Its standard error in minutes.
    pub time_constant_se: f64,
    /// Scatter of ten-minute means around the model, K.
    pub residual_sd: f64,
    /// Correlation of neighbouring residuals.
    pub residual_autocorrelation: f64,
    /// Nights behind it.
    pub nights: usize,
    /// Whether the errors come from resampling nights.
    pub errors_by_nights: bool,
    /// Seed of the resampling.
    pub seed: Option<u64>,
}

/// A lift compared with what such pads usually give.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Plausibility {
    /// In the usual range, a few kelvin either way.
    Usual,
    /// Clearly less.
    Less,
    /// Clearly more.
    More,
}

/// The section on the box.
#[derive(Clone, Debug, PartialEq)]
pub struct BoxReport {
    /// Figures of the fit; none without one.
    pub thermal: Option<ThermalFigures>,
    /// Why there is no fit.
    pub no_fit: Option<String>,
    /// Box to expect with the heater off, for the outside range.
    pub without_heater: Option<BoxRange>,
    /// Box to expect with the heater on (or as it always was, where the heater is not known).
    pub with_heater: Option<BoxRange>,
    /// Whether the heater's part is known.
    pub heater_known: bool,
    /// The heater's lift against the usual one; none where the heater is not known.
    pub plausibility: Option<Plausibility>,
    /// Humidity figures; none without a sensor.
    pub dew: Option<DewFigures>,
    /// The limit was passed, or is to be expected to be.
    pub too_hot: bool,
    too_hot_c: f64,
    hottest_seen: Option<f64>,
    outside: Option<(f64, f64)>,
}

/// Thermal figures of a fit.
pub fn thermal_figures(fit: &ThermalFit) -> ThermalFigures {
    let heater_known = fit.heater.is_some();
    let limits = fit.by_nights.map(|n| n.heated.limits);
    ThermalFigures {
        lift: fit.lift_with_heater(),
        lift_se: fit.heated_se(),
        lift_low: limits.map(|l| l.low),
        lift_high: limits.map(|l| l.high),
        lift_without_heater: heater_known.then(|| fit.lift_without_heater()),
        lift_without_heater_se: heater_known.then(|| fit.lift_se()),
        time_constant_minutes: fit.tau_s.value / 60.0,
        time_constant_se: fit.tau_se() / 60.0,
        residual_sd: fit.residual_sd(),
        residual_autocorrelation: fit.residual_autocorrelation(),
        nights: fit.nights,
        errors_by_nights: fit.by_nights.is_some(),
        seed: fit.by_nights.map(|n| n.seed),
    }
}

/// Judge what is known about the box.
///
/// # Errors
/// An outside range that is not finite or the wrong way round, a limit that is not a number.
pub fn box_report(facts: &BoxFacts<'_>) -> Result<BoxReport> {
    if !facts.too_hot_c.is_finite() {
        let value = facts.too_hot_c;
        return Err(AnalysisError::Range { what: "the limit of the box", value, expected: "a temperature in °C" });
    }
    let fit = facts.fit.as_ref().ok().copied();
    let expect = |heating: Heating| match (fit, facts.outside) {
        (Some(fit), Some((low, high))) => box_range(fit, low, high, heating, 0.95).map(Some),
        _ => Ok(None),
    };
    let heater_known = fit.is_some_and(|f| f.heater.is_some());
    let with_heater = expect(Heating::On)?;
    let without_heater = if heater_known { expect(Heating::Off)? } else { None };
    let hottest = facts.hottest_seen.filter(|h| h.is_finite());
    let too_hot = hottest.is_some_and(|h| h > facts.too_hot_c)
        || with_heater.is_some_and(|r| r.warmest.band.high > facts.too_hot_c);
    Ok(BoxReport {
        thermal: fit.map(thermal_figures),
        no_fit: facts.fit.as_ref().err().cloned(),
        without_heater,
        with_heater,
        heater_known,
        plausibility: fit.and_then(|f| f.heater).map(|h| plausibility(h.value)),
        dew: facts.dew,
        too_hot,
        too_hot_c: facts.too_hot_c,
        hottest_seen: hottest,
        outside: facts.outside,
    })
}

/// A heater's lift in K against the usual one, with 5 K of grace either way.
pub fn plausibility(heater_lift: f64) -> Plausibility {
    const GRACE: f64 = 5.0;
    match heater_lift {
        l if l < USUAL_PAD_LIFT.0 - GRACE => Plausibility::Less,
        l if l > USUAL_PAD_LIFT.1 + GRACE => Plausibility::More,
        _ => Plausibility::Usual,
    }
}

impl BoxReport {
    /// The section in plain sentences, the most important first, in the person's unit.
    pub fn sentences(&self, scale: TemperatureScale) -> Vec<String> {
        let s = Say(scale);
        let mut out = Vec::new();
        out.extend(self.heat_sentence(s));
        match (&self.thermal, &self.no_fit) {
            (Some(t), _) => out.push(self.lift_sentence(s, t)),
            (None, Some(why)) => out.push(format!("How the box follows the outside cannot be told yet: {why}.")),
            (None, None) => {}
        }
        out.extend(self.range_sentences(s));
        if let (Some(p), Some(t)) = (self.plausibility, &self.thermal) {
            let added = s.difference(t.lift - t.lift_without_heater.unwrap_or(0.0));
            let usual = format!(
                "{} from a small pad on its low setting in a closed box is common practice (no source)",
                match scale {
                    TemperatureScale::Celsius => "15 to 20 °C",
                    TemperatureScale::Fahrenheit => "27 to 36 °F",
                }
            );
            out.push(match p {
                Plausibility::Usual => format!("The heater adds {added}; {usual}."),
                Plausibility::Less => format!(
                    "The heater adds only {added}; {usual}: look whether the box closes tightly, and where the sensor sits."
                ),
                Plausibility::More => format!("The heater adds {added}, more than usual; {usual}: look at its setting."),
            });
        }
        out.extend(self.dew_sentences(s));
        out
    }

    /// Cautions that belong to what is said.
    pub fn cautions(&self) -> Vec<&'static str> {
        let mut out = Vec::new();
        if self.dew.is_some() {
            out.push(CAUTION_SKY);
        }
        if self.heater_known || self.too_hot || self.thermal.is_some() {
            out.push(CAUTION_HEATING);
        }
        out
    }

    fn heat_sentence(&self, s: Say) -> Option<String> {
        let limit = s.level(self.too_hot_c);
        if let Some(h) = self.hottest_seen.filter(|h| *h > self.too_hot_c) {
            return Some(format!("The box was too hot: {}, above its limit of {limit}.", s.level(h)));
        }
        let (range, outside) = (self.with_heater.filter(|_| self.too_hot)?, self.outside?);
        let w = range.warmest;
        let with = if self.heater_known { " with the heater on" } else { "" };
        Some(format!(
            "At {} outside the box may get too hot{with}: about {} ({}), and its limit is {limit}.",
            s.level(outside.1),
            s.level(w.celsius),
            s.range(w.band),
        ))
    }

    fn lift_sentence(&self, s: Say, t: &ThermalFigures) -> String {
        let nights = if t.nights == 1 { "1 night".to_owned() } else { format!("{} nights", t.nights) };
        let lift = match t.lift_without_heater {
            Some(off) => format!(
                "Box minus outside: {} with the heater off, {} with it on",
                s.with_error(off, t.lift_without_heater_se.unwrap_or(0.0)),
                s.with_error(t.lift, t.lift_se)
            ),
            None => format!("Box minus outside: {}", s.with_error(t.lift, t.lift_se)),
        };
        let caution = if t.errors_by_nights { "" } else { "; the errors do not yet know how nights differ" };
        let error = at_least(t.time_constant_se, 1.0);
        format!(
            "{lift}; it follows the outside with a time constant of {:.0} ± {error:.0} min ({nights}{caution}).",
            t.time_constant_minutes
        )
    }

    fn range_sentences(&self, s: Say) -> Vec<String> {
        let Some((low, high)) = self.outside else { return Vec::new() };
        let one = |what: &str, r: BoxRange| {
            let say = |e: Expected| format!("{} ({})", s.level(e.celsius), s.range(e.band));
            format!(
                "{what}: coldest box {} when {} outside lasts, warmest {} when {} outside lasts.",
                say(r.coldest),
                s.level(low),
                say(r.warmest),
                s.level(high)
            )
        };
        let mut out = Vec::new();
        if let Some(r) = self.without_heater {
            out.push(one("Heater off", r));
        }
        if let Some(r) = self.with_heater {
            out.push(one(if self.heater_known { "Heater on" } else { "As it was run" }, r));
        }
        out
    }

    fn dew_sentences(&self, s: Say) -> Vec<String> {
        let Some(d) = self.dew else { return vec!["No humidity sensor in the box: no dew statement.".into()] };
        let mut out = vec![if d.smallest_margin <= 0.0 {
            format!("The air in the box reached its dew point (highest {}).", s.level(d.highest_dew_point))
        } else {
            format!(
                "Dew point of the box air at most {}; the air came no nearer to it than {}.",
                s.level(d.highest_dew_point),
                s.difference(d.smallest_margin)
            )
        }];
        if let Some(wall) = d.smallest_margin_wall {
            out.push(if wall <= 0.0 {
                format!(
                    "A wall as cold as the outside air was below the dew point, by up to {}: water can form on it.",
                    s.difference(-wall)
                )
            } else {
                format!("A wall as cold as the outside air stayed at least {} above the dew point.", s.difference(wall))
            });
        }
        if d.refused > 0 {
            let n = d.refused;
            out.push(format!("{n} humidity readings were left out: a value was missing or out of any sensor's range."));
        }
        if d.above_100 > 0 {
            out.push(format!(
                "{} of {} humidity readings were above 100 %: fog, or a sensor that reads too high.",
                d.above_100, d.readings
            ));
        }
        out
    }
}

/// Numbers in the person's unit.
#[derive(Clone, Copy)]
struct Say(TemperatureScale);

impl Say {
    fn number(v: f64) -> String {
        let text = format!("{v:.1}");
        match text.strip_prefix('-') {
            Some("0.0") => "0.0".into(),
            Some(rest) => format!("−{rest}"),
            None => text,
        }
    }
    fn shown(self, celsius: f64) -> f64 {
        if self.0 == TemperatureScale::Fahrenheit { dew::fahrenheit(celsius) } else { celsius }
    }
    fn unit(self) -> &'static str {
        if self.0 == TemperatureScale::Fahrenheit { "°F" } else { "°C" }
    }
    fn level(self, celsius: f64) -> String {
        format!("{} {}", Say::number(self.shown(celsius)), self.unit())
    }
    fn range(self, l: Limits) -> String {
        format!("{} to {}", Say::number(self.shown(l.low)), Say::number(self.shown(l.high)))
    }
    fn scaled(self, kelvin: f64) -> f64 {
        if self.0 == TemperatureScale::Fahrenheit { 1.8 * kelvin } else { kelvin }
    }
    fn difference(self, kelvin: f64) -> String {
        format!("{} {}", Say::number(self.scaled(kelvin)), self.unit())
    }
    fn with_error(self, kelvin: f64, se: f64) -> String {
        let error = at_least(self.scaled(se), 0.1);
        format!("{} ± {} {}", Say::number(self.scaled(kelvin)), Say::number(error), self.unit())
    }
}

/// An error, no smaller than the last place that is shown: "± 0.0" would say that something is known without any.
fn at_least(error: f64, last_place: f64) -> f64 {
    error.max(last_place)
}

#[cfg(test)]
mod tests;
