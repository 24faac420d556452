//! What earlier nights taught, for the rules that ask for it.

use crate::engine::Learned;
use crate::model::{EventKind, Span, UnixMs};
use crate::store::{Reader, StoreError};

/// How far back is looked: a season's habits, not the last one's.
const LOOK_BACK: Span = Span::hours(24 * 90);
/// A pause longer than this is no refocusing and no crossing of the meridian, whatever the session was.
const LONGEST_HONEST: Span = Span::hours(2);

/// The longest pause between two light frames of one session, over the fault-free sessions before `now`.
///
/// # Errors
/// When the store cannot be read.
pub fn learned(reader: &Reader, now: UnixMs) -> Result<Learned, StoreError> {
    let from = now - LOOK_BACK;
    let mut longest = None;
    for s in reader.sessions(from, now)? {
        let Some(ended) = s.ended else { continue };
        let (a, b) = (s.started.wall, ended.wall);
        if reader.incidents(a, b)?.iter().any(|i| i.incident.is_fault()) {
            continue;
        }
        let light: Vec<UnixMs> = reader
            .events(a, b, &[EventKind::FrameArrived])?
            .iter()
            .filter(|e| e.detail.get("light").and_then(serde_json::Value::as_bool) == Some(true))
            .map(|e| e.at.wall)
            .collect();
        let pauses = light.windows(2).map(|w| w[1] - w[0]).filter(|p| *p <= LONGEST_HONEST);
        longest = longest.max(pauses.max());
    }
    Ok(Learned { longest_pause: longest, ..Learned::default() })
}
