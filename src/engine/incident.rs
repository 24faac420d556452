//! Incidents: which troubles belong together, which came first, when it was over, and whether it mattered.
//!
//! Grouping is by `leans_on` where that says something, and by nearness in time where it does not. Two things that
//! statements place in different parts of the installation are never grouped by nearness.

use super::case::{Case, Part};
use super::leaning::Leaning;
use crate::model::incident::{Belongs, Member};
use crate::model::{AlarmId, BootMs, EventKind, FaultKind, Incident, Mark, Name, Span, Stamp};
use serde::{Deserialize, Serialize};

/// How near in time troubles must be to belong together; and how soon after its end an incident is opened again.
pub const NEAR: Span = Span::mins(2);
/// A word about the power this near to what failed first makes it a fault of the power.
const POWER: Span = Span::secs(10);
/// Members that one incident keeps; a thing that comes and goes all night does not grow it further.
pub(super) const MEMBERS: usize = 200;
/// Cases that are kept while a session goes on.
const CASES: usize = 400;
/// An incident that is decided is kept at hand for this long after its end.
const ASIDE: Span = Span::mins(15);
/// Things that happened lately and may turn out to belong to something.
const LATELY: usize = 64;

/// Rule and thing: what tells one trouble from another.
pub(crate) type Key = (Name, Name);

/// Something that broke.
#[derive(Clone, Debug)]
pub(crate) struct Trouble {
    pub key: Key,
    pub at: Stamp,
    pub within: Span,
    pub event: Option<EventKind>,
    pub text: String,
    pub kind: FaultKind,
    /// It makes an incident by itself; else it only joins one.
    pub opens: bool,
    /// A link drop or a contact break: may turn out to be harmless.
    pub slight: bool,
    /// Frames stopped and nothing else is broken.
    pub pause: bool,
    /// The incident that it is known to belong to.
    pub join: Option<i64>,
}

/// All incidents of the present session, and what happened lately.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Incidents {
    pub cases: Vec<Case>,
    pub lately: Vec<Part>,
    /// Faults of the present session that are no longer at work.
    #[serde(default)]
    pub faults: Vec<i64>,
    /// The latest word of over-current or under-voltage.
    #[serde(default)]
    pub power: Option<BootMs>,
}

impl Incidents {
    /// Takes a trouble; gives the incident that it belongs to. `frames`: last light frame and longest gap, if frames flow.
    pub fn broke(
        &mut self,
        t: Trouble,
        session: Option<i64>,
        frames: Option<(BootMs, Span)>,
        number: &mut i64,
        leaning: &Leaning,
    ) -> Option<i64> {
        let part = Part {
            member: Member {
                thing: t.key.1.clone(),
                at: t.at,
                within: t.within,
                until: None,
                alarm: None,
                event: t.event,
                belongs: Belongs::NearInTime,
                text: t.text.clone(),
            },
            key: Some(t.key.clone()),
            kind: t.kind,
            slight: t.slight,
            pause: t.pause,
            failure: true,
        };
        if !t.slight && !t.pause {
            // "Every program lived" no longer holds for drops that go on, or whose judgement is still to come.
            for c in self.cases.iter_mut().filter(|c| !c.judged) {
                // What statements place elsewhere is a trouble of its own.
                let apart = c.parts.iter().all(|p| leaning.apart(&t.key.1.thing(), &p.member.thing.thing()));
                if !apart && c.began().boot <= t.at.boot && c.closed.is_none_or(|e| t.at.boot <= e.boot) {
                    c.spoiled = true;
                }
            }
        }
        let fits =
            |how: Belongs| self.cases.iter().position(|c| c.session == session && c.belongs(&t, leaning) == Some(how));
        let place = t
            .join
            .and_then(|id| self.cases.iter().position(|c| c.id == id))
            .or_else(|| fits(Belongs::LeansOn))
            .or_else(|| fits(Belongs::NearInTime));
        let i = match place {
            Some(i) => i,
            None if !t.opens => {
                self.note(part);
                return None;
            }
            None => {
                *number += 1;
                self.cases.push(Case {
                    id: *number,
                    session,
                    parts: vec![],
                    closed: None,
                    harmless: false,
                    mark: None,
                    power: self.power.is_some_and(|p| (t.at.boot - p).0.abs() <= POWER.0),
                    frames: frames.filter(|f| t.at.boot - f.0 <= f.1),
                    spoiled: false,
                    judged: false,
                    dirty: true,
                });
                self.cases.len() - 1
            }
        };
        let c = &mut self.cases[i];
        c.add(part);
        c.judged = false;
        c.harmless = false;
        c.close_if_over();
        c.dirty = true;
        self.gather(i, leaning);
        let id = self.cases[i].id;
        if self.cases.len() > CASES {
            self.cases.remove(0);
        }
        Some(id)
    }

