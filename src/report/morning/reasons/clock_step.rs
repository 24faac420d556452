//! The wall clock stepped: programs that measure time by it stumble.

use super::{Look, Reason, Scene, Weight, new};
use crate::model::{EventKind, Span};
use serde_json::Value;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let step = s
        .events(EventKind::ClockStep, Span::mins(2), Span::secs(5))
        .chain(s.events(EventKind::ClockSynchronised, Span::mins(2), Span::secs(5)))
        .next()?;
    let by = Span(step.detail.get("by_ms").and_then(Value::as_i64).unwrap_or(0));
    if by.0.abs() < 1000 {
        return None;
    }
    let look = Look {
        place: "the clock of the field PC".into(),
        reason: "the clock stepped".into(),
        evidence: String::new(),
        how:
            "let the PC set its clock before the programs start: time synchronisation on, a battery-backed clock, or a \
              time source that works without the house"
                .into(),
        caution: None,
    };
    let mut r = new("clock", "the clock stepped", Weight::MayBe, look);
    r.evidence_for.push(format!("the wall clock stepped by {by} at {}", s.clock(step.at.wall)));
    Some(r)
}
