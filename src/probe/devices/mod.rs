//! USB devices: presence by vendor and product number, serial number, port path or device node; leaving and coming back, the speed
//! and the node name that they come back with.
//!
//! The bus is read every second; a hot-plug message of the system has it read at once and gives the event its own time. Reading
//! stays the judge: a hot-plug watch that hears nothing (no device manager, another namespace) costs a second, not the truth.

pub mod bus;
pub mod hotplug;
pub mod look;

use super::{All, Gauge, Lane, Poke, Probe, Setup, Take};
use crate::config::model::Device;
use crate::model::{Event, EventKind, Name, SignalId, Span, Stamp, Why};
use bus::{Bus, OnBus};
use hotplug::LastHeard;

/// What is known of one configured device.
struct Watched {
    config: Device,
    there: Gauge,
    /// As it was last seen on the bus.
    seen: Option<Seen>,
    /// Since when it has been away.
    away: Option<Stamp>,
}

#[derive(Clone)]
struct Seen {
    number: Option<u32>,
    speed: Option<f64>,
    nodes: Vec<String>,
    port: String,
}

struct Devices {
    name: Name,
    period: Span,
    bus: Bus,
    watched: Vec<Watched>,
    last: Option<Stamp>,
    heard: LastHeard,
    poke: Poke,
}

/// The probe and its hot-plug watch, if devices are configured.
pub fn all(s: &Setup<'_>) -> All {
    if s.config.devices.is_empty() {
        return All::default();
    }
    let (heard, poke) = (LastHeard::default(), Poke::default());
    let watched = s.config.devices.iter().map(|d| Watched {
        there: Gauge::truth(&s.signals, d.name.clone(), format!("{} is there", d.title)),
        config: d.clone(),
        seen: None,
        away: None,
    });
    let probe = Devices {
        name: super::literal("probe.devices"),
        period: s.cycle().max(Span::secs(1)),
        bus: Bus::new(s.roots.clone()),
        watched: watched.collect(),
        last: None,
        heard: heard.clone(),
        poke: poke.clone(),
    };
    let watch = hotplug::Watch::new(s.roots.clone(), s.clock.clone(), heard, poke);
    All { probes: vec![Box::new(probe)], sources: vec![Box::new(watch)] }
}

/// Whether a device on the bus is the configured one: all stated parts must fit.
pub(super) fn fits(d: &Device, b: &OnBus) -> bool {
    let node = |p: &std::path::Path| {
        let name = p.file_name().and_then(|n| n.to_str()).unwrap_or("");
        b.nodes.iter().any(|n| n == name)
    };
    d.usb.is_none_or(|u| u == (b.vendor, b.product))
        && d.serial.as_deref().is_none_or(|s| b.serial.as_deref() == Some(s))
        && d.port.as_deref().is_none_or(|p| p == b.port)
        // A link such as /dev/serial/by-id/… has a name of its own; then the other parts decide.
        && d.node.as_deref().is_none_or(|n| d.usb.is_some() || d.serial.is_some() || d.port.is_some() || node(n))
}

impl Devices {
    fn judge(w: &mut Watched, found: Option<Seen>, at: Stamp, within: Span, out: &mut Take<'_>) {
        let d = &w.config;
        let event = |kind, text: String| Event::new(at, d.name.clone(), kind, text).within(within);
        match (w.seen.clone(), found) {
            (Some(was), None) if w.away.is_none() => {
                w.away = Some(at);
                out.event(event(EventKind::DeviceLeft, format!("{} left the bus", d.title)).with("port", was.port));
            }
            (was, Some(now)) => {
                let renumbered =
                    was.as_ref().is_some_and(|w| w.number != now.number && w.number.is_some() && now.number.is_some());
                let unseen = renumbered && w.away.is_none();
                if unseen {
                    // It left and came back between two looks: told as a whole, a moment before its coming back.
                    let broke = Stamp::new(at.wall - Span(1), at.boot - Span(1));
                    let away = Span((within.0 / 2).max(1));
                    let text = format!("{} lost contact for less than {}", d.title, within.max(Span::secs(1)));
                    let e = Event::new(broke, d.name.clone(), EventKind::ContactBreak, text).within(within);
                    out.event(e.with("away_ms", away.0).with("port", now.port.clone()));
                }
                if w.away.is_some() || was.is_none() || unseen {
                    let mut e =
                        event(EventKind::DeviceArrived, format!("{} is there", d.title)).with("port", now.port.clone());
                    if let Some(left) = w.away {
                        e = e.with("away_ms", (at.boot - left.boot).0);
                    }
                    if let Some(s) = now.speed {
                        e = e.with("speed_mbit", s);
                    }
                    if let Some(s) = was.as_ref().and_then(|w| w.speed) {
                        e = e.with("was_speed_mbit", s);
                    }
                    out.event(e);
                }
                if let Some(was) = &was
                    && !was.nodes.is_empty()
                    && !now.nodes.is_empty()
                    && was.nodes != now.nodes
                {
                    let (old, new) = (was.nodes.join(", "), now.nodes.join(", "));
                    let text = format!("{} came back as {new}, was {old}", d.title);
                    out.event(event(EventKind::DeviceRenamed, text).with("old", old).with("new", new));
                }
                w.away = None;
                w.seen = Some(now);
            }
            _ => {}
        }
    }
}

impl Probe for Devices {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(10)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.watched.iter().map(|w| w.there.id()).collect()
    }
    fn poke(&self) -> Option<Poke> {
        Some(self.poke.clone())
    }
    fn take(&mut self, out: &mut Take<'_>) {
        let now = out.at();
        // A hot-plug message since the last reading is when it happened; else it is known to within that time.
        let (at, within) = match (self.heard.take(), self.last) {
            (Some(h), Some(l)) if h.boot > l.boot && h.boot <= now.boot => (h, Span::ZERO),
            (_, Some(l)) => (now, now.boot - l.boot),
            (_, None) => (now, self.period),
        };
        self.last = Some(now);
        let on_bus = self.bus.read();
        for w in &mut self.watched {
            let d = &w.config;
            let by_bus = d.usb.is_some() || d.serial.is_some() || d.port.is_some();
            let found: Result<Option<Seen>, Why> = match (&on_bus, &d.node) {
                (Ok(all), _) if by_bus => Ok(all.iter().find(|b| fits(d, b)).map(Seen::of)),
                (Err(why), _) if by_bus => Err(why.clone()),
                (all, Some(node)) => Ok(self.bus.node_there(node).then(|| {
                    let behind = all.as_ref().ok().and_then(|all| all.iter().find(|b| fits(d, b)));
                    behind.map_or_else(Seen::plain, Seen::of)
                })),
                (Ok(all), None) => Ok(all.iter().find(|b| fits(d, b)).map(Seen::of)),
                (Err(why), None) => Err(why.clone()),
            };
            match found {
                Err(why) => out.unavailable(&w.there, why),
                Ok(found) => {
                    out.truth(&w.there, found.is_some());
                    Self::judge(w, found, at, within, out);
                }
            }
        }
    }
}

impl Seen {
    fn of(b: &OnBus) -> Seen {
        Seen { number: b.number, speed: b.speed, nodes: b.nodes.clone(), port: b.port.clone() }
    }
    fn plain() -> Seen {
        Seen { number: None, speed: None, nodes: vec![], port: String::new() }
    }
}

#[cfg(test)]
mod tests;
