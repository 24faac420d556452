//! The machine's own supply: it fell back on its battery, or a supply voltage was too low.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::{EventKind, Span};
use serde_json::Value;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let text = |e: &crate::model::Event, key: &str| e.detail.get(key).and_then(Value::as_str).unwrap_or("").to_string();
    let told = s.events(EventKind::Changed, Span::mins(2), Span::secs(20)).find(|e| {
        text(e, "what") == "supply voltage" || (text(e, "what") == "supply" && text(e, "new") == "battery")
    })?;
    let low = text(told, "what") == "supply voltage";
    let (title, how) = if low {
        (
            "a supply voltage was too low",
            "use a stronger supply and a shorter, thicker cable; give what draws much (cameras, heaters) a supply of its own",
        )
    } else {
        ("mains was lost", "see whether other devices lost power at that time; check plug, supply and fuse")
    };
    let look = Look {
        place: "the supply of the field PC".into(),
        reason: title.into(),
        evidence: String::new(),
        how: how.into(),
        caution: Some(caution::MAINS),
    };
    let mut r = new("supply", title, Weight::PointsTo, look);
    r.evidence_for.push(format!("{} (seen at {})", told.text, s.clock(told.at.wall)));
    Some(r)
}
