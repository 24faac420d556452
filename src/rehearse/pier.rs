//! The invented pier: its configuration, what is measured there, and in which order things break. Plain data; nothing here was
//! measured anywhere.

use super::garden::Step;
use super::truth::{Case, Driver};
use crate::analysis::dew;
use crate::analysis::draw::Draw;
use crate::config::{self, Config};
use crate::model::{EventKind, Name, SignalDef, Span, Unit};
use serde_json::{Value, json};

/// The configuration, as a person would write it.
const CONFIG: &str = r#"
field = "orchard pier, invented"

[site]
latitude = 58.0
longitude = 10.0
elevation = "60 m"
zone = "Europe/Oslo"

[session]
chain = ["program.mount", "program.guiding", "program.camera"]

[program.mount]
executable = "mount-driver"
leans_on = ["device.mount-cable", "link.house"]

[program.guiding]
title = "guiding"
executable = "guide-star"
leans_on = ["program.mount"]

[program.camera]
executable = "exposures"
leans_on = ["device.main-camera", "program.mount"]

[device.main-camera]
usb = "1209:0001"

[device.mount-cable]
usb = "1209:0003"

[link.house]
to = "192.168.1.20"
every = "20 s"

[link.gateway]
watch = false

[interface.wlan0]
title = "Wi-Fi"

[disk.root]
watch = false

[temperature.box]
one_wire = "28-000000000001"

[temperature.outside]
one_wire = "28-000000000002"

[humidity.box]
iio = "box-air/humidityrelative"

[frames]
folder = "frames"
leans_on = ["program.camera", "program.guiding"]
"#;