    /// Keeps something that may turn out to belong to an incident.
    fn note(&mut self, p: Part) {
        self.lately.push(p);
        if self.lately.len() > LATELY {
            self.lately.remove(0);
        }
    }

    /// Takes an event that can belong to an incident, but makes none.
    pub fn happened(&mut self, e: &crate::model::Event, text: String, leaning: &Leaning) {
        let member = Member {
            thing: e.thing.clone(),
            at: e.at,
            within: e.within,
            until: None,
            alarm: None,
            event: Some(e.kind),
            belongs: Belongs::NearInTime,
            text,
        };
        self.note(Part { member, key: None, kind: FaultKind::Machine, slight: true, pause: true, failure: false });
        for i in 0..self.cases.len() {
            self.gather(i, leaning);
        }
    }

    /// Moves what happened lately into the incident if it belongs there. A mere event never comes before what failed.
    fn gather(&mut self, i: usize, leaning: &Leaning) {
        let c = &mut self.cases[i];
        let mut rest = vec![];
        for p in self.lately.drain(..) {
            let (at, thing) = (p.member.at.boot, p.member.thing.thing());
            let joins =
                c.parts.iter().filter(|o| o.failure).any(|o| {
                    !leaning.apart(&thing, &o.member.thing.thing()) && (o.member.at.boot - at).0.abs() <= NEAR.0
                });
            if joins && (p.failure || at >= c.began().boot) {
                c.add(p);
                c.close_if_over();
            } else {
                rest.push(p);
            }
        }
        self.lately = rest;
    }

    /// What was known of a trouble is known better.
    pub fn refine(&mut self, id: i64, key: &Key, at: Stamp, within: Span, event: Option<EventKind>, text: &str) {
        let Some(c) = self.cases.iter_mut().find(|c| c.id == id) else { return };
        if let Some(p) = c.parts.iter_mut().rev().find(|p| p.key.as_ref() == Some(key)) {
            (p.member.at, p.member.within, p.member.event) = (at, within, event.or(p.member.event));
            p.member.text = text.into();
            c.dirty = true;
        }
    }

    /// An alarm was raised for a trouble.
    pub fn alarmed(&mut self, id: i64, key: &Key, alarm: AlarmId, text: &str) {
        let Some(c) = self.cases.iter_mut().find(|c| c.id == id) else { return };
        if let Some(p) = c.parts.iter_mut().rev().find(|p| p.key.as_ref() == Some(key)) {
            p.member.alarm = Some(alarm);
            p.member.text = text.into();
            c.dirty = true;
        }
    }

    /// A device stayed away for too long to be a contact break.
    pub fn grave(&mut self, id: i64, key: &Key) {
        if let Some(c) = self.cases.iter_mut().find(|c| c.id == id) {
            c.parts.iter_mut().filter(|p| p.key.as_ref() == Some(key)).for_each(|p| p.slight = false);
        }
    }

    /// A thing is well again.
    pub fn well(&mut self, key: &Key, at: Stamp) {
        let this = |p: &&mut Part| p.key.as_ref() == Some(key) && p.member.until.is_none();
        self.lately.iter_mut().filter(this).for_each(|p| p.member.until = Some(at));
        for c in &mut self.cases {
            let mut any = false;
            for p in c.parts.iter_mut().filter(this) {
                (p.member.until, any) = (Some(at), true);
            }
            if any {
                c.dirty = true;
                c.close_if_over();
            }
        }
    }

    /// Over-current or under-voltage was reported at `at`.
    pub fn power_line(&mut self, at: BootMs) {
        self.power = Some(at);
        for c in &mut self.cases {
            if (at - c.began().boot).0.abs() <= POWER.0 && !c.power {
                (c.power, c.dirty) = (true, true);
            }
        }
    }

    /// A light frame arrived.
    pub fn frame(&mut self, at: BootMs) {
        for c in self.cases.iter_mut().filter(|c| !c.judged) {
            let Some((last, longest)) = c.frames else { continue };
            if at <= last {
                continue;
            }
            c.spoiled |= at - last > longest;
            c.frames = Some((at, longest));
            if c.closed.is_some_and(|e| at > e.boot) {
                let harmless = c.slight() && !c.spoiled;
                c.decide(harmless);
            }
        }
    }

    /// Judges what can be judged at `now`; gives the next instant at which there will be something to judge.
    pub fn judge(&mut self, now: BootMs) -> Option<BootMs> {
        let mut next: Option<BootMs> = None;
        for c in self.cases.iter_mut().filter(|c| !c.judged) {
            let Some(closed) = c.closed else { continue };
            if !c.slight() || c.spoiled {
                c.decide(false);
                continue;
            }
            // Without frames to go by, the programs must have lived for a while after it.
            let due = match c.frames {
                None => closed.boot + NEAR,
                Some((last, longest)) => (last + longest).max(closed.boot) + Span(1),
            };
            if due > now {
                next = Some(next.map_or(due, |n| n.min(due)));
            } else {
                c.spoiled |= c.frames.is_some();
                c.decide(c.frames.is_none());
            }
        }
        next
    }

