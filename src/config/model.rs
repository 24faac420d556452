//! The checked configuration, as every other room uses it. Made by `config::load` from TOML, or `Config::default()` for a
//! machine without a file. Plain data: no file, no clock.

use crate::model::{Name, Priority, Span};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Everything that a person can set.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Name of this field PC, shown on page and reports.
    pub field: String,
    /// Where the telescope stands; none: no dark hours, and the program says so.
    pub site: Option<Site>,
    /// How people see temperatures.
    pub temperatures: TemperatureScale,
    /// Zone for local times when there is no site; none means the system's zone.
    pub zone: Option<String>,
    /// The agent itself.
    pub agent: AgentSettings,
    /// The HTTP side.
    pub http: HttpSettings,
    /// The chain and what makes a session.
    pub session: SessionSettings,
    /// Watched programs.
    pub programs: Vec<Program>,
    /// Watched links (reachability of named places).
    pub links: Vec<Link>,
    /// Watched network interfaces.
    pub interfaces: Vec<Interface>,
    /// Watched disks.
    pub disks: Vec<Disk>,
    /// Watched USB devices.
    pub devices: Vec<Device>,
    /// Temperatures and humidities.
    pub sensors: Vec<Sensor>,
    /// The frames folder.
    pub frames: Option<Frames>,
    /// Watched text logs.
    pub logs: Vec<TextLog>,
    /// Rules: built-in ones (possibly changed) and the person's own.
    pub rules: Vec<Rule>,
    /// Actions that rules may run.
    pub actions: Vec<Action>,
    /// Where alarms go beyond this machine.
    pub notices: Vec<Notice>,
    /// The file that it came from; none for the built-in defaults.
    pub file: Option<PathBuf>,
}

/// The place of the telescope.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Degrees, north positive.
    pub latitude: f64,
    /// Degrees, east positive.
    pub longitude: f64,
    /// Metres above sea level.
    pub elevation: f64,
    /// Zone, by its IANA name or as a fixed offset.
    pub zone: String,
    /// Dark means the Sun's centre this many degrees below the horizon (default 12).
    pub dark_below: f64,
}

impl Site {
    /// Dark, unless the person says otherwise: the Sun's centre 12° down, the end of nautical twilight.
    pub const DARK_BELOW: f64 = 12.0;
}

/// How people see temperatures. Stored values are always °C.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TemperatureScale {
    /// °C
    #[default]
    Celsius,
    /// °F
    Fahrenheit,
}

/// The agent itself.
#[derive(Clone, Debug, PartialEq)]
pub struct AgentSettings {
    /// Length of a cycle (default 1 s).
    pub every: Span,
    /// Quiet cycles are committed this often (default 10 s).
    pub commit_every: Span,
    /// Fine readings are kept this many days (default 90).
    pub keep_fine_days: u32,
    /// Folder for reports that are written by themselves; none: not written.
    pub reports: Option<PathBuf>,
    /// Store file; none: the state directory's.
    pub store: Option<PathBuf>,
    /// Probes that are left out (of [`CAN_BE_LEFT_OUT`]), for a machine on which one does harm or costs too much.
    pub leave_out: Vec<String>,
}

/// Probes that run without being asked for and can be left out.
pub const CAN_BE_LEFT_OUT: [&str; 7] =
    ["every-program", "graphics", "kernel-log", "open-devices", "power", "storage", "wired"];

/// The HTTP side.
#[derive(Clone, Debug, PartialEq)]
pub struct HttpSettings {
    /// Address to listen on (default `127.0.0.1:7417`).
    pub listen: std::net::SocketAddr,
    /// Serve TLS with a certificate of the program's own making.
    pub tls: bool,
    /// Allow plain HTTP beyond loopback on the home network.
    pub plain_on_home_network: bool,
    /// Further host names by which people reach this agent (`pier.home.arpa`); they go into the certificate too.
    pub names: Vec<String>,
}

/// What makes a session.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct SessionSettings {
    /// Programs (and devices) that are meant to work together, in the order in which they lean on each other.
    pub chain: Vec<Name>,
}

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

/// When a rule holds.
#[derive(Clone, Debug, PartialEq)]
pub enum During {
    /// In a session.
    Session,
    /// Always.
    Always,
    /// While it is dark.
    Dark,
    /// Between two local clock times, in minutes after midnight; may pass midnight.
    Clock {
        /// From.
        from_min: u16,
        /// To.
        to_min: u16,
    },
}

/// What a rule judges.
#[derive(Clone, Debug, PartialEq)]
pub enum Test {
    /// Value below the limit.
    Below(f64),
    /// Value above the limit.
    Above(f64),
    /// Value outside a range.
    Outside(f64, f64),
    /// Nothing read (or the thing is away) for `on_delay`.
    Missing,
    /// Value differs from this one.
    DiffersFrom(f64),
    /// Change per hour beyond this size (sign tells the direction; `within` is the stretch over which it is measured).
    RateOfChange {
        /// Per hour, in the signal's unit; negative: falls faster than this.
        per_hour: f64,
        /// Stretch.
        within: Span,
    },
    /// Away from the mean of the stretch before by more than this many units.
    Deviation {
        /// In the signal's unit.
        by: f64,
        /// Stretch.
        within: Span,
    },
    /// One of the built-in conditions that is not one number against a limit.
    Builtin(Builtin),
}

