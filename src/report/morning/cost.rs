//! What the incidents cost, from the rows of the night.

use super::model::Cost;
use super::rows::NightRows;
use crate::model::{Event, EventKind, Incident, Span, UnixMs};
use crate::night::Interval;
use crate::night::intervals;
use serde_json::Value;

/// A light frame: when its exposure began, and when it arrived.
pub type LightFrame = Interval;

/// Light frames of the night, in order of arrival. A frame without a stated exposure counts as taken at once.
pub fn light_frames(events: &[Event]) -> Vec<LightFrame> {
    let mut out: Vec<LightFrame> = events
        .iter()
        .filter(|e| e.kind == EventKind::FrameArrived)
        .filter(|e| e.detail.get("light").and_then(Value::as_bool).unwrap_or(false))
        .map(|e| {
            let exposure = e.detail.get("exposure_s").and_then(Value::as_f64).filter(|s| s.is_finite() && *s > 0.0);
            (e.at.wall - Span((exposure.unwrap_or(0.0) * 1000.0) as i64), e.at.wall)
        })
        .collect();
    out.sort_by_key(|f| f.1);
    out
}

/// The dark session time of the night: all session time where darkness is not known.
pub fn dark_session(rows: &NightRows) -> Vec<Interval> {
    let sessions = intervals::tidy(&rows.session_stretches());
    if rows.settings.site.is_none() { sessions } else { intervals::intersect(&sessions, &rows.night.dark) }
}

/// Median time between arrivals in the two hours before an instant; none from fewer than three frames.
fn pace(frames: &[LightFrame], before: UnixMs) -> Option<Span> {
    let recent: Vec<UnixMs> =
        frames.iter().map(|f| f.1).filter(|a| *a <= before && before - *a <= Span::hours(2)).collect();
    let mut steps: Vec<i64> = recent.windows(2).map(|w| (w[1] - w[0]).0).filter(|d| *d > 0).collect();
    steps.sort_unstable();
    (steps.len() >= 2).then(|| Span(steps[steps.len() / 2]))
}

/// Time in which an incident kept light from being gathered: until a light frame began again after it, if frames are
/// watched and any had come before; else until all was well again.
fn shadow(rows: &NightRows, i: &Incident, frames: &[LightFrame]) -> Interval {
    let from = i.opened.wall;
    let until = rows.until();
    let session_end = rows.session_stretches().into_iter().filter(|s| s.0 <= from).map(|s| s.1).max().unwrap_or(until);
    let well = i.closed.map_or(until, |c| c.wall);
    if frames.is_empty() {
        return (from, well.min(session_end).max(from));
    }
    // A frame that arrives right after the fault was begun before it, so the first whole exposure after it counts.
    let back = frames.iter().map(|f| f.0).find(|start| *start >= well.min(until));
    (from, back.unwrap_or(session_end).min(session_end).max(from))
}

/// The cost of every incident, in the order given; time in several counts for the first of them only. Harmless, paused and
/// marked ones cost nothing by definition, but how long they lasted is known from the incident itself.
pub fn costs(rows: &NightRows, frames: &[LightFrame]) -> Vec<Cost> {
    let dark = dark_session(rows);
    let gaps: Vec<Interval> = rows.gaps.iter().map(|g| (g.from, g.to)).collect();
    let mut taken: Vec<Interval> = vec![];
    rows.incidents
        .iter()
        .map(|row| {
            let i = &row.incident;
            if !i.is_fault() {
                return Cost::default();
            }
            let whole = shadow(rows, i, frames);
            let own = intervals::subtract(&[whole], &taken);
            taken = intervals::union(&taken, &[whole]);
            let dark_own = intervals::intersect(&own, &dark);
            let light: Vec<Interval> = frames.to_vec();
            let lost = intervals::subtract(&intervals::subtract(&dark_own, &gaps), &light);
            let dark_lost = intervals::total(&lost);
            let came = frames.iter().filter(|f| f.1 > whole.0 && f.1 <= whole.1).count() as f64;
            let frames_missing = pace(frames, i.opened.wall).map(|p| {
                let due = intervals::total(&dark_own).0 as f64 / p.0 as f64;
                (due - came).max(0.0).floor()
            });
            let after = frames.iter().find(|f| f.0 >= whole.1 && f.1 > i.opened.wall);
            Cost {
                dark_lost,
                frames_missing: if frames.is_empty() { None } else { frames_missing },
                until_frames: after.map(|f| f.1 - i.opened.wall),
                not_watched: intervals::overlap(&dark_own, &gaps),
            }
        })
        .collect()
}
