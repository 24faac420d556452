//! Temperatures and humidities from where people have them: hwmon, thermal zones, industrial I/O, 1-Wire, a file, a command, an
//! HTTP answer, an MQTT topic. Each configured sensor is a probe of its own, since each may block.
//!
//! A source gives a raw number; [`judge`] turns it into a value or says why it cannot be one.

pub mod command;
pub mod http;
pub mod judge;
pub mod kernel;
pub mod look;
pub mod mqtt;
pub mod number;

use super::{Gauge, Lane, Probe, Roots, Setup, Source, Take};
use crate::config::model::{Sensor, SensorKind, SensorSource};
use crate::model::{Name, SignalDef, SignalId, Span, Stamp, Unit, Why};
use judge::Judge;

/// One raw number and, where the source tells it, how old it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Raw {
    /// As the source gave it, before scale and offset.
    pub number: f64,
    /// Age at the time of reading; zero where the source measures when asked.
    pub age: Span,
}

/// Where raw numbers come from.
pub trait RawSource: Send {
    /// Reads one number. May block up to its deadline.
    ///
    /// # Errors
    /// Why there is none.
    fn read(&mut self, at: Stamp) -> Result<Raw, Why>;
}

/// The gauge of a configured sensor: resolution 0.01 in its unit, which is finer than any of these sensors is right.
fn gauge(s: &Setup<'_>, sensor: &Sensor) -> Gauge {
    let unit = match sensor.kind {
        SensorKind::Temperature => Unit::Celsius,
        SensorKind::Humidity => Unit::Percent,
    };
    let def = SignalDef::new(sensor.name.clone(), unit, 0.01, sensor.title.clone());
    Gauge::new(&s.signals, def.within(sensor.plausible.0, sensor.plausible.1).at(sensor.place.clone()))
}

struct SensorProbe {
    name: Name,
    gauge: Gauge,
    every: Span,
    deadline: Span,
    judge: Judge,
    source: Box<dyn RawSource>,
}

/// The probes of all sensors that are asked; those that tell of themselves are [`sources`].
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let make = |sensor: &Sensor| -> Option<Box<dyn Probe>> {
        let source = raw_source(sensor, &s.roots)?;
        Some(Box::new(SensorProbe {
            name: Name::from_parts("probe", &sensor.name.as_str().replace('.', "-")),
            gauge: gauge(s, sensor),
            every: sensor.every,
            // One reading has the sensor's own deadline; the probe counts as stuck a little later, so that a source which
            // minds its deadline can still say what was wrong.
            deadline: sensor.deadline + Span::secs(1),
            judge: Judge::new(sensor),
            source,
        }))
    };
    s.config.sensors.iter().filter_map(make).collect()
}

/// The sensors that send by themselves.
pub fn sources(s: &Setup<'_>) -> Vec<Box<dyn Source>> {
    let of = |sensor: &Sensor| -> Option<Box<dyn Source>> {
        let SensorSource::Mqtt { .. } = sensor.source else { return None };
        Some(Box::new(mqtt::Listener::new(sensor, gauge(s, sensor), s.clock.clone())))
    };
    s.config.sensors.iter().filter_map(of).collect()
}

fn raw_source(sensor: &Sensor, roots: &Roots) -> Option<Box<dyn RawSource>> {
    Some(match &sensor.source {
        SensorSource::Hwmon { chip, input } => Box::new(kernel::Hwmon::new(roots.clone(), chip, input, sensor.kind)),
        SensorSource::Thermal { zone } => Box::new(kernel::Thermal::new(roots.clone(), zone)),
        SensorSource::Iio { device, channel } => Box::new(kernel::Iio::new(roots.clone(), device, channel)),
        SensorSource::OneWire { address } => Box::new(kernel::OneWire::new(roots.clone(), address)),
        SensorSource::File { path, pointer } => Box::new(number::File::new(roots.path(path), pointer.clone())),
        SensorSource::Command { arguments, pointer } => {
            Box::new(command::Output::new(arguments.clone(), pointer.clone(), sensor.deadline))
        }
        SensorSource::Http { url, pointer } => {
            Box::new(http::Answer::new(url.clone(), pointer.clone(), sensor.deadline))
        }
        SensorSource::Mqtt { .. } => return None,
    })
}

impl Probe for SensorProbe {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.every
    }
    fn deadline(&self) -> Span {
        self.deadline
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.gauge.id()]
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let raw = self.source.read(out.at());
        let at = out.touch();
        out.either(&self.gauge, self.judge.judge(at, raw));
    }
}

#[cfg(test)]
mod tests;