/// The built-in conditions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Builtin {
    /// Exit of a chain program.
    ProgramEnded,
    /// A sign of life is missing.
    ProgramHangs,
    /// A USB device is away.
    DeviceGone,
    /// No light frame for longer than its limit.
    NoLightFrame,
    /// House or gateway out of reach.
    LinkDown,
    /// Box above the limit.
    BoxTooHot,
    /// Box below the learned or set limit.
    BoxCold,
    /// Dew-point margin below the limit.
    DewMarginSmall,
    /// Processor pressure stall above the limit.
    ProcessorStarved,
    /// Available memory below the limit, or a program killed for memory.
    MemoryShort,
    /// Less room than tonight's need at the present pace, or below the limit.
    Disk,
    /// Clock unsynchronised or off.
    ClockNotSet,
    /// A configured probe unavailable.
    CannotRead,
    /// A probe hangs or panicked.
    ProbeStuck,
    /// The machine stopped or slept in a session.
    MachineStopped,
}

/// A rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// `rule.…`
    pub name: Name,
    /// Said to people ("box too hot").
    pub title: String,
    /// Signals or things that it judges. Empty for built-ins: every thing of their kind.
    pub on: Vec<Name>,
    /// What it judges.
    pub test: Test,
    /// Limit of a built-in that has one, in its own unit.
    pub limit: Option<f64>,
    /// Must last this long.
    pub on_delay: Span,
    /// Must be over this long.
    pub off_delay: Span,
    /// The value must be past the limit by this much to return, in the signal's unit.
    pub deadband: f64,
    /// How much it matters.
    pub priority: Priority,
    /// When it holds.
    pub during: During,
    /// Wakes after it has stood for this long (in session, dark, at least 60 min of darkness left); none: never.
    pub wakes_after: Option<Span>,
    /// It wakes always, session or not.
    pub wakes_always: bool,
    /// False: switched off by the person.
    pub enabled: bool,
    /// Action to run when raised.
    pub action: Option<Name>,
}

/// An action that a rule may run. Off unless configured.
#[derive(Clone, Debug, PartialEq)]
pub struct Action {
    /// `action.…`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// Program and arguments; no shell.
    pub run: Vec<String>,
    /// Its switching-off: sent when the rule returns, after `at_most`, at stop and at start.
    pub off: Option<Vec<String>>,
    /// Longest time that it stays on.
    pub at_most: Option<Span>,
    /// Time limit of one run.
    pub time_limit: Span,
    /// At most so many runs per night.
    pub per_night: u32,
    /// Least time between two runs.
    pub cool_down: Span,
    /// It can move equipment; then it only runs between these local clock times (minutes after midnight).
    pub may_move: Option<(u16, u16)>,
}

/// Where alarms go beyond this machine.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    /// `notice.…`
    pub name: Name,
    /// Least priority that is sent.
    pub at_least: Priority,
    /// Only what wakes.
    pub only_wakes: bool,
    /// How.
    pub by: NoticeBy,
}

/// Ways out.
#[derive(Clone, Debug, PartialEq)]
pub enum NoticeBy {
    /// A command; the alarm as JSON on its standard input. No shell.
    Command(Vec<String>),
    /// HTTP POST of JSON.
    Webhook(String),
    /// MQTT publish of JSON.
    Mqtt {
        /// `host:port`
        broker: String,
        /// Topic.
        topic: String,
    },
}

impl Default for AgentSettings {
    fn default() -> Self {
        AgentSettings {
            every: Span::secs(1),
            commit_every: Span::secs(10),
            keep_fine_days: 90,
            reports: None,
            store: None,
            leave_out: vec![],
        }
    }
}

impl Default for HttpSettings {
    fn default() -> Self {
        HttpSettings {
            listen: std::net::SocketAddr::from(([127, 0, 0, 1], 7417)),
            tls: false,
            plain_on_home_network: false,
            names: Vec::new(),
        }
    }
}

/// A machine without a file: this machine, its default gateway, its root disk, the built-in rules.
impl Default for Config {
    fn default() -> Self {
        let name = |t: &str| Name::new(t).expect("a literal that is a name");
        Config {
            field: "this machine".into(),
            site: None,
            temperatures: TemperatureScale::Celsius,
            zone: None,
            agent: AgentSettings::default(),
            http: HttpSettings::default(),
            session: SessionSettings::default(),
            programs: vec![],
            links: vec![Link {
                name: name("link.gateway"),
                title: "gateway".into(),
                to: Target::Gateway,
                by: ReachBy::Echo,
                every: Span::secs(1),
                deadline: Span(900),
                window: Span::secs(60),
                leans_on: vec![],
            }],
            interfaces: vec![],
            disks: vec![Disk { name: name("disk.root"), title: "root disk".into(), path: PathBuf::from("/") }],
            devices: vec![],
            sensors: vec![],
            frames: None,
            logs: vec![],
            rules: super::builtin::rules(),
            actions: vec![],
            notices: vec![],
            file: None,
        }
    }
}
