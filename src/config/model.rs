//! The checked configuration, as every other room uses it. Made by `config::load` from TOML, or `Config::default()` for a
//! machine without a file. Plain data: no file, no clock.

mod rules;
mod watched;

pub use rules::*;
pub use watched::*;

use crate::model::{Name, Span};
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

impl Config {
    /// The zone that the person states: the site's, else that of the whole file.
    pub fn stated_zone(&self) -> Option<&str> {
        self.site.as_ref().map(|s| s.zone.as_str()).or(self.zone.as_deref())
    }
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
