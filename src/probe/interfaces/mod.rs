//! Network interfaces: up or down and addresses at once by the kernel's route events ([`listen`]), counters by reading, and a
//! look at the state every few seconds as a cross-check ([`poll`]); speed and duplex of wired ones ([`wired`]).

pub mod listen;
pub mod poll;
pub mod wired;

use super::{All, Found, Gauge, Group, Roots, Setup, links, parse};
use crate::config::model::{Interface, Target};
use crate::model::{Event, EventKind, Name, Reading, Span, Stamp, Value};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What is known of the watched interfaces, shared by those who listen and those who look.
pub struct Board {
    states: Mutex<Vec<State>>,
    /// Counted up when a route or an address has changed.
    pub changes: links::Changes,
}

/// One watched interface.
pub struct State {
    /// As configured.
    pub interface: Interface,
    /// Up or down.
    pub truth: Gauge,
    /// None: not known yet.
    pub up: Option<bool>,
    /// Since when it is down.
    pub down: Option<Stamp>,
    /// Its addresses, as `192.168.1.7/24`; none: not known yet.
    pub addresses: Option<Vec<String>>,
}

impl Board {
    /// A board of the configured interfaces.
    pub fn new(s: &Setup<'_>, changes: links::Changes) -> Arc<Board> {
        let state = |i: &Interface| State {
            truth: Gauge::truth(&s.signals, i.name.clone(), format!("{} up", i.title)),
            interface: i.clone(),
            up: None,
            down: None,
            addresses: None,
        };
        Arc::new(Board { states: Mutex::new(s.config.interfaces.iter().map(state).collect()), changes })
    }

    /// The states.
    pub fn states(&self) -> MutexGuard<'_, Vec<State>> {
        self.states.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// An interface is up or down, seen at `at`, known to within `within` before it. Gives what is new.
    pub fn set(&self, device: &str, up: bool, at: Stamp, within: Span, why: &str) -> Option<(Event, Reading)> {
        let mut all = self.states();
        let s = all.iter_mut().find(|s| s.interface.device == device)?;
        let before = s.up.replace(up);
        let first_and_up = before.is_none() && up;
        if before == Some(up) || first_and_up {
            return None;
        }
        let i = &s.interface;
        let event = if up {
            let away = s.down.take().map_or(Span::ZERO, |d| at.boot - d.boot);
            Event::new(at, i.name.clone(), EventKind::LinkUp, format!("{} up again after {away}", i.title))
                .with("down_ms", away.0)
        } else {
            s.down = Some(at);
            Event::new(at, i.name.clone(), EventKind::LinkDown, format!("{} down: {why}", i.title))
        };
        let value: Value = s.truth.value(if up { 1.0 } else { 0.0 });
        let reading = Reading { signal: s.truth.id(), at, value };
        Some((event.within(within).with("interface", device), reading))
    }

    /// The addresses of an interface. Gives what is new; the first time nothing is.
    pub fn addresses(&self, device: &str, at: Stamp, change: impl FnOnce(&mut Vec<String>)) -> Option<Event> {
        let mut all = self.states();
        let s = all.iter_mut().find(|s| s.interface.device == device)?;
        let before = s.addresses.clone();
        let mut now = before.clone().unwrap_or_default();
        change(&mut now);
        s.addresses = Some(now.clone());
        let before = before.filter(|b| *b != now)?;
        let only = |a: &[String], b: &[String]| a.iter().filter(|x| !b.contains(x)).cloned().collect::<Vec<_>>();
        let (added, removed) = (only(&now, &before), only(&before, &now));
        let said = |verb: &str, list: &[String]| {
            if list.is_empty() { String::new() } else { format!(" {verb} {}", list.join(", ")) }
        };
        let text = format!("{}: address{}{}", s.interface.title, said("lost", &removed), said("got", &added));
        Some(
            Event::new(at, s.interface.name.clone(), EventKind::AddressChanged, text)
                .with("added", added)
                .with("removed", removed),
        )
    }
}

/// Everything that watches the configured interfaces, and whoever needs to hear of changed routes.
pub fn all(s: &Setup<'_>, changes: &links::Changes) -> All {
    let mut a = All::default();
    let board = Board::new(s, changes.clone());
    let gateway = s.config.links.iter().any(|l| l.to == Target::Gateway);
    if !s.config.interfaces.is_empty() {
        a.probes.push(Box::new(poll::Counters::new(s, board.clone())));
        if s.wants("wired") {
            a.probes.push(Box::new(wired::Wired::new(s)));
        }
    }
    if s.roots.is_system() && (gateway || !s.config.interfaces.is_empty()) {
        a.sources.push(Box::new(listen::Listen::new(board, s.clock.clone())));
    }
    a
}

/// The interfaces that are in use now, for a machine without a configuration: the one that leads to the gateway, and those
/// with hardware behind them that are up. One that is down already was not in use, and is no news.
pub fn in_use(roots: &Roots) -> Vec<Interface> {
    let Ok(dir) = std::fs::read_dir(roots.path("sys/class/net")) else { return vec![] };
    let leads_out = links::gateway::Routes::new(roots).gateway().ok().map(|g| g.interface);
    let mut names: Vec<String> = dir.flatten().filter_map(|e| e.file_name().into_string().ok()).collect();
    names.sort();
    names
        .into_iter()
        .filter(|n| {
            let up = roots.text(format!("sys/class/net/{n}/operstate")).is_some_and(|t| t.trim() == "up");
            let hardware = roots.path(format!("sys/class/net/{n}/device")).exists();
            leads_out.as_ref() == Some(n) || (up && hardware)
        })
        .filter_map(|n| Some(Interface::new(Name::new(format!("interface.{}", Name::part(&n))).ok()?, n)))
        .collect()
}

/// What the look around says: the interfaces of this machine, each with its lines.
pub fn found(roots: &Roots) -> Vec<Found> {
    let Ok(dir) = std::fs::read_dir(roots.path("sys/class/net")) else { return vec![] };
    let mut names: Vec<String> = dir.flatten().filter_map(|e| e.file_name().into_string().ok()).collect();
    names.sort();
    names
        .into_iter()
        .filter(|n| n != "lo")
        .map(|n| {
            let wireless = roots.path(format!("sys/class/net/{n}/wireless")).exists()
                || roots.path(format!("sys/class/net/{n}/phy80211")).exists();
            let state = roots.text(format!("sys/class/net/{n}/operstate")).unwrap_or_default();
            let speed = roots.text(format!("sys/class/net/{n}/speed")).and_then(|t| parse::signed(t.as_bytes()));
            let speed = speed.filter(|s| *s > 0).map_or(String::new(), |s| format!(", {s} Mbit/s"));
            let kind = if wireless { "wireless interface" } else { "interface" };
            let own = crate::model::Name::part(&n);
            let mut lines = vec![format!("[interface.{own}]")];
            if own != n {
                lines.push(format!("device = {}", toml::Value::from(n.as_str())));
            }
            let radio = if wireless { super::wifi::look::note(roots, &n) } else { String::new() };
            let radio = if radio.is_empty() { radio } else { format!("; {radio}") };
            Found::with_lines(Group::Links, format!("{kind} {n}"), lines, format!("now {state}{speed}{radio}"))
        })
        .collect()
}

#[cfg(test)]
mod tests;
