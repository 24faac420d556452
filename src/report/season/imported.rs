//! What imports say about themselves, and faults of a list as incidents. Pure.

use crate::analysis::slicing::HOLD;
use crate::model::rows::{ImportRow, ImportedFault};
use crate::model::{BootMs, FaultKind, Incident, Span, Stamp, UnixMs, zone_named};
use jiff::tz::TimeZone;

/// What the notes of imported files say together.
#[derive(Clone, Debug)]
pub struct Imported {
    /// Longest time for which a reading stands.
    pub holds: Span,
    /// Zone of the latest import that named one.
    pub zone: Option<TimeZone>,
}

impl Imported {
    /// From the notes, oldest first.
    pub fn from_notes(notes: &[ImportRow]) -> Imported {
        let holds = notes.iter().rev().find_map(|n| n.summary.get("holds_ms")?.as_i64()).map(Span);
        let zone = notes.iter().rev().find_map(|n| zone_named(n.summary.get("zone")?.as_str()?));
        Imported { holds: holds.filter(|h| *h > Span::ZERO).unwrap_or(HOLD), zone }
    }
}

/// A listed fault as the engine's account of costs takes it. Without an end, the rest of its night was lost.
pub fn as_incident(f: &ImportedFault, kind: FaultKind, night_ends: UnixMs) -> Incident {
    let stamp = |t: UnixMs| Stamp::new(t, BootMs(t.0));
    Incident {
        id: -f.from.0,
        session: Some(0),
        opened: stamp(f.from),
        closed: Some(stamp(f.to.unwrap_or(night_ends))),
        members: vec![],
        order_certain: true,
        kind,
        harmless: false,
        pause_only: false,
        mark: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_latest_note_holds() {
        let note = |holds: i64, zone: &str| ImportRow {
            at: UnixMs(0),
            source: "x.csv".into(),
            digest: String::new(),
            summary: json!({"holds_ms": holds, "zone": zone}),
        };
        let i = Imported::from_notes(&[note(1, "UTC"), note(600_000, "Europe/Oslo")]);
        assert_eq!((i.holds, i.zone.unwrap().iana_name().unwrap()), (Span::mins(10), "Europe/Oslo"));
        assert_eq!(Imported::from_notes(&[]).holds, HOLD);
    }
}