    /// Lays aside what is decided, long over and older than the last light frame, so that a night of flapping stays small.
    pub fn lay_aside(&mut self, now: BootMs, last_light: BootMs, leaning: &Leaning) {
        let Incidents { cases, faults, .. } = self;
        cases.retain(|c| {
            let over = c.judged && !c.dirty && c.closed.is_some_and(|e| now - e.boot > ASIDE && e.boot < last_light);
            if over && c.record(leaning).is_fault() {
                faults.push(c.id);
            }
            !over
        });
    }

    /// Whether the session had a fault.
    pub fn any_fault(&self, session: i64, leaning: &Leaning) -> bool {
        !self.faults.is_empty() || self.cases.iter().any(|c| c.session == Some(session) && c.record(leaning).is_fault())
    }

    /// The session is over at `at`: everything is judged, and nothing goes on.
    pub fn session_over(&mut self, at: Stamp) {
        for c in &mut self.cases {
            if !c.judged {
                let kept = c.frames.is_none_or(|(last, longest)| at.boot - last <= longest);
                let harmless = c.slight() && !c.spoiled && kept;
                c.decide(harmless);
            }
            if c.closed.is_none() {
                (c.closed, c.dirty) = (Some(at), true);
            }
        }
    }

    /// The ends with these keys, from `since` on, were an orderly close-down: an incident made of nothing else lies outside
    /// the session.
    pub fn withdraw(&mut self, keys: &[Key], since: BootMs, at: Stamp) {
        for c in &mut self.cases {
            let only = c.began().boot >= since
                && c.parts.iter().filter(|p| p.failure).all(|p| p.key.as_ref().is_some_and(|k| keys.contains(k)));
            if only {
                c.session = None;
                c.closed.get_or_insert(at);
                c.decide(true);
                c.dirty = true;
            }
        }
    }

    /// A person marked an incident.
    pub fn mark(&mut self, id: i64, mark: &Mark) {
        if mark.kind.is_some() {
            self.faults.retain(|f| *f != id);
        }
        if let Some(c) = self.cases.iter_mut().find(|c| c.id == id) {
            (c.mark, c.dirty) = (Some(mark.clone()), true);
        }
    }

    /// The records that changed since they were last asked for.
    pub fn changed(&mut self, leaning: &Leaning) -> Vec<Incident> {
        let dirty = self.cases.iter_mut().filter(|c| c.dirty && !c.parts.is_empty());
        dirty
            .map(|c| {
                c.dirty = false;
                c.record(leaning)
            })
            .collect()
    }

    /// The incident in which something broke since `since` and mattered, latest first.
    pub fn broken_since(&self, since: BootMs) -> Option<i64> {
        self.cases
            .iter()
            .rev()
            .find(|c| c.session.is_some() && c.matters() && (c.began().boot >= since || c.open()))
            .map(|c| c.id)
    }

    /// The latest drop since `since` with which the frames stopped, and what dropped.
    pub fn stopped_frames_since(&self, since: BootMs) -> Option<(i64, Name)> {
        let c =
            self.cases.iter().rev().find(|c| c.session.is_some() && c.stopped_frames() && c.began().boot >= since)?;
        let first = c.parts.iter().filter(|p| p.failure).min_by_key(|p| p.member.at.boot)?;
        Some((c.id, first.member.thing.clone()))
    }

    /// What was said of a trouble is said better.
    pub fn retell(&mut self, key: &Key, text: &str) {
        let mine = |p: &Part| p.key.as_ref() == Some(key);
        let Some(c) = self.cases.iter_mut().rev().find(|c| c.parts.iter().any(mine)) else { return };
        if let Some(p) = c.parts.iter_mut().filter(|p| mine(p)).max_by_key(|p| p.member.at.boot) {
            p.member.text = text.into();
            c.dirty = true;
        }
    }

    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        let s = |t: &mut Stamp| t.boot = t.boot + by;
        let part = |p: &mut Part| {
            s(&mut p.member.at);
            p.member.until.iter_mut().for_each(s);
        };
        for c in &mut self.cases {
            c.parts.iter_mut().for_each(part);
            c.closed.iter_mut().for_each(s);
            if let Some((t, _)) = &mut c.frames {
                *t = *t + by;
            }
        }
        self.lately.iter_mut().for_each(part);
        self.power = self.power.map(|p| p + by);
    }
}