/// The configuration.
///
/// # Errors
/// A fault of this program: a test reads it.
pub fn configuration() -> Result<Config, String> {
    config::parse(CONFIG, None).map_err(|e| e.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}

/// A name that is written in the source.
pub fn name(text: &str) -> Name {
    Name::new(text).unwrap_or_else(|_| Name::from_parts("other", text))
}

/// What the pier measures, in the order of [`values`].
const MEASURED: [(&str, Unit, f64, &str, &str); 16] = [
    ("temperature.outside", Unit::Celsius, 0.1, "outside air temperature", "outside"),
    ("temperature.box", Unit::Celsius, 0.1, "box air temperature", "box"),
    ("temperature.lift", Unit::Kelvin, 0.1, "box minus outside", ""),
    ("humidity.box", Unit::Percent, 0.1, "relative humidity in the box", "box"),
    ("dew.point", Unit::Celsius, 0.1, "dew point of the box air", ""),
    ("dew.margin", Unit::Kelvin, 0.1, "box air above its dew point", ""),
    ("pressure.cpu", Unit::Percent, 0.1, "time in which something waited for the processor", ""),
    ("load.cpu", Unit::Percent, 0.1, "processor busy", ""),
    ("memory.available-share", Unit::Percent, 0.1, "memory available", ""),
    ("interface.wlan0.signal", Unit::Dbm, 1.0, "Wi-Fi signal", ""),
    ("link.house.round-trip", Unit::Milliseconds, 0.1, "time until the house answered", ""),
    ("link.house.loss", Unit::Percent, 0.1, "answers lost on the way to the house", ""),
    ("program.mount.cpu", Unit::Percent, 0.1, "processor use of the mount program", ""),
    ("program.guiding.cpu", Unit::Percent, 0.1, "processor use of guiding", ""),
    ("program.camera.cpu", Unit::Percent, 0.1, "processor use of the camera program", ""),
    ("temperature.core", Unit::Celsius, 0.5, "processor temperature", "component"),
];

/// The watched things whose presence is read.
pub const PRESENT: [&str; 7] = [
    "device.mount-cable",
    "device.main-camera",
    "program.mount",
    "program.guiding",
    "program.camera",
    "link.house",
    "interface.wlan0",
];

/// Definitions of all signals: what is measured, then the presence of things, then `idle` ones that mean nothing.
pub fn signals(idle: usize) -> Vec<SignalDef> {
    let mut out: Vec<SignalDef> =
        MEASURED.iter().map(|(n, u, r, w, p)| SignalDef::new(name(n), *u, *r, *w).at(*p)).collect();
    out.extend(PRESENT.iter().map(|n| SignalDef::new(name(n), Unit::Truth, 1.0, "it is there").within(0.0, 1.0)));
    let one = |i| SignalDef::new(name(&format!("other.idle-{i}")), Unit::None, 0.1, format!("idle signal {i}"));
    out.extend((0..idle).map(one));
    out
}

/// One reading of everything that is measured, with the noise of real sensors.
pub fn values(s: &Step, d: &mut Draw) -> [f64; 16] {
    let inside = s.inside + 0.05 * d.normal();
    let outside = s.outside + 0.1 * d.normal();
    // The box holds the garden's air: its dew point is that of the air around it.
    let humidity = 100.0 * vapour(s.dew_point.min(inside)) / vapour(inside);
    let busy = (18.0 + 0.5 * s.starved + 2.0 * d.normal()).clamp(0.0, 100.0);
    let share = |own: f64, d: &mut Draw| if s.up { (own + 0.8 * d.normal()).max(0.0) } else { 0.0 };
    [
        outside,
        inside,
        inside - outside,
        humidity.clamp(0.0, 100.0),
        s.dew_point.min(inside),
        (inside - s.dew_point).max(0.0) + 0.1 * d.normal().abs(),
        (s.starved * (1.0 + 0.05 * d.normal())).clamp(0.0, 100.0),
        busy,
        s.memory,
        s.radio + d.normal(),
        (3.0 + 20.0 * ((-75.0 - s.radio) / 10.0).exp().min(40.0) + 0.5 * d.normal()).max(0.4),
        (2.0 * (-72.0 - s.radio)).clamp(0.0, 100.0),
        share(4.0, d),
        share(9.0, d),
        share(6.0, d),
        inside + 22.0 + 0.2 * busy + 0.5 * d.normal(),
    ]
}

/// Saturation pressure over water; the temperatures of the garden lie within the formula's range.
fn vapour(celsius: f64) -> f64 {
    dew::saturation_over_water(celsius.clamp(-45.0, 60.0)).unwrap_or(1.0)
}

/// One step of a cascade: which thing, how long after the first, and with which facts.
#[derive(Clone, Debug)]
pub struct Break {
    /// The thing.
    pub thing: &'static str,
    /// After the first instant.
    pub after: Span,
    /// What happened.
    pub kind: EventKind,
    /// Facts.
    pub detail: Vec<(&'static str, Value)>,
    /// In words.
    pub text: &'static str,
}

/// What breaks, in order, when the pier fails in this way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cascade {
    /// The contact of the camera opens, and its program dies of it.
    Camera,
    /// Guiding crashes.
    Guiding,
    /// The link goes, and the mount program, which lives by it, ends; guiding follows.
    Link,
    /// The kernel ends the camera program for want of memory.
    Memory,
}

impl Cascade {
    /// The one that belongs to what drives the faults; without a driver, whatever comes.
    pub fn of(case: Case, driver: Driver, d: &mut Draw) -> Cascade {
        match driver {
            Driver::ColdBox => Cascade::Camera,
            Driver::Starved => Cascade::Guiding,
            Driver::WeakRadio => Cascade::Link,
            Driver::ShortMemory => Cascade::Memory,
            Driver::Nothing | Driver::Late => match case {
                Case::CoolingWear | Case::CoolsAfterDeath => Cascade::Camera,
                _ if d.chance(0.6) => Cascade::Camera,
                _ => Cascade::Guiding,
            },
        }
    }

    /// Its steps.
    pub fn breaks(self) -> Vec<Break> {
        let one = |thing, after: i64, kind, detail, text| Break { thing, after: Span(after), kind, detail, text };
        match self {
            Cascade::Camera => vec![
                one(
                    "device.main-camera",
                    0,
                    EventKind::DeviceLeft,
                    vec![("usb", json!("1209:0001")), ("port", json!("1-1.4"))],
                    "main camera is gone",
                ),
                one(
                    "program.camera",
                    1400,
                    EventKind::ProgramEnded,
                    vec![("code", json!(1)), ("how", json!("crashed"))],
                    "camera program ended (code 1)",
                ),
            ],
            Cascade::Guiding => vec![one(
                "program.guiding",
                0,
                EventKind::ProgramEnded,
                vec![("signal", json!(11)), ("core", json!(true)), ("how", json!("crashed"))],
                "guiding ended (signal 11)",
            )],
            Cascade::Link => vec![
                one("link.house", 0, EventKind::LinkDown, vec![], "link to house is down"),
                one(
                    "program.mount",
                    9000,
                    EventKind::ProgramEnded,
                    vec![("code", json!(1)), ("how", json!("crashed"))],
                    "mount program ended (code 1)",
                ),
                one(
                    "program.guiding",
                    9600,
                    EventKind::ProgramEnded,
                    vec![("code", json!(1)), ("how", json!("crashed"))],
                    "guiding ended (code 1)",
                ),
            ],
            Cascade::Memory => vec![one(
                "program.camera",
                0,
                EventKind::ProgramEnded,
                vec![("signal", json!(9)), ("how", json!("crashed"))],
                "camera program ended (signal 9)",
            )],
        }
    }

    /// A line of the kernel's own that came just before.
    pub fn kernel_line(self) -> Option<(&'static str, &'static str)> {
        match self {
            Cascade::Camera => Some(("usb", "usb 1-1.4: USB disconnect, device number 7")),
            Cascade::Memory => Some(("out_of_memory", "Out of memory: Killed process 2417 (exposures)")),
            _ => None,
        }
    }
}

/// What the person does about it in a rehearsal, by the case.
pub fn remedy_name(case: Case) -> &'static str {
    match case {
        Case::UselessRemedy => "other USB cable",
        _ => "heating pad, low",
    }
}

