//! What a look around the machine finds: things that could be watched, each with the configuration lines for it.

use super::Roots;

/// One thing that can be watched, or one reason why something cannot.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The group under which it is listed.
    pub group: Group,
    /// Short, for people: "temperature of the processor package".
    pub title: String,
    /// Configuration lines that would watch it, ready to paste; empty when nothing needs to be configured or it cannot be
    /// watched.
    pub config_lines: Vec<String>,
    /// What is worth knowing: the value now, a guess, or what this form of installation cannot see and the way out.
    pub note: String,
}

/// Groups of found things, in the order in which they are listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// Processor, memory, pressure, the machine itself.
    Machine,
    /// Temperatures and humidities.
    Sensors,
    /// Network interfaces, the gateway.
    Links,
    /// File systems.
    Disks,
    /// Running programs.
    Programs,
    /// USB devices.
    Devices,
    /// Folders in which frames arrive.
    Frames,
    /// Text logs.
    Logs,
}

impl Group {
    /// Heading for people.
    pub fn title(self) -> &'static str {
        match self {
            Group::Machine => "this machine",
            Group::Sensors => "temperatures and humidities",
            Group::Links => "network",
            Group::Disks => "disks",
            Group::Programs => "programs",
            Group::Devices => "USB devices",
            Group::Frames => "frames",
            Group::Logs => "text logs",
        }
    }
}

impl Found {
    /// Something that needs no configuration, with what is known of it.
    pub fn plain(group: Group, title: impl Into<String>, note: impl Into<String>) -> Found {
        Found { group, title: title.into(), config_lines: vec![], note: note.into() }
    }
    /// Something that is watched once these lines stand in the configuration.
    pub fn with_lines(group: Group, title: impl Into<String>, lines: Vec<String>, note: impl Into<String>) -> Found {
        Found { group, title: title.into(), config_lines: lines, note: note.into() }
    }
}

/// Everything found, in the order of the groups.
pub fn look(roots: &Roots) -> Vec<Found> {
    let mut all: Vec<Found> = super::FINDERS.iter().flat_map(|f| f(roots)).collect();
    all.sort_by_key(|f| f.group);
    all
}
