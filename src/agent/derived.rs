//! Readings that are worked out from other readings and judged, stored and shown like any other: lift, dew point, dew-point margin,
//! rate of change. Formulas: [`crate::analysis::dew`] (WMO-No. 8, Annex 4.B).
//!
//! | signal | meaning | needs |
//! | --- | --- | --- |
//! | `temperature.lift` | box air minus outside air, K | a temperature in both places |
//! | `dew.point` | dew point (over water) of the outside air; of the box air where only that humidity is measured, °C | both of one place |
//! | `dew.point-box` | dew point of the box air, where outside humidity is measured too, °C | both of the box |
//! | `dew.margin` | how far the box (without a box temperature: the outside air) is from getting wet, K; below 0 °C from frost | a dew point |
//! | `temperature.….rate` | slope over the last 15 minutes, K/h | a temperature in the box or outside |
//!
//! An input that cannot be read makes what needs it *unavailable, because …*. Where no humidity is measured, nothing at all is
//! said of dew. A place's first configured sensor counts, unless one bears the place's own name. The margin is that of the
//! air: a surface under open sky can be colder than the air around it.

use crate::analysis::dew;
use crate::config::Config;
use crate::config::model::{Sensor, SensorKind};
use crate::model::{Batch, Name, Reading, SignalDef, SignalId, Signals, Span, Stamp, Unit, Value, Why, WhyCode};
use crate::probe::Gauge;
use std::collections::VecDeque;

/// The slope is taken over so much time, …
const SLOPE_OVER: Span = Span::mins(15);
/// … once so much of it is known, …
const SLOPE_LEAST: Span = Span::mins(5);
/// … from readings no closer than this.
const SLOPE_STEP: Span = Span::secs(10);
/// Small boxes under heating pads reach some tens of kelvin an hour; beyond this it is no temperature of air.
const SLOPE_MOST: f64 = 1000.0;

/// Where an input is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum At {
    Box,
    Outside,
}

/// A sensor that something is worked out from.
#[derive(Debug)]
struct Input {
    name: Name,
    title: String,
    id: Option<SignalId>,
    /// A reading older than this is none.
    stale_after: Span,
    last: Option<(Stamp, Value)>,
}

impl Input {
    /// The sensor of this kind at this place.
    fn of(c: &Config, kind: SensorKind, place: &str) -> Option<Input> {
        let mut all = c.sensors.iter().filter(|s| s.kind == kind && s.place == place);
        let first = all.next()?;
        let own = |s: &&Sensor| s.name.own() == place;
        let s = std::iter::once(first).chain(all).find(own).unwrap_or(first);
        let stale_after = s.silent_after.max(Span(3 * s.every.0)) + s.deadline;
        Some(Input { name: s.name.clone(), title: s.title.clone(), id: None, stale_after, last: None })
    }

    /// The value now, or why there is none.
    fn value(&self, now: Stamp) -> Result<f64, Why> {
        match &self.last {
            None => Err(Why::new(WhyCode::NotYet, format!("{} has not been read yet", self.title))),
            Some((_, Value::Unavailable(w))) => Err(Why::new(w.code, format!("{}: {}", self.title, w.text))),
            Some((at, _)) if now.boot - at.boot > self.stale_after => {
                let text = format!("{} has not been read for {}", self.title, now.boot - at.boot);
                Err(Why::new(WhyCode::Silent, text))
            }
            Some((_, Value::Known(v))) => Ok(*v),
        }
    }
}

/// The recent course of one temperature.
struct Course {
    input: usize,
    gauge: Gauge,
    points: VecDeque<(Stamp, f64)>,
}

impl Course {
    fn add(&mut self, at: Stamp, v: f64) {
        if self.points.back().is_none_or(|(t, _)| at.boot - t.boot >= SLOPE_STEP) {
            self.points.push_back((at, v));
        }
        while self.points.front().is_some_and(|(t, _)| at.boot - t.boot > SLOPE_OVER) {
            self.points.pop_front();
        }
    }

    /// Least-squares slope in K/h.
    fn slope(&self) -> Result<f64, Why> {
        let not_yet = || Why::new(WhyCode::NotYet, format!("a rate of change needs {SLOPE_LEAST} of readings"));
        let (Some((first, _)), Some((last, _))) = (self.points.front(), self.points.back()) else {
            return Err(not_yet());
        };
        if last.boot - first.boot < SLOPE_LEAST {
            return Err(not_yet());
        }
        let n = self.points.len() as f64;
        let hours = |t: &Stamp| (t.boot - first.boot).as_secs_f64() / 3600.0;
        let mean_t = self.points.iter().map(|(t, _)| hours(t)).sum::<f64>() / n;
        let mean_v = self.points.iter().map(|(_, v)| v).sum::<f64>() / n;
        let (mut tv, mut tt) = (0.0, 0.0);
        for (t, v) in &self.points {
            let d = hours(t) - mean_t;
            tv += d * (v - mean_v);
            tt += d * d;
        }
        // The points are at least five minutes apart from end to end, so the divisor is positive.
        Ok(tv / tt)
    }
}

/// What is worked out, with what it is worked out from.
pub struct Derived {
    signals: Signals,
    inputs: Vec<Input>,
    temperature: [Option<usize>; 2],
    humidity: [Option<usize>; 2],
    lift: Option<Gauge>,
    point: Option<(Gauge, At)>,
    point_box: Option<Gauge>,
    margin: Option<(Gauge, At)>,
    courses: Vec<Course>,
}

fn name(text: &str) -> Name {
    Name::new(text).expect("a literal that is a name")
}

