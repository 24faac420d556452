//! What holds where a configuration is silent: one constructor for each kind of thing, and how things are called.

use super::model::*;
use crate::model::{Name, Priority, Span};
use std::path::PathBuf;

/// File endings that count as frames unless others are named: those that the FITS standard's files carry in practice.
pub const FRAME_ENDINGS: [&str; 4] = ["fits", "fit", "fts", "fz"];

/// The part that a person gave, with spaces for hyphens.
fn spoken(name: &Name) -> String {
    name.own().replace(['-', '_'], " ")
}

/// `spoken` followed by `word`, unless it ends in it anyway.
fn spoken_with(name: &Name, word: &str) -> String {
    let own = spoken(name);
    if own.split(' ').any(|w| w == word) { own } else { format!("{own} {word}") }
}

/// What a thing is called when the person gave no title: `program.mount` is "mount program".
pub fn title(name: &Name) -> String {
    match name.kind() {
        "program" => spoken_with(name, "program"),
        "link" if name.own() == "gateway" => "gateway".into(),
        "link" => format!("link to {}", spoken(name)),
        "interface" => format!("interface {}", name.own()),
        "disk" => spoken_with(name, "disk"),
        "temperature" => spoken_with(name, "temperature"),
        "humidity" => spoken_with(name, "humidity"),
        "frames" if name.own() == "main" => "frames".into(),
        "frames" => format!("frames of {}", spoken(name)),
        "log" => spoken_with(name, "log"),
        _ => spoken(name),
    }
}

impl Program {
    /// A program that is found by `find`.
    pub fn new(name: Name, find: FindBy) -> Program {
        Program { title: title(&name), name, find, leans_on: vec![], alive: vec![], holds: vec![] }
    }
}

impl AliveSign {
    /// A sign of life that must come within 30 s, looked for every 5 s.
    pub fn new(kind: AliveKind) -> AliveSign {
        AliveSign { kind, within: Span::secs(30), every: Span::secs(5) }
    }
}

impl Link {
    /// A place reached for once a second by ICMP echo; an answer counts for 900 ms, loss over the last minute.
    pub fn new(name: Name, to: Target) -> Link {
        Link {
            title: title(&name),
            name,
            to,
            by: ReachBy::Echo,
            every: Span::secs(1),
            deadline: Span(900),
            window: Span::secs(60),
            leans_on: vec![],
        }
    }
}

impl Interface {
    /// A network interface of this system name.
    pub fn new(name: Name, device: String) -> Interface {
        Interface { title: title(&name), name, device }
    }
}

impl Disk {
    /// The disk that holds `path`.
    pub fn new(name: Name, path: PathBuf) -> Disk {
        Disk { title: title(&name), name, path }
    }
}

impl Device {
    /// A device without any way to find it yet.
    pub fn new(name: Name) -> Device {
        Device {
            title: title(&name),
            name,
            usb: None,
            serial: None,
            port: None,
            node: None,
            speed_at_least: None,
            leans_on: vec![],
        }
    }
}

impl SensorSource {
    /// The factor that makes the raw number degrees or per cent: the kernel gives thousandths (documents
    /// `sysfs-class-hwmon`, `sysfs-class-thermal` and `sysfs-bus-iio` of the kernel's ABI, and `w1_therm`), others units.
    pub fn usual_scale(&self) -> f64 {
        match self {
            SensorSource::Hwmon { .. }
            | SensorSource::Thermal { .. }
            | SensorSource::Iio { .. }
            | SensorSource::OneWire { .. } => 0.001,
            _ => 1.0,
        }
    }
}

impl Sensor {
    /// A sensor read every 10 s, silent after 5 min, with a wide plausible range (−60 to 120 °C, or 0 to 100 %).
    pub fn new(name: Name, kind: SensorKind, source: SensorSource) -> Sensor {
        let (plausible, largest_jump) = match kind {
            SensorKind::Temperature => ((-60.0, 120.0), 20.0),
            SensorKind::Humidity => ((0.0, 100.0), 40.0),
        };
        Sensor {
            title: title(&name),
            kind,
            place: name.own().into(),
            scale: source.usual_scale(),
            source,
            fahrenheit: false,
            offset: 0.0,
            plausible,
            largest_jump,
            frozen_after: None,
            silent_after: Span::mins(5),
            every: Span::secs(10),
            deadline: Span::secs(5),
            name,
        }
    }
}

