//! The devices on the bus, for the look around.

use super::bus::Bus;
use crate::model::Name;
use crate::probe::{Found, Group, Roots};

/// Every device that is no hub, with lines to paste.
pub fn found(roots: &Roots) -> Vec<Found> {
    let all = match Bus::new(roots.clone()).read() {
        Ok(all) => all,
        Err(why) => return vec![Found::plain(Group::Devices, "USB devices", why.text.to_string())],
    };
    all.into_iter()
        .filter(|d| !d.hub)
        .map(|d| {
            let title = if d.title.is_empty() { format!("device {:04x}:{:04x}", d.vendor, d.product) } else { d.title.clone() };
            let mut lines = vec![
                format!("[device.{}]", Name::part(&title)),
                format!("usb = \"{:04x}:{:04x}\"", d.vendor, d.product),
            ];
            if let Some(s) = &d.serial {
                lines.push(format!("serial = {s:?}"));
            }
            if let Some(s) = d.speed {
                lines.push(format!("speed_at_least = \"{s} Mbit/s\""));
            }
            let mut note = format!("in port {}", d.port);
            if !d.nodes.is_empty() {
                note += &format!(", as {}", d.nodes.join(", "));
            }
            if d.may_sleep {
                note += &format!(
                    "; the kernel may switch it off when idle: `echo on > /sys/bus/usb/devices/{}/power/control` as root keeps it awake",
                    d.port
                );
            }
            Found::with_lines(Group::Devices, title, lines, note)
        })
        .collect()
}