/// The truth of a case in one sentence.
pub fn truth(case: Case) -> &'static str {
    match case {
        Case::ColdContact => "The contact of the camera fails twelve times as often when the box is cold.",
        Case::StarvedProcessor => "Guiding crashes twelve times as often while programs wait for the processor.",
        Case::WeakRadio => "The link fails twelve times as often while the Wi-Fi signal is weak.",
        Case::MemoryLeak => "The camera program is ended twelve times as often while memory is short.",
        Case::NoCause => "The faults have no cause among the signals.",
        Case::ColdAndLate => {
            "The box is cold and the night is late at the same hours; the cold is to blame, and nobody can tell."
        }
        Case::CoolingWear => "A contact wears out while the season cools; the cold has no part in it.",
        Case::Bursts => "Faults draw further faults after themselves; they have no cause among the signals.",
        Case::CoolsAfterDeath => "The box cools because the chain died; the cold has no part in the faults.",
        Case::BadWeeks => "Some weeks are worse than others; the faults have no cause among the signals.",
        Case::RemedyWorks => {
            "The contact of the camera fails twelve times as often when the box is cold, and the heating pad cuts the faults to a tenth."
        }
        Case::RemedyMetWarmNights => {
            "The contact of the camera fails in the cold; the pad does nothing, but the nights with it were warmer."
        }
        Case::UselessRemedy => {
            "The contact of the camera fails in the cold; the other cable does nothing, and was bought after the worst run."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_configuration_is_sound_and_things_are_known() {
        let c = configuration().unwrap();
        assert_eq!(c.session.chain.len(), 3);
        let known = config::signals::known(&c);
        for n in PRESENT {
            assert!(known.contains_key(&name(n)), "{n}");
        }
        for (n, unit, ..) in MEASURED.iter().filter(|m| !m.0.starts_with("temperature.core")) {
            assert_eq!(known.get(&name(n)), Some(unit), "{n}");
        }
    }

    #[test]
    fn every_case_has_its_truth() {
        let all: std::collections::BTreeSet<&str> = Case::ALL.into_iter().map(truth).collect();
        assert_eq!(all.len(), Case::ALL.len());
    }
}
