//! The talk of a program with its device was dead: its own log said so, or it closed its device node and ran on, or the node was
//! deleted under it.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::{Event, EventKind, Span};
use serde_json::Value;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let first = s.first()?;
    let near: Vec<_> =
        std::iter::once(first.thing.clone()).chain(s.rows.settings.leans_on(&first.thing).iter().cloned()).collect();
    let concerns = |e: &&Event| near.contains(&e.thing);
    let says = |e: &&Event| e.detail.get("broken").and_then(Value::as_bool) == Some(true);
    let line = s.events(EventKind::LogLine, Span::mins(5), Span::mins(1)).filter(concerns).find(says);
    let closed = s.events(EventKind::DeviceClosed, Span::mins(5), Span::mins(1)).find(concerns);
    if line.is_none() && closed.is_none() {
        return None;
    }
    let told = line.or(closed)?;
    let title = s.rows.settings.title(&told.thing);
    let deleted = closed.is_some_and(|e| e.detail.get("deleted").and_then(Value::as_bool) == Some(true));
    let look = Look {
        place: format!("the link of {title} to its device"),
        reason: "the program ran, but its talk with the device was dead".into(),
        evidence: String::new(),
        how: format!(
            "read the program's own log around {}; see whether its device came back under another name, and give it one that \
             stays (/dev/serial/by-id)",
            s.clock(told.at.wall)
        ),
        caution: Some(caution::MOVEMENT),
    };
    let before = |e: &Event| e.at.wall - e.within <= first.at.wall;
    let firm = deleted || line.is_some_and(before);
    let weight = if firm { Weight::PointsTo } else { Weight::MayBe };
    let mut r = new("talk", "the talk with a device was dead", weight, look);
    if let Some(e) = line {
        let own = e.detail.get("line").and_then(Value::as_str).filter(|l| !l.is_empty());
        let words = own.map_or_else(|| e.text.clone(), |l| format!("{} (\"{l}\")", e.text));
        r.evidence_for.push(format!(
            "the log of {} said at {}: {words}",
            s.rows.settings.title(&e.thing),
            s.clock(e.at.wall)
        ));
    }
    if let Some(e) = closed {
        r.evidence_for.push(format!("{} at {}", e.text, s.clock(e.at.wall)));
    }
    let renamed = s.events(EventKind::DeviceRenamed, Span::mins(5), Span::mins(5)).next();
    if let Some(e) = renamed {
        r.evidence_for.push(format!("{} at {}", e.text, s.clock(e.at.wall)));
    }
    if !line.is_none_or(before) && !deleted {
        r.evidence_against.push("this was told only after the fault".into());
    }
    Some(r)
}