impl Derived {
    /// For the sensors of this configuration.
    pub fn new(c: &Config, signals: &Signals) -> Derived {
        let mut inputs = vec![];
        let mut find = |kind, place| {
            let found = Input::of(c, kind, place)?;
            inputs.push(found);
            Some(inputs.len() - 1)
        };
        let places = ["box", "outside"];
        let temperature = places.map(|p| find(SensorKind::Temperature, p));
        let humidity = places.map(|p| find(SensorKind::Humidity, p));
        let gauge = |n: &str, unit, low, high, what: &str| {
            Gauge::new(signals, SignalDef::new(name(n), unit, 0.1, what).within(low, high))
        };
        let both = |at: At| temperature[at as usize].is_some() && humidity[at as usize].is_some();
        let point_at = [At::Outside, At::Box].into_iter().find(|a| both(*a));
        let margin_of = if temperature[At::Box as usize].is_some() { At::Box } else { At::Outside };
        let air = |a: At| if a == At::Box { "box air" } else { "outside air" };
        let courses = temperature.iter().flatten().map(|i| {
            let def = SignalDef::new(
                inputs[*i].name.quantity("rate"),
                Unit::KelvinPerHour,
                0.1,
                format!("{}: change an hour, over the last {SLOPE_OVER}", inputs[*i].title),
            );
            let gauge = Gauge::new(signals, def.within(-SLOPE_MOST, SLOPE_MOST));
            Course { input: *i, gauge, points: VecDeque::new() }
        });
        Derived {
            courses: courses.collect(),
            lift: (temperature[0].is_some() && temperature[1].is_some())
                .then(|| gauge("temperature.lift", Unit::Kelvin, -200.0, 200.0, "box minus outside")),
            point: point_at.map(|a| {
                (gauge("dew.point", Unit::Celsius, -120.0, 100.0, &format!("dew point of the {}", air(a))), a)
            }),
            point_box: (both(At::Box) && both(At::Outside))
                .then(|| gauge("dew.point-box", Unit::Celsius, -120.0, 100.0, "dew point of the box air")),
            margin: point_at.map(|_| {
                let what = format!("{} above its dew point (frost point below 0 °C)", air(margin_of));
                (gauge("dew.margin", Unit::Kelvin, -200.0, 250.0, &what), margin_of)
            }),
            signals: signals.clone(),
            inputs,
            temperature,
            humidity,
        }
    }

    /// Adds what can be worked out from the batch's new readings to it.
    pub fn add(&mut self, batch: &mut Batch) {
        if self.inputs.is_empty() {
            return;
        }
        let mut newest: Option<Stamp> = None;
        let mut touched = 0_u32;
        for i in 0..self.inputs.len() {
            let input = &mut self.inputs[i];
            // The sensor's probe registers its signal, maybe after this was made.
            input.id = input.id.or_else(|| self.signals.id(&input.name));
            let Some(id) = input.id else { continue };
            for r in batch.readings.iter().filter(|r| r.signal == id) {
                touched |= 1 << i;
                newest = Some(newest.map_or(r.at, |n| if n.boot < r.at.boot { r.at } else { n }));
                input.last = Some((r.at, r.value.clone()));
                if let (Value::Known(v), Some(c)) = (&r.value, self.courses.iter_mut().find(|c| c.input == i)) {
                    c.add(r.at, *v);
                }
            }
        }
        let Some(at) = newest else { return };
        let mut put = |g: &Gauge, v: Result<f64, Why>| {
            let value = v.map_or_else(Value::Unavailable, |v| g.value(v));
            batch.readings.push(Reading { signal: g.id(), at, value });
        };
        for c in self.courses.iter().filter(|c| touched & (1 << c.input) != 0) {
            put(&c.gauge, self.inputs[c.input].value(at).and_then(|_| c.slope()));
        }
        if let Some(g) = &self.lift {
            put(g, self.lift_now(at));
        }
        if let Some((g, place)) = &self.point {
            put(g, self.dew_point(*place, at));
        }
        if let Some(g) = &self.point_box {
            put(g, self.dew_point(At::Box, at));
        }
        if let Some((g, surface)) = &self.margin {
            put(g, self.margin_now(*surface, at));
        }
    }

    fn input(&self, all: &[Option<usize>; 2], place: At, at: Stamp) -> Result<f64, Why> {
        match all[place as usize] {
            Some(i) => self.inputs[i].value(at),
            None => Err(Why::new(WhyCode::Absent, "no such sensor is configured")),
        }
    }

    fn lift_now(&self, at: Stamp) -> Result<f64, Why> {
        Ok(self.input(&self.temperature, At::Box, at)? - self.input(&self.temperature, At::Outside, at)?)
    }

    fn dew_point(&self, place: At, at: Stamp) -> Result<f64, Why> {
        let (t, rh) = (self.input(&self.temperature, place, at)?, self.input(&self.humidity, place, at)?);
        dew::dew_point(t, rh).map_err(|e| broken(&e))?.map(|d| d.celsius).ok_or_else(dry)
    }

    /// The box, in the air that its own humidity sensor measures, else in outside air let in.
    fn margin_now(&self, surface: At, at: Stamp) -> Result<f64, Why> {
        let air = match self.humidity[At::Box as usize].and(self.temperature[At::Box as usize]) {
            Some(_) => At::Box,
            None => At::Outside,
        };
        let surface = self.input(&self.temperature, surface, at)?;
        let (t, rh) = (self.input(&self.temperature, air, at)?, self.input(&self.humidity, air, at)?);
        let m = dew::margin(surface, t, rh).map_err(|e| broken(&e))?.ok_or_else(dry)?;
        Ok(m.nearest(surface))
    }
}

fn broken(e: &crate::analysis::AnalysisError) -> Why {
    Why::new(WhyCode::OutOfRange, e.to_string())
}

fn dry() -> Why {
    Why::new(WhyCode::OutOfRange, "0 % relative humidity has no dew point: look at the humidity sensor")
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
