//! What runs now and hangs together: programs that hold equipment or write frames, and those that they talk to on this
//! machine. Looked at while the evening's chain is up, for a first configuration.

mod folders;
mod nodes;
mod propose;
mod running;
mod tcp;

pub use propose::{Head, propose, propose_devices};

use super::Roots;
use nodes::Equipment;
use running::{Process, Snapshot};
use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tcp::{Socket, State};

/// Text logs that programs have open for writing, each once, with the program's executable.
pub fn open_logs(roots: &Roots) -> Vec<(PathBuf, String)> {
    let mut all = BTreeMap::new();
    for p in running::snapshot(roots).open {
        for log in p.logs {
            all.entry(log).or_insert_with(|| p.executable.clone());
        }
    }
    all.into_iter().collect()
}

/// What makes two processes the same program: the executable, and the script that it runs.
type Identity = (String, Option<String>);

/// A program of the evening.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Running {
    /// File name of its executable.
    pub executable: String,
    /// The script or archive that it runs, as it was typed.
    pub script: Option<String>,
    /// Its systemd unit.
    pub unit: Option<String>,
    /// Device nodes that it holds.
    pub nodes: BTreeSet<String>,
    /// Frames that it was seen writing.
    pub frames: BTreeSet<PathBuf>,
    /// Text logs that it has open for writing.
    pub logs: BTreeSet<PathBuf>,
    /// Ports on which it waits.
    pub ports: BTreeSet<u16>,
    /// Programs (by their place in the list) and ports that it is connected to.
    pub talks_to: BTreeSet<(usize, u16)>,
}

/// Everything that was seen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Seen {
    /// The programs that hang together.
    pub programs: Vec<Running>,
    /// What is behind each device node.
    pub equipment: BTreeMap<String, Equipment>,
    /// The frames folder, and how it was found.
    pub frames: Option<(PathBuf, String)>,
    /// An address of the home network from which somebody is connected, and the port here.
    pub house: Option<(IpAddr, u16)>,
    /// Processes of other users that could not be looked into.
    pub closed: usize,
}

/// Gathers what several snapshots show, since a frame is open for a moment only.
#[derive(Debug, Default)]
pub struct Gather {
    programs: BTreeMap<Identity, Process>,
    listening: BTreeMap<Identity, BTreeSet<u16>>,
    talks: BTreeSet<(Identity, Identity, u16)>,
    house: Option<(IpAddr, u16)>,
    closed: usize,
}

impl Gather {
    /// Looks once more.
    pub fn look(&mut self, roots: &Roots) {
        let table = |f: &str| {
            let t = std::fs::read(roots.path(f)).unwrap_or_default();
            tcp::parse(&String::from_utf8_lossy(&t))
        };
        let mut sockets = table("/proc/net/tcp");
        sockets.extend(table("/proc/net/tcp6"));
        self.add(&running::snapshot(roots), &sockets);
    }

    fn add(&mut self, snapshot: &Snapshot, sockets: &[Socket]) {
        self.closed = snapshot.closed;
        let identity = |p: &Process| (p.executable.clone(), p.script.clone());
        let holder = |inode: u64| snapshot.open.iter().find(|p| p.sockets.contains(&inode));
        let listening: BTreeSet<u16> =
            sockets.iter().filter(|s| s.state == State::Listening).map(|s| s.local.1).collect();
        for p in &snapshot.open {
            let all = self.programs.entry(identity(p)).or_insert_with(|| Process { pid: p.pid, ..p.clone() });
            all.nodes.extend(p.nodes.iter().cloned());
            all.frames.extend(p.frames.iter().cloned());
            all.logs.extend(p.logs.iter().cloned());
        }
        for s in sockets {
            match s.state {
                State::Listening => {
                    if let Some(p) = holder(s.inode) {
                        self.listening.entry(identity(p)).or_default().insert(s.local.1);
                    }
                }
                // The caller's end: its other end is a port on which somebody here waits.
                State::Established if listening.contains(&s.remote.1) && !listening.contains(&s.local.1) => {
                    let other = sockets.iter().find(|o| {
                        o.state == State::Established && o.local == s.remote && o.remote == s.local && o.inode != 0
                    });
                    if let (Some(a), Some(b)) = (holder(s.inode), other.and_then(|o| holder(o.inode)))
                        && identity(a) != identity(b)
                    {
                        self.talks.insert((identity(a), identity(b), s.remote.1));
                    }
                }
                // Somebody of the home network is connected to this machine.
                State::Established if listening.contains(&s.local.1) && is_home(s.remote.0) => {
                    self.house.get_or_insert((s.remote.0, s.local.1));
                }
                _ => {}
            }
        }
    }

    /// What belongs together: programs that hold equipment or write frames, and whoever they talk to on this machine.
    pub fn finish(self, roots: &Roots, home: Option<&Path>, now: std::time::SystemTime) -> Seen {
        let mut chosen: BTreeSet<Identity> = self
            .programs
            .iter()
            .filter(|(_, p)| !p.nodes.is_empty() || !p.frames.is_empty())
            .map(|(i, _)| i.clone())
            .collect();
        loop {
            let before = chosen.len();
            for (a, b, _) in &self.talks {
                if chosen.contains(a) || chosen.contains(b) {
                    chosen.extend([a.clone(), b.clone()]);
                }
            }
            if chosen.len() == before {
                break;
            }
        }
        let order: Vec<Identity> = chosen.into_iter().collect();
        let place = |i: &Identity| order.iter().position(|o| o == i);
        let programs: Vec<Running> = order
            .iter()
            .map(|i| {
                let p = &self.programs[i];
                Running {
                    executable: p.executable.clone(),
                    script: p.script.clone(),
                    unit: p.unit.clone(),
                    nodes: p.nodes.clone(),
                    frames: p.frames.clone(),
                    logs: p.logs.clone(),
                    ports: self.listening.get(i).cloned().unwrap_or_default(),
                    talks_to: self
                        .talks
                        .iter()
                        .filter(|(a, _, _)| a == i)
                        .filter_map(|(_, b, port)| Some((place(b)?, *port)))
                        .collect(),
                }
            })
            .collect();
        let nodes: BTreeSet<&String> = programs.iter().flat_map(|p| &p.nodes).collect();
        let equipment = nodes.into_iter().map(|n| (n.clone(), nodes::behind(roots, n))).collect();
        Seen {
            frames: frames(&programs, roots, home, now),
            programs,
            equipment,
            house: self.house,
            closed: self.closed,
        }
    }
}

/// The frames folder: where a program was seen writing one, else where the newest one lies.
fn frames(
    programs: &[Running],
    roots: &Roots,
    home: Option<&Path>,
    now: std::time::SystemTime,
) -> Option<(PathBuf, String)> {
    let starts: Vec<PathBuf> = home.iter().map(|h| h.to_path_buf()).chain(["/media".into(), "/mnt".into()]).collect();
    if let Some(file) = programs.iter().flat_map(|p| &p.frames).next() {
        return Some((folders::top(file, &starts)?, format!("{} was being written there", file.display())));
    }
    let found = folders::newest(roots, home, now)?;
    let age = crate::model::Span::from(Duration::from_secs(found.age.as_secs()));
    Some((found.folder, format!("its newest frame is {age} old")))
}

/// Whether an address lies in a private network (RFC 1918, RFC 4193) and not on this machine.
fn is_home(a: IpAddr) -> bool {
    match a {
        IpAddr::V4(a) => a.is_private(),
        IpAddr::V6(a) => a.is_unique_local(),
    }
}

#[cfg(test)]
mod tests;
