//! A device's contact or its power: USB left before the program did; over-current or reset lines in the kernel's log.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::incident::Member;
use crate::model::{Event, EventKind, Span};
use crate::report::say;

/// Devices that leave within this time of each other left together: a hub or a supply, rather than one plug.
const TOGETHER: Span = Span::secs(2);

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let head = s.first()?;
    let device = s.member(&["device"]);
    let over_current = s.kernel_lines(&["over_current"], Span::mins(1), Span::secs(30));
    let port = device.and_then(|d| port_of(s, d));
    let mut usb = s.kernel_lines(&["usb"], Span::mins(1), Span::secs(10));
    usb.retain(|e| leads_to(e, port));
    // A device that leaves after the program may have been let go by it: then it is a consequence.
    let led = device.is_some_and(|d| d.at.wall - d.within <= head.at.wall);
    let complained = !over_current.is_empty() || (device.is_some() && !usb.is_empty());
    if !led && !complained {
        return None;
    }
    let name = device.map_or_else(|| s.title(), |d| s.rows.settings.title(&d.thing));
    let gone: Vec<_> =
        s.events(EventKind::DeviceLeft, TOGETHER, TOGETHER).map(|e| &e.thing).fold(vec![], |mut all, t| {
            if !all.contains(&t) {
                all.push(t);
            }
            all
        });
    let several = gone.len() > 1;
    let power = !over_current.is_empty() || several;
    let (code, title, place, how, hurt) = if power {
        (
            "power",
            "power of the USB devices",
            if several {
                "the hub or supply that the devices share".to_string()
            } else {
                format!("the port of the {name}")
            },
            "give the hub its own supply or a stronger one, spread the devices over two hubs, and look for a pinched cable",
            caution::MAINS,
        )
    } else {
        (
            "contact",
            "contact of a USB cable",
            if name.contains("cable") { format!("the {name}") } else { format!("the cable of the {name}") },
            "reseat both plugs, tie the cable so that nothing pulls at it when the mount turns, and try another port or cable",
            caution::MOVEMENT,
        )
    };
    let look = Look { place, reason: title.into(), evidence: String::new(), how: how.into(), caution: Some(hurt) };
    let firm = led || !over_current.is_empty();
    let mut r = new(code, title, if firm { Weight::PointsTo } else { Weight::MayBe }, look);
    if let (Some(d), true) = (device, led) {
        let program = s.member(&["program"]).filter(|p| p.at.wall >= d.at.wall);
        r.evidence_for.push(match program {
            Some(p) => format!(
                "{name} left at {}, {} before {} stopped",
                s.clock(d.at.wall),
                say::lag(p.at.wall - d.at.wall),
                s.rows.settings.title(&p.thing)
            ),
            None => format!("{name} left at {}", s.clock(d.at.wall)),
        });
        if let Some(back) = d.until {
            r.evidence_for.push(format!("it was back after {}", back.wall - d.at.wall));
        }
    }
    if several {
        r.evidence_for.push(format!("{} devices left within {TOGETHER} of each other", gone.len()));
    }
    if let Some(e) = over_current.first() {
        r.evidence_for.push(format!("the kernel cut a port for over-current at {}", s.clock(e.at.wall)));
    }
    if let Some(e) = usb.first() {
        let more = if usb.len() > 1 { format!(" and {} more", usb.len() - 1) } else { String::new() };
        let words = e.text.strip_prefix("kernel: ").map_or(String::new(), |w| format!(": {w}"));
        r.evidence_for.push(format!("the kernel's log has a USB line at {}{more}{words}", s.clock(e.at.wall)));
    }
    if let Some(d) = device {
        let breaks = s
            .rows
            .events
            .iter()
            .filter(|e| e.thing == d.thing && matches!(e.kind, EventKind::ContactBreak) && e.at.wall < s.at)
            .count();
        if breaks > 0 {
            let times = if breaks == 1 { "once".into() } else { format!("{breaks} times") };
            r.evidence_for.push(format!("its contact had broken {times} before, earlier that night"));
        }
    }
    if !led {
        r.evidence_against.push("what failed first was not the device".into());
    }
    if usb.is_empty() && over_current.is_empty() && super::kernel_log_was_read(s) {
        r.evidence_against.push("the kernel's log has no USB complaint at that time".into());
    }
    Some(r)
}

/// The port of a device, as it left or came.
fn port_of<'a>(s: &Scene<'a>, d: &Member) -> Option<&'a str> {
    let told = |e: &&Event| {
        e.thing == d.thing
            && matches!(e.kind, EventKind::DeviceLeft | EventKind::DeviceArrived | EventKind::ContactBreak)
    };
    s.rows.events.iter().filter(told).find_map(|e| e.detail.get("port")?.as_str()).filter(|p| !p.is_empty())
}

/// Whether a line of the kernel's can be about a device on this port: it names the port, or a hub on the way to it, or none.
fn leads_to(line: &Event, port: Option<&str>) -> bool {
    match (line.detail.get("port").and_then(serde_json::Value::as_str), port) {
        (Some(l), Some(p)) => p == l || p.strip_prefix(l).is_some_and(|rest| rest.starts_with(['.', ':'])),
        _ => true,
    }
}
