//! Sessions: when one begins and ends, what is in force because of it, and the close-down that ends it without an alarm.

use super::life::Fact;
use super::plan::Sort;
use super::state::Blocked;
use super::{Engine, Tick};
use crate::config::model::During;
use crate::model::{BootMs, EventKind, Session, SessionEnd, SessionStart, Span, Stamp, UnixMs};

/// A part of the chain that was not there when a person began the session has this long to come.
pub(super) const GRACE: Span = Span::mins(5);
/// Said of what never came.
pub(super) const NEVER: &str = "has not been there since the session began";
/// Without a site, nobody knows when the night ends: tonight's need is reckoned for this long.
const NIGHT: Span = Span::hours(8);
/// Two dark stretches that begin further apart than this belong to different nights.
const OTHER_NIGHT: i64 = 6 * 3_600_000;

/// How sessions come about, by what is configured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mode {
    /// Chain up and a light frame.
    Frames,
    /// Chain up.
    Chain,
    /// Dark hours.
    Dark,
    /// Always.
    Always,
}

impl Engine {
    pub(super) fn mode(&self) -> Mode {
        match (self.plan.chain.is_empty(), self.plan.frames.is_some(), self.plan.site) {
            (false, true, _) => Mode::Frames,
            (false, false, _) => Mode::Chain,
            (true, _, true) => Mode::Dark,
            (true, _, false) => Mode::Always,
        }
    }

