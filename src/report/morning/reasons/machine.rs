//! The machine restarted, cleanly or not.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::{EventKind, FaultKind, Span};
use serde_json::Value;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    if !matches!(s.incident.kind, FaultKind::Machine | FaultKind::Power) {
        return None;
    }
    // The start is seen only after the gap, so it may lie hours past the first instant.
    let started = s.events(EventKind::MachineStarted, Span::ZERO, Span::hours(18)).next();
    let clean = started.and_then(|e| e.detail.get("clean")).and_then(Value::as_bool);
    let gap = s.rows.gaps.iter().find(|g| g.from <= s.at + Span::mins(1) && g.to > s.at);
    if started.is_none() && gap.is_none() {
        return None;
    }
    // The crash of a program is none of the machine.
    let own = |e: &&crate::model::Event| !e.detail.contains_key("pid");
    let crash = s.kernel_lines(&["crash"], Span::mins(10), Span::hours(18)).into_iter().find(own);
    let hot = s.kernel_lines(&["throttle"], Span::mins(30), Span::ZERO).into_iter().next();
    let (code, title, place, how, hurt) = match (clean, &crash) {
        (Some(true), _) => (
            "restart",
            "the machine was restarted in an orderly way",
            "updates and timers of the field PC".to_string(),
            "see whether an update restarted it (the system's log at that time), and set updates to the day",
            None,
        ),
        (_, Some(_)) => (
            "machine_crash",
            "the machine crashed",
            "the field PC itself".to_string(),
            "read the kernel's last lines before the restart; check memory and storage; undo a recent update",
            None,
        ),
        _ => (
            "power_lost",
            "power was lost, or the machine froze",
            "plug, supply and fuse of the field PC".to_string(),
            "see whether other devices lost power at that time; check plug and supply; a small uninterruptible supply tells \
             the two apart",
            Some(caution::MAINS),
        ),
    };
    let look = Look { place, reason: title.into(), evidence: String::new(), how: how.into(), caution: hurt };
    let firm = clean == Some(true) || crash.is_some();
    let mut r = new(code, title, if firm { Weight::PointsTo } else { Weight::MayBe }, look);
    if let Some(g) = gap {
        r.evidence_for.push(format!("nothing was recorded from {} to {}", s.clock(g.from), s.clock(g.to)));
    }
    match (started, clean) {
        (Some(e), Some(true)) => {
            r.evidence_for.push(format!("it shut down in an orderly way and was up again at {}", s.clock(e.at.wall)));
        }
        (Some(e), Some(false)) => {
            r.evidence_for.push(format!("it had not shut down in an orderly way; up again at {}", s.clock(e.at.wall)));
        }
        (Some(e), None) => r.evidence_for.push(format!("it was up again at {}", s.clock(e.at.wall))),
        (None, _) => {
            r.evidence_against.push("no restart of the machine was seen: the agent alone may have stopped".into())
        }
    }
    if let Some(e) = crash {
        r.evidence_for.push(format!("the kernel's log has a crash at {}", s.clock(e.at.wall)));
    }
    if let Some(e) = hot {
        r.evidence_for.push(format!("the kernel had slowed the processor for heat at {}", s.clock(e.at.wall)));
    }
    Some(r)
}
