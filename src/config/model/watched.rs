//! What is watched, as configured.

use crate::model::{Name, Span};
use std::path::PathBuf;

/// How a program is found among the processes. All stated parts must fit.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct FindBy {
    /// File name or full path of the executable.
    pub executable: Option<String>,
    /// Text that the command line contains.
    pub command: Option<String>,
    /// systemd unit.
    pub unit: Option<String>,
}

/// A watched program.
#[derive(Clone, Debug, PartialEq)]
pub struct Program {
    /// `program.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// How it is found.
    pub find: FindBy,
    /// What it cannot work without.
    pub leans_on: Vec<Name>,
    /// Signs of life.
    pub alive: Vec<AliveSign>,
    /// Device node that it must keep open.
    pub holds: Vec<PathBuf>,
}

/// A sign of life: must come within `within`, looked for every `every`.
#[derive(Clone, Debug, PartialEq)]
pub struct AliveSign {
    /// The kind of sign.
    pub kind: AliveKind,
    /// Longest time without the sign before the program counts as hanging.
    pub within: Span,
    /// How often it is looked for.
    pub every: Span,
}

/// Kinds of signs of life.
#[derive(Clone, Debug, PartialEq)]
pub enum AliveKind {
    /// A TCP connect with an answer: bytes must come back (a bare connect succeeds on a stopped program).
    Tcp {
        /// `host:port`.
        address: String,
        /// Sent after connecting; none: the program speaks first.
        send: Option<Vec<u8>>,
        /// Bytes that the answer must contain; none: any byte.
        expect: Option<Vec<u8>>,
    },
    /// An HTTP answer with a status below 500.
    Http {
        /// `http://host:port/path`.
        url: String,
        /// Text that the answer must contain.
        expect: Option<String>,
    },
    /// A file that must keep growing (or the newest file of a pattern with `*`).
    FileGrows {
        /// Path or pattern.
        path: String,
    },
    /// CPU time that must advance by at least this much in `within`.
    CpuAdvances {
        /// Milliseconds of processor time.
        at_least_ms: i64,
    },
}

/// A named place that must be reachable.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    /// `link.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Host name, address, or the default gateway.
    pub to: Target,
    /// ICMP echo (with fallbacks) or TCP connect to this port.
    pub by: ReachBy,
    /// How often (default 1 s).
    pub every: Span,
    /// Answer must come within (default 900 ms).
    pub deadline: Span,
    /// Loss is counted over this window (default 60 s).
    pub window: Span,
    /// What it leans on (`interface.…`, `link.gateway`).
    pub leans_on: Vec<Name>,
}

/// Where a link leads.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// The default gateway, as the route table has it now.
    Gateway,
    /// A host name or address.
    Host(String),
}

/// How a place is reached for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReachBy {
    /// ICMP echo where allowed; else a refused connect or the neighbour table count as reachable.
    Echo,
    /// TCP connect to the port; refused counts as reachable.
    Tcp(u16),
}

/// A watched network interface.
#[derive(Clone, Debug, PartialEq)]
pub struct Interface {
    /// `interface.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// The system's name: `wlan0`.
    pub device: String,
}

/// A watched disk or path.
#[derive(Clone, Debug, PartialEq)]
pub struct Disk {
    /// `disk.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// A path on it.
    pub path: PathBuf,
}

/// A watched USB device. All stated parts must fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Device {
    /// `device.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Vendor and product number.
    pub usb: Option<(u16, u16)>,
    /// Serial number.
    pub serial: Option<String>,
    /// Port path, such as `1-1.4`.
    pub port: Option<String>,
    /// Device node, such as `/dev/ttyUSB0`.
    pub node: Option<PathBuf>,
    /// Slowest bus speed at which it is well, in Mbit/s.
    pub speed_at_least: Option<f64>,
    /// What it leans on.
    pub leans_on: Vec<Name>,
}

/// What a sensor measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SensorKind {
    /// °C
    Temperature,
    /// % relative humidity
    Humidity,
}