    /// The programs that are closed together: those of the chain; without a chain, all.
    pub(super) fn group(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.things.len()).filter(|i| {
            let t = &self.plan.things[*i];
            t.sort == Sort::Program && t.chained
        })
    }

    pub(super) fn chain_up(&self) -> bool {
        let mut any = false;
        let all = self.plan.chain.iter().filter_map(|n| self.plan.by_name.get(n)).all(|i| {
            any = true;
            self.things[*i].p.up == Some(true)
        });
        any && all
    }

    /// Sun and session: dusk, dawn, and what begins by itself.
    pub(super) fn sky(&mut self, t: Stamp) {
        if let Some(s) = self.st.session.as_ref().filter(|s| s.why != SessionStart::Always) {
            // Reckoned back by the since-boot clock, so that a step of the wall clock makes no dawn.
            let started = t.wall - (t.boot - s.started.boot);
            let dawns = self.plan.dark().iter().map(|d| d.1).filter(|e| started < *e && *e <= t.wall);
            if let Some(dawn) = dawns.min() {
                let at = Stamp { wall: dawn, boot: t.boot - (t.wall - dawn) };
                self.st.blocked = Some(Blocked::Dawn);
                self.end_session(at, SessionEnd::Dawn);
            }
        }
        let dark = self.plan.dark_at(t.wall);
        if let Some((from, _)) = dark
            && self.st.dusk.is_none_or(|d| (from.0 - d.0).abs() > OTHER_NIGHT)
        {
            self.st.dusk = Some(from);
            self.st.blocked = None;
        }
        if self.st.session.is_none() && self.st.blocked.is_none() {
            match self.mode() {
                Mode::Always => self.start_session(t, SessionStart::Always),
                Mode::Dark if dark.is_some() => self.start_session(t, SessionStart::Dusk),
                Mode::Chain if self.chain_up() => self.start_session(t, SessionStart::ChainUp),
                _ => {}
            }
        }
        let minute =
            self.plan.rules.iter().any(|r| matches!(r.during, During::Clock { .. })).then(|| self.minute(t.wall));
        if dark.is_some() != self.was_dark || minute != self.was_minute {
            if dark.is_some() != self.was_dark {
                self.version += 1;
            }
            (self.was_dark, self.was_minute) = (dark.is_some(), minute);
            self.refresh_force(t);
            self.frames_due(t);
        }
    }

    /// Minutes after local midnight.
    pub(super) fn minute(&self, wall: UnixMs) -> u16 {
        jiff::Timestamp::from_millisecond(wall.0).map_or(0, |ts| {
            let local = self.plan.zone().to_datetime(ts);
            u16::from(local.hour().unsigned_abs()) * 60 + u16::from(local.minute().unsigned_abs())
        })
    }

    /// Since when a rule is in force at `t`, if it comes into force now; for rules that always hold, since ever.
    pub(super) fn force_of(&self, rule: usize, t: BootMs) -> Option<BootMs> {
        let holds = match self.plan.rules[rule].during {
            During::Always => return Some(BootMs(i64::MIN / 4)),
            During::Session => self.st.session.is_some(),
            During::Dark => self.plan.dark_at(self.now.wall).is_some(),
            During::Clock { from_min, to_min } => {
                let m = self.minute(self.now.wall);
                if from_min <= to_min { (from_min..to_min).contains(&m) } else { m >= from_min || m < to_min }
            }
        };
        holds.then_some(t)
    }

    /// Brings rules into force and takes them out of it.
    pub(super) fn refresh_force(&mut self, t: Stamp) {
        let since = self.st.session.as_ref().map(|s| s.started.boot);
        // First all are taken out of force, so that the end of one alarm does not raise another that it held back.
        let mut over = vec![];
        for s in 0..self.slots.len() {
            let rule = self.slots[s].rule;
            let force = self.force_of(rule, t.boot);
            let was = self.slots[s].force;
            match (was, force) {
                (None, Some(f)) => {
                    let from = if self.plan.rules[rule].during == During::Session { since.unwrap_or(f) } else { f };
                    self.slots[s].force = Some(from);
                    self.set_timer(s, t.boot);
                }
                (Some(_), None) => {
                    self.slots[s].force = None;
                    over.push((s, self.plan.rules[rule].during == During::Session));
                }
                _ => {}
            }
        }
        for (s, session) in over {
            self.remove(s, t, if session { "the session is over" } else { "its hours are over" });
        }
    }

    pub(super) fn start_session(&mut self, at: Stamp, why: SessionStart) {
        if self.st.session.is_some() {
            return;
        }
        self.st.numbers.session += 1;
        let session = Session { id: self.st.numbers.session, started: at, why, ended: None, end_why: None };
        let words = match why {
            SessionStart::LightFrame => "the chain is up and a light frame arrived",
            SessionStart::ChainUp => "all programs of the chain are up",
            SessionStart::Person => "a person said so",
            SessionStart::Dusk => "the dark hours began",
            SessionStart::Always => "there is neither a chain nor a site, so it is always on",
        };
        let code = serde_json::to_value(why).unwrap_or_default();
        let e = self.say(at, "agent.this", EventKind::SessionStarted, format!("session began: {words}"));
        e.detail.insert("session".into(), session.id.into());
        e.detail.insert("why".into(), code);
        self.out.sessions.push(session.clone());
        self.st.session = Some(session);
        self.st.blocked = None;
        self.st.closing = super::closing::Closing::default();
        self.st.frames.session_began();
        for i in 0..self.things.len() {
            let up = self.things[i].p.up == Some(true);
            self.things[i].p.seen = up;
            // What is not there when the session begins cannot be lost in it. Links are wanted all the same.
            let excused = !up && self.plan.things[i].sort != Sort::Link;
            for s in self.things[i].gone.clone() {
                self.slots[s as usize].k.excused = excused;
            }
        }
        self.refresh_force(at);
        self.timers.insert((at.boot + GRACE, Tick::Start));
        self.frames_due(at);
        self.version += 1;
    }

    /// Parts of the chain that never came in the session.
    pub(super) fn missing_since_start(&mut self, t: Stamp) {
        let Some(started) = self.st.session.as_ref().map(|s| s.started) else { return };
        if started.boot + GRACE > t.boot || self.plan.chain.is_empty() {
            return;
        }
        for i in 0..self.things.len() {
            if !self.plan.chain.contains(&self.plan.things[i].name) || self.things[i].p.up != Some(false) {
                continue;
            }
            for s in self.things[i].gone.clone() {
                let k = &mut self.slots[s as usize].k;
                if std::mem::take(&mut k.excused) {
                    k.on = false;
                    let words = NEVER.into();
                    self.set(s as usize, Fact { words, ..Fact::on(started) });
                }
            }
        }
    }

    pub(super) fn end_session(&mut self, at: Stamp, why: SessionEnd) {
        let Some(mut session) = self.st.session.take() else { return };
        self.st.incidents.session_over(at);
        let faults = self.st.incidents.any_fault(session.id, &self.plan.leaning);
        self.st.frames.session_over(!faults);
        let words = match why {
            SessionEnd::Person => "a person said so",
            SessionEnd::OrderlyClose => "the programs were closed one after another",
            SessionEnd::Dawn => "dawn",
            SessionEnd::MachineStopped => "the machine was stopped",
            SessionEnd::Reconfigured => "the configuration changed",
        };
        let code = serde_json::to_value(why).unwrap_or_default();
        let e = self.say(at, "agent.this", EventKind::SessionEnded, format!("session ended: {words}"));
        e.detail.insert("session".into(), session.id.into());
        e.detail.insert("why".into(), code);
        (session.ended, session.end_why) = (Some(at), Some(why));
        self.out.sessions.retain(|s| s.id != session.id);
        self.out.sessions.push(session);
        self.refresh_force(at);
        for s in &mut self.slots {
            s.k.incident = None;
        }
        self.st.closing = super::closing::Closing::default();
        self.version += 1;
    }

    /// A thing of the chain came or went.
    pub(super) fn chain_changed(&mut self, at: Stamp) {
        if !self.chain_up() {
            // It was down once: what blocked the next session is over.
            if !self.plan.chain.is_empty() {
                self.st.blocked = None;
            }
        } else if self.st.session.is_none() && self.st.blocked.is_none() && self.mode() == Mode::Chain {
            self.start_session(at, SessionStart::ChainUp);
        }
    }

    /// Once the chain is up again, the stop of the machine is over.
    pub(super) fn back_after_stop(&mut self, at: Stamp) {
        let over = self.plan.chain.is_empty() || self.chain_up();
        if over && let Some(s) = self.machine_slot() {
            self.set(s, Fact::off(at));
        }
    }

    /// How long the session still goes on, as far as can be told.
    pub(super) fn session_left(&self, t: Stamp) -> Option<Span> {
        let session = self.st.session.as_ref()?;
        if self.plan.site {
            return self.plan.dark().iter().find(|d| d.1 > t.wall).map(|d| d.1 - t.wall).filter(|l| *l < NIGHT + NIGHT);
        }
        Some(NIGHT - (t.boot - session.started.boot)).map(|l| l.max(Span::hours(1)))
    }

    /// Things that nothing was heard of for too long are unknown, and said to be.
    pub(super) fn age(&mut self) {
        let now = self.now.boot;
        for i in 0..self.things.len() {
            let (w, t) = (&mut self.things[i], &self.plan.things[i]);
            let heard = w.p.read.map_or(self.began, |r| r.max(self.began));
            // No frame yet is no silence.
            if w.p.old || now - heard <= t.old_after || t.sort == Sort::Frames {
                continue;
            }
            w.p.old = true;
            self.version += 1;
            let (words, at) = ("nothing is heard of it".to_owned(), self.stamp(heard));
            for s in self.things[i].unread.clone() {
                self.set(s as usize, Fact { words: words.clone(), ..Fact::on(at) });
            }
        }
    }
}
