//! Which signals a configuration brings about, with their units: what rules can judge. Pure.

use super::model::{Config, SensorKind};
use crate::model::{Name, Unit};
use std::collections::BTreeMap;

/// The signals of the machine itself, which are there without any configuration.
const MACHINE: &[(&str, Unit)] = &[
    ("load.cpu", Unit::Percent),
    ("load.one", Unit::None),
    ("load.five", Unit::None),
    ("load.fifteen", Unit::None),
    ("load.running", Unit::Count),
    ("pressure.cpu", Unit::Percent),
    ("pressure.memory", Unit::Percent),
    ("pressure.io", Unit::Percent),
    ("pressure.memory-full", Unit::Percent),
    ("pressure.io-full", Unit::Percent),
    ("memory.available", Unit::Bytes),
    ("memory.available-share", Unit::Percent),
    ("memory.used", Unit::Bytes),
    ("memory.swap-used", Unit::Bytes),
    ("memory.kills", Unit::Count),
    ("clock.synchronised", Unit::Truth),
    ("clock.offset", Unit::Seconds),
    ("clock.step", Unit::Seconds),
    ("clock.error-bound", Unit::Seconds),
    ("power.mains", Unit::Truth),
    ("power.undervoltage", Unit::Truth),
    ("power.charge", Unit::Percent),
    ("graphics.hardware", Unit::Truth),
    ("graphics.software-programs", Unit::Count),
    ("graphics.software-cpu", Unit::Percent),
    ("machine.uptime", Unit::Seconds),
    ("machine.kernel-log", Unit::Truth),
];

const PROGRAM: &[(&str, Unit)] = &[
    ("cpu", Unit::Percent),
    ("memory", Unit::Bytes),
    ("threads", Unit::Count),
    ("open-files", Unit::Count),
    ("uptime", Unit::Seconds),
    ("restarts", Unit::Count),
    ("waiting", Unit::Truth),
    ("alive-age", Unit::Seconds),
    ("software-drawing", Unit::Truth),
    ("drawing-cpu", Unit::Percent),
];

const LINK: &[(&str, Unit)] =
    &[("round-trip", Unit::Milliseconds), ("loss", Unit::Percent), ("unevenness", Unit::Milliseconds)];

const INTERFACE: &[(&str, Unit)] = &[
    ("received", Unit::BytesPerSecond),
    ("sent", Unit::BytesPerSecond),
    ("errors", Unit::PerSecond),
    ("drops", Unit::PerSecond),
    ("speed", Unit::MegabitsPerSecond),
    ("signal", Unit::Dbm),
    ("rate-sent", Unit::MegabitsPerSecond),
    ("rate-received", Unit::MegabitsPerSecond),
    ("retries", Unit::PerSecond),
    ("failed", Unit::PerSecond),
    ("beacon-losses", Unit::Count),
    ("power-saving", Unit::Truth),
];

const DISK: &[(&str, Unit)] = &[
    ("free", Unit::Bytes),
    ("free-share", Unit::Percent),
    ("inodes-free-share", Unit::Percent),
    ("writable", Unit::Truth),
    ("written", Unit::BytesPerSecond),
    ("write-delay", Unit::Milliseconds),
    ("busy", Unit::Percent),
    ("file-system-errors", Unit::Count),
    ("device-errors", Unit::Count),
    ("life-used", Unit::Percent),
];

const FRAMES: &[(&str, Unit)] = &[
    ("since-light", Unit::Seconds),
    ("count", Unit::Count),
    ("sensor-off", Unit::Kelvin),
    ("write-rate", Unit::BytesPerSecond),
];

/// Every signal that `c` brings about, by name, with its unit.
pub fn known(c: &Config) -> BTreeMap<Name, Unit> {
    let mut all = BTreeMap::new();
    let mut put = |text: &str, unit: Unit| {
        if let Ok(name) = Name::new(text) {
            all.insert(name, unit);
        }
    };
    for (name, unit) in MACHINE {
        put(name, *unit);
    }
    let mut thing = |name: &Name, truth: bool, quantities: &[(&str, Unit)]| {
        if truth {
            put(name.as_str(), Unit::Truth);
        }
        for (q, unit) in quantities {
            put(name.quantity(q).as_str(), *unit);
        }
    };
    c.programs.iter().for_each(|t| thing(&t.name, true, PROGRAM));
    c.programs.iter().filter(|t| !t.holds.is_empty()).for_each(|t| thing(&t.name, true, &[("holds", Unit::Truth)]));
    c.links.iter().for_each(|t| thing(&t.name, true, LINK));
    c.interfaces.iter().for_each(|t| thing(&t.name, true, INTERFACE));
    c.devices.iter().for_each(|t| thing(&t.name, true, &[]));
    let says = |l: &&super::model::TextLog| l.patterns.iter().any(|p| p.broken.is_some());
    c.logs.iter().filter(says).for_each(|t| thing(&t.name, true, &[]));
    // A disk or a folder of frames has no truth of its own, only quantities.
    c.disks.iter().for_each(|t| thing(&t.name, false, DISK));
    c.frames.iter().for_each(|t| thing(&t.name, false, FRAMES));
    for s in &c.sensors {
        let unit = match s.kind {
            SensorKind::Temperature => Unit::Celsius,
            SensorKind::Humidity => Unit::Percent,
        };
        put(s.name.as_str(), unit);
    }
    let has = |kind: &str, place: &str| c.sensors.iter().any(|s| s.name.kind() == kind && s.place == place);
    if has("temperature", "box") && has("temperature", "outside") {
        put("temperature.lift", Unit::Kelvin);
    }
    // Dew point needs temperature and humidity of the same air.
    let air = |p: &str| has("temperature", p) && has("humidity", p);
    if air("box") || air("outside") {
        put("dew.point", Unit::Celsius);
        put("dew.margin", Unit::Kelvin);
    }
    if air("box") && air("outside") {
        put("dew.point-box", Unit::Celsius);
    }
    for place in ["box", "outside"] {
        let mut all = c.sensors.iter().filter(|s| s.kind == SensorKind::Temperature && s.place == place);
        let own = all.clone().find(|s| s.name.own() == place);
        if let Some(s) = own.or_else(|| all.next()) {
            put(s.name.quantity("rate").as_str(), Unit::KelvinPerHour);
        }
    }
    all
}
