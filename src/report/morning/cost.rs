//! What the incidents cost: the rows of the night handed to the engine's own account, so that report and analysis agree.

use super::model::Cost;
use super::rows::NightRows;
use crate::engine::cost::{Costs, Frame, LightFrame, costs as charge, light_and_dark};
use crate::model::{Event, EventKind, Incident, Span};
use crate::night::Interval;
use crate::night::intervals;
use serde_json::Value;

/// Light frames of the night, in order of arrival. A frame without a stated exposure counts as taken at once.
pub fn light_frames(events: &[Event]) -> Vec<LightFrame> {
    let mut out: Vec<LightFrame> = events
        .iter()
        .filter(|e| e.kind == EventKind::FrameArrived)
        .filter(|e| e.detail.get("light").and_then(Value::as_bool).unwrap_or(false))
        .map(|e| {
            let exposure = e.detail.get("exposure_s").and_then(Value::as_f64).filter(|s| s.is_finite() && *s > 0.0);
            LightFrame { at: e.at.wall, exposure: Span((exposure.unwrap_or(0.0) * 1000.0) as i64) }
        })
        .collect();
    out.sort_by_key(|f| f.at);
    out
}

/// The account of a night.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Account {
    /// The engine's charges.
    pub costs: Costs,
    /// Light frames; none when frames are not watched.
    pub frames: Option<Vec<LightFrame>>,
    /// Light inside the dark session.
    pub light: Span,
    /// Dark time in session; all session time where darkness is not known.
    pub dark_session: Span,
}

impl Account {
    /// Charges the incidents of a night.
    pub fn of(rows: &NightRows) -> Account {
        let frames = light_frames(&rows.events);
        let watched = !frames.is_empty() || rows.settings.things.iter().any(|t| t.name.kind() == "frames");
        let frames = watched.then_some(frames);
        let sessions = intervals::tidy(&rows.session_stretches());
        let gaps: Vec<Interval> = rows.gaps.iter().map(|g| (g.from, g.to)).collect();
        let frame = Frame {
            sessions: &sessions,
            dark: rows.settings.site.is_some().then_some(rows.night.dark.as_slice()),
            gaps: &gaps,
            until: rows.until(),
        };
        let incidents: Vec<Incident> = rows.incidents.iter().map(|r| r.incident.clone()).collect();
        let costs = charge(&incidents, frames.as_deref(), &frame);
        let (light, dark_session) = light_and_dark(frames.as_deref().unwrap_or_default(), &frame);
        Account { costs, frames, light, dark_session }
    }

    /// What one incident cost; nothing for what was harmless or outside a session.
    pub fn cost(&self, incident: i64) -> Cost {
        self.costs.each.iter().find(|c| c.incident == incident).map_or_else(Cost::default, |c| Cost {
            dark_lost: c.dark_lost,
            frames_missing: c.frames_missing,
            until_frames: c.frames_again,
            not_watched: c.not_watched,
        })
    }

    /// Dark session time with neither light nor a known loss: reading out, pointing, focusing between frames.
    pub fn between(&self) -> Span {
        let c = &self.costs;
        Span((self.dark_session - self.light - c.dark_lost - c.paused - c.not_watched).0.max(0))
    }
}
