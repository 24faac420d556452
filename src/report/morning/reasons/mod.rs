//! Likely reasons of a fault: one small readable rule in each file, over what was recorded, with evidence for and against.
//!
//! A rule answers with nothing unless something was recorded that speaks for it. It never answers from the kind of fault
//! alone. Several may stand side by side.

pub(super) use cold::{LEAST_NIGHTS, against_quiet_nights};

mod changed;
mod clock_step;
mod cold;
mod contact;
mod heat;
mod inside;
mod machine;
mod memory;
mod network;
mod starved;
mod storage;
mod supply;
mod talk;

use super::model::{Look, Reason, Weight};
use super::scene::Scene;
use crate::model::{FaultKind, Span};

type Rule = fn(&Scene) -> Option<Reason>;

/// The rules, in the order in which equally firm reasons are told.
const RULES: &[Rule] = &[
    memory::reason,
    storage::reason,
    supply::reason,
    contact::reason,
    machine::reason,
    clock_step::reason,
    starved::reason,
    heat::reason,
    network::reason,
    talk::reason,
    inside::reason,
    cold::reason,
    changed::reason,
];

/// Every reason that something speaks for, firm ones first.
pub fn likely(scene: &Scene) -> Vec<Reason> {
    let mut all: Vec<Reason> = RULES.iter().filter_map(|rule| rule(scene)).collect();
    // Stable: rules of equal weight keep their order.
    all.sort_by_key(|r| r.weight);
    all
}

/// What could have told a reason for this kind of fault, and was not measured.
pub fn not_measured(s: &Scene) -> Vec<&'static str> {
    let mut out = vec![];
    let mut miss = |signal: &str, words| {
        if !s.was_measured(signal) {
            out.push(words);
        }
    };
    use FaultKind::*;
    let kind = s.incident.kind;
    if matches!(kind, Program | Machine | Device) {
        miss("pressure.cpu", "waiting for the processor (pressure stall)");
        miss("memory.available-share", "memory");
    }
    miss("temperature.outside", "outside temperature");
    miss("temperature.box", "box temperature");
    if matches!(kind, Link) && !s.rows.signals.keys().any(|n| n.kind() == "interface" && n.of_thing() == Some("signal"))
    {
        out.push("Wi-Fi signal");
    }
    if matches!(kind, Program | Device)
        && !s.rows.signals.keys().any(|n| n.kind() == "device")
        && !s.rows.settings.things.iter().any(|t| t.name.kind() == "device")
    {
        out.push("USB devices");
    }
    if matches!(kind, Program | Device | Machine | Power) && !kernel_log_was_read(s) {
        out.push("the kernel's log");
    }
    if matches!(kind, Machine | Power) && !s.rows.signals.keys().any(|n| n.kind() == "power" || n.kind() == "battery") {
        out.push("mains or supply voltage");
    }
    let unseen = |e: &&crate::model::Event| e.detail.get("how").and_then(serde_json::Value::as_str) == Some("unknown");
    let ended = s.events(crate::model::EventKind::ProgramEnded, Span::secs(1), Span::mins(1)).find(unseen);
    if ended.is_some_and(|e| s.first().is_some_and(|f| f.thing == e.thing)) {
        out.push("how the program ended (this system does not tell)");
    }
    out
}

/// Whether the kernel's log is known to have been read this night: a line of it was kept, or its probe told so.
fn kernel_log_was_read(s: &Scene) -> bool {
    s.rows.events.iter().any(|e| e.kind == crate::model::EventKind::KernelLine)
        || s.rows.signals.iter().any(|(n, m)| {
            matches!(n.as_str(), "kernel.log" | "log.kernel" | "machine.kernel-log")
                && m.minutes.iter().any(|b| b.count > 0)
        })
}

/// A reason without evidence yet.
fn new(code: &'static str, title: impl Into<String>, weight: Weight, look: Look) -> Reason {
    Reason { code, title: title.into(), weight, evidence_for: vec![], evidence_against: vec![], look }
}

/// Cautions, each said where the advice beside it could hurt. Common practice, no source; local rules come first.
pub(super) mod caution {
    /// Mains.
    pub const MAINS: &str = "Mains outdoors belongs on a residual-current device and in weather-proof fittings, to local \
        rules and by a licensed electrician; unplug before you touch a supply.";
    /// Heating.
    pub const HEATING: &str = "A heating pad in a closed box is a fire risk: it needs its own over-temperature cut-out and \
        must not be covered by anything that burns.";
    /// Movement.
    pub const MOVEMENT: &str = "A mount may move by itself when its program or cable comes back: keep people and cables \
        clear, and stay able to cut its power.";
    /// Heat.
    pub const HOT: &str = "Parts that throttle are hot to the touch; let them cool, and keep air holes free of rain.";
}

#[cfg(test)]
mod tests;