/// A temperature or humidity.
#[derive(Clone, Debug, PartialEq)]
pub struct Sensor {
    /// `temperature.…` or `humidity.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// What it measures.
    pub kind: SensorKind,
    /// Where it is: `box`, `outside`, `component` or a name.
    pub place: String,
    /// Where values come from.
    pub source: SensorSource,
    /// Factor on the raw number (0.001 for millidegrees; °F is converted by `fahrenheit`).
    pub scale: f64,
    /// The raw number is in °F.
    pub fahrenheit: bool,
    /// Added after scaling, in the unit.
    pub offset: f64,
    /// Plausible range, in the unit.
    pub plausible: (f64, f64),
    /// Largest believable jump between two readings, in the unit.
    pub largest_jump: f64,
    /// Frozen when unchanged for this long; none: never.
    pub frozen_after: Option<Span>,
    /// Silent when nothing arrived for this long.
    pub silent_after: Span,
    /// How often it is read.
    pub every: Span,
    /// Time for one reading.
    pub deadline: Span,
}

/// Where a sensor's values come from.
#[derive(Clone, Debug, PartialEq)]
pub enum SensorSource {
    /// hwmon: chip name and label or `temp1`.
    Hwmon {
        /// Chip name (`coretemp`).
        chip: String,
        /// Label or input (`temp1`).
        input: String,
    },
    /// Thermal zone by type.
    Thermal {
        /// Type (`x86_pkg_temp`).
        zone: String,
    },
    /// Industrial I/O device by name and channel.
    Iio {
        /// Device name.
        device: String,
        /// Channel (`temp`, `humidityrelative`).
        channel: String,
    },
    /// 1-Wire sensor by its address.
    OneWire {
        /// `28-…`
        address: String,
    },
    /// A file whose text is the number, or holds it at a JSON pointer.
    File {
        /// Path.
        path: PathBuf,
        /// RFC 6901 pointer.
        pointer: Option<String>,
    },
    /// A command whose output is the number, or holds it at a JSON pointer. No shell.
    Command {
        /// Program and arguments.
        arguments: Vec<String>,
        /// RFC 6901 pointer.
        pointer: Option<String>,
    },
    /// An HTTP answer.
    Http {
        /// `http://…`
        url: String,
        /// RFC 6901 pointer; none: the text is the number.
        pointer: Option<String>,
    },
    /// An MQTT topic.
    Mqtt {
        /// `host:port`
        broker: String,
        /// Topic, wildcards allowed.
        topic: String,
        /// RFC 6901 pointer; none: the payload is the number.
        pointer: Option<String>,
        /// 4 (3.1.1) or 5.
        version: u8,
        /// User name.
        user: Option<String>,
        /// File that holds the password.
        password_file: Option<PathBuf>,
    },
}

/// The frames folder.
#[derive(Clone, Debug, PartialEq)]
pub struct Frames {
    /// `frames.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Folder tree.
    pub folder: PathBuf,
    /// File endings that count as frames (`fits`, `fit`, `fts`, `xisf`, `raw`, …), lower case.
    pub endings: Vec<String>,
    /// The "no light frame" limit at least (default 20 min).
    pub at_least: Span,
    /// Sensor temperature may be away from its set point by this much, K.
    pub sensor_off_by: f64,
    /// What frames lean on (the camera program).
    pub leans_on: Vec<Name>,
}

/// A watched text log.
#[derive(Clone, Debug, PartialEq)]
pub struct TextLog {
    /// `log.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Path, `*` allowed in the last part: the newest counts.
    pub path: String,
    /// Whose log it is, if of a watched thing.
    pub of: Option<Name>,
    /// Encoding label: `utf-8`, `utf-16le`, `utf-16be`; none: found by byte-order mark, else UTF-8.
    pub encoding: Option<String>,
    /// The patterns.
    pub patterns: Vec<LogPattern>,
}

/// One pattern of a text log.
#[derive(Clone, Debug, PartialEq)]
pub struct LogPattern {
    /// Regular expression with named groups.
    pub regex: String,
    /// What it tells: `device lost`, `link restored`, `guiding lost`, or the person's own words.
    pub means: String,
    /// The thing is broken from this line on (true), well again (false), or it is only to know (none).
    pub broken: Option<bool>,
}
