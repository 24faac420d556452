//! The rule on light frames: a pause after something broke is an alarm; a pause with nothing broken is one low notice.

use super::life::Fact;
use super::session::Mode;
use super::{Engine, Tick};
use crate::config::model::Builtin;
use crate::model::{BootMs, SessionStart, Span, Stamp};

impl Engine {
    /// A light frame was written.
    pub(super) fn light_frame(&mut self, at: Stamp, exposure_s: Option<f64>) {
        if self.plan.frames.is_none() {
            return;
        }
        if self.st.session.is_none()
            && self.st.blocked.is_none()
            && self.mode() == Mode::Frames
            && self.chain_up()
            && self.st.frames.last.is_none_or(|l| at.boot > l.boot)
        {
            self.start_session(at, SessionStart::LightFrame);
        }
        if !self.st.frames.light(at, exposure_s) {
            return;
        }
        self.st.incidents.frame(at.boot);
        self.version += 1;
        if let Some(s) = self.frames_slot() {
            self.set(s, Fact::off(at));
            self.slots[s].k.mild = false;
        }
        self.frames_due(at);
    }

    pub(super) fn frames_slot(&mut self) -> Option<usize> {
        let r = self.rule_of(Builtin::NoLightFrame)?;
        let n = self.plan.frames.as_ref()?.name.clone();
        self.plan.rules[r].takes(&n).then(|| self.slot(r, &n) as usize)
    }

    /// Whether it has been too long since the last light frame; sets the next instant to look.
    pub(super) fn frames_due(&mut self, t: Stamp) {
        let (Some(session), Some(f)) = (&self.st.session, &self.plan.frames) else { return };
        let limit = self.st.frames.limit(f.at_least, self.plan.learned.longest_pause);
        let mut from = session.started.boot;
        if self.plan.site {
            // Nobody expects frames before dark; without darkness ahead there is nothing to expect.
            let Some((dusk, _)) = self.plan.dark().iter().copied().find(|d| d.1 > t.wall) else { return };
            from = from.max(t.boot - (t.wall - dusk));
        }
        let last = self.st.frames.last.filter(|l| l.boot >= session.started.boot);
        // Dark hours alone do not say that anybody wanted frames: a cloudy week is no pause.
        if last.is_none() && matches!(session.why, SessionStart::Dusk | SessionStart::Always) {
            return;
        }
        // Frames that came while nobody was looking are not known of.
        from = from.max(last.map_or(from, |l| l.boot)).max(self.st.looking_since.unwrap_or(from));
        let due = from + limit;
        if due > t.boot {
            self.timers.insert((due, Tick::Frames));
            return;
        }
        let Some(s) = self.frames_slot() else { return };
        if self.slots[s].k.on {
            return;
        }
        self.slots[s].k.mild = self.broken_since_light().is_none() && !self.something_broken(s);
        let mut words = match last {
            Some(l) => format!("no light frame since {}", self.clock_time(l.wall)),
            None => "no light frame since the session began".into(),
        };
        if self.slots[s].k.mild
            && let Some((_, thing)) = self.dropped_since_light()
        {
            words += &format!("; {} dropped for a moment about then", self.plan.title(&thing));
        }
        let at = self.stamp(due);
        self.set(s, Fact { words, ..Fact::on(at) });
    }

    /// The last light frame, less one exposure: a frame that was being exposed when something broke still arrives.
    pub(super) fn last_light(&self) -> Option<BootMs> {
        let session = self.st.session.as_ref()?;
        let last = self.st.frames.last.map_or(session.started.boot, |l| l.boot);
        Some(last - self.st.frames.pace().unwrap_or(Span::ZERO).max(super::incident::NEAR))
    }

    /// The incident since the last light frame in which something broke that mattered.
    pub(super) fn broken_since_light(&self) -> Option<i64> {
        self.st.incidents.broken_since(self.last_light()?)
    }

    /// The drop since the last light frame with which the frames stopped: no proof, but worth naming.
    pub(super) fn dropped_since_light(&self) -> Option<(i64, crate::model::Name)> {
        self.st.incidents.stopped_frames_since(self.last_light()?)
    }

    pub(super) fn something_broken(&self, s: usize) -> bool {
        self.slots.iter().enumerate().any(|(o, x)| {
            o != s
                && x.standing()
                && x.k.alarm.as_ref().is_some_and(|a| a.priority >= crate::model::Priority::Medium)
                // A link alarm through which frames went on is no reason for their end.
                && !(x.k.thing.kind() == "link" && self.st.frames.last.is_some_and(|l| l.boot > x.k.since.boot + super::incident::NEAR))
        })
    }
}