impl Frames {
    /// A folder of FITS files; no light frame for 20 min is worth an alarm; the sensor may be 2 K off its set point.
    pub fn new(name: Name, folder: PathBuf) -> Frames {
        Frames {
            title: title(&name),
            name,
            folder,
            endings: FRAME_ENDINGS.map(String::from).to_vec(),
            at_least: Span::mins(20),
            sensor_off_by: 2.0,
            leans_on: vec![],
        }
    }
}

impl TextLog {
    /// A log without patterns yet.
    pub fn new(name: Name, path: String) -> TextLog {
        TextLog { title: title(&name), name, path, of: None, encoding: None, patterns: vec![] }
    }
}

impl Action {
    /// An action of at most 60 s, three runs a night, ten minutes between two.
    pub fn new(name: Name, run: Vec<String>) -> Action {
        Action {
            title: title(&name),
            name,
            run,
            off: None,
            at_most: None,
            time_limit: Span::secs(60),
            per_night: 3,
            cool_down: Span::mins(10),
            may_move: None,
        }
    }
}

impl Notice {
    /// A way out for whatever wakes.
    pub fn new(name: Name, by: NoticeBy) -> Notice {
        Notice { name, at_least: Priority::High, only_wakes: true, by }
    }
}

impl Rule {
    /// A rule of the person's own: medium, at once, and it wakes nobody.
    pub fn new(name: Name, on: Vec<Name>, test: Test) -> Rule {
        // Programs, devices and frames are only meant to work in a session; the rest is worth knowing at any time.
        let of_the_chain = |n: &Name| matches!(n.kind(), "program" | "device" | "frames" | "log");
        let during = if on.iter().any(of_the_chain) { During::Session } else { During::Always };
        Rule {
            title: title(&name),
            name,
            on,
            test,
            limit: None,
            on_delay: Span::ZERO,
            off_delay: Span::ZERO,
            deadband: 0.0,
            priority: Priority::Medium,
            during,
            wakes_after: None,
            wakes_always: false,
            enabled: true,
            action: None,
        }
    }
}

impl Config {
    /// Every watched thing with what the person calls it, in the order of the file and by kind.
    pub fn things(&self) -> Vec<(&Name, &str)> {
        let mut all: Vec<(&Name, &str)> = vec![];
        all.extend(self.programs.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.devices.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.links.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.interfaces.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.disks.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.sensors.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.frames.iter().map(|t| (&t.name, t.title.as_str())));
        all.extend(self.logs.iter().map(|t| (&t.name, t.title.as_str())));
        all
    }

    /// What a thing is called.
    pub fn title_of(&self, name: &Name) -> String {
        let thing = name.thing();
        self.things().iter().find(|(n, _)| **n == thing).map_or_else(|| title(&thing), |(_, t)| (*t).to_owned())
    }

    /// What a thing leans on; empty where nothing is stated.
    pub fn leans_on(&self, name: &Name) -> &[Name] {
        let programs = self.programs.iter().find(|t| t.name == *name).map(|t| &t.leans_on);
        let devices = || self.devices.iter().find(|t| t.name == *name).map(|t| &t.leans_on);
        let links = || self.links.iter().find(|t| t.name == *name).map(|t| &t.leans_on);
        let frames = || self.frames.iter().find(|t| t.name == *name).map(|t| &t.leans_on);
        programs.or_else(devices).or_else(links).or_else(frames).map_or(&[], Vec::as_slice)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_are_called_as_people_would() {
        for (name, said) in [
            ("program.mount", "mount program"),
            ("program.guiding-program", "guiding program"),
            ("link.house", "link to house"),
            ("link.gateway", "gateway"),
            ("temperature.box", "box temperature"),
            ("device.main-camera", "main camera"),
            ("frames.main", "frames"),
            ("disk.root", "root disk"),
        ] {
            assert_eq!(title(&Name::new(name).unwrap()), said);
        }
    }
}
