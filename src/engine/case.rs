//! One incident at work: its parts, what belongs to it, and its public record.

use super::incident::{Key, MEMBERS, NEAR, Trouble};
use super::leaning::{Leaning, MACHINE};
use crate::model::incident::{Belongs, Member};
use crate::model::{BootMs, FaultKind, Incident, Mark, Span, Stamp};
use serde::{Deserialize, Serialize};

/// One part of an incident, with what the public record does not show.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Part {
    pub member: Member,
    /// Rule and thing; none for an event.
    pub key: Option<Key>,
    pub kind: FaultKind,
    pub slight: bool,
    pub pause: bool,
    /// It can be what failed first.
    pub failure: bool,
}

/// An incident at work.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Case {
    pub id: i64,
    pub session: Option<i64>,
    pub parts: Vec<Part>,
    pub closed: Option<Stamp>,
    pub harmless: bool,
    pub mark: Option<Mark>,
    /// Over-current or under-voltage was reported beside it.
    pub power: bool,
    /// The last light frame, and the longest gap that counts as "kept coming"; none: frames did not flow when it began.
    pub frames: Option<(BootMs, Span)>,
    /// Frames stopped, or a program broke, while it went on.
    pub spoiled: bool,
    /// Whether it mattered has been decided.
    pub judged: bool,
    #[serde(skip)]
    pub dirty: bool,
}

impl Case {
    pub fn open(&self) -> bool {
        self.closed.is_none()
    }

    /// When its first part broke.
    pub fn began(&self) -> Stamp {
        self.parts.iter().filter(|p| p.failure).map(|p| p.member.at).min_by_key(|a| a.boot).unwrap_or_default()
    }

    /// Only link drops and contact breaks.
    pub fn slight(&self) -> bool {
        self.parts.iter().all(|p| p.slight || !p.failure)
    }

    /// Nothing broken, frames stopped.
    pub fn pause_only(&self) -> bool {
        self.parts.iter().all(|p| p.pause || !p.failure)
    }

    /// Whether it says that something really was broken. A drop that is over, or through which frames went on, does not.
    pub fn matters(&self) -> bool {
        let through = self.frames.is_some_and(|(last, _)| last > self.began().boot + NEAR);
        !self.harmless && !self.pause_only() && !(self.slight() && (!self.open() || through))
    }

    /// Whether it is a drop with which the frames stopped.
    pub fn stopped_frames(&self) -> bool {
        self.slight() && !self.pause_only() && self.spoiled
    }

    /// The public record: members in order, first-out at the head, why each belongs.
    pub fn record(&self, leaning: &Leaning) -> Incident {
        let mut parts: Vec<&Part> = self.parts.iter().collect();
        parts.sort_by(|a, b| {
            (a.member.at.boot, !a.failure, &a.member.thing, &a.key).cmp(&(
                b.member.at.boot,
                !b.failure,
                &b.member.thing,
                &b.key,
            ))
        });
        let head = parts.iter().position(|p| p.failure).unwrap_or(0);
        let first = parts.remove(head.min(parts.len().saturating_sub(1)));
        parts.insert(0, first);
        // Another one could have come before the first if the stretches in which they are known to lie touch.
        let rivals: Vec<usize> = (1..parts.len())
            .filter(|&i| {
                let (p, h) = (&parts[i], &parts[0]);
                // Nothing that runs on a machine outlives its stop.
                let stop = h.member.thing.as_str() == MACHINE;
                p.failure && !stop && p.member.at.boot - p.member.within <= h.member.at.boot
            })
            .collect();
        let order_certain = rivals.is_empty();
        let root = |i: usize| {
            let t = &parts[i].member.thing;
            leaning.leans(&parts[0].member.thing, t)
                && !rivals.iter().any(|&j| j != i && leaning.leans(t, &parts[j].member.thing))
        };
        if let Some(i) = rivals.iter().copied().find(|&i| root(i)) {
            let p = parts.remove(i);
            parts.insert(0, p);
        }
        let mut members: Vec<Member> = vec![];
        for (i, p) in parts.iter().enumerate() {
            let mut m = p.member.clone();
            let by_leaning = || {
                parts
                    .iter()
                    .enumerate()
                    .any(|(j, o)| j != i && o.failure && leaning.related(&p.member.thing, &o.member.thing))
            };
            m.belongs = match i {
                0 => Belongs::First,
                _ if p.failure && by_leaning() => Belongs::LeansOn,
                _ => Belongs::NearInTime,
            };
            members.push(m);
        }
        let kind = match parts[0].kind {
            FaultKind::Device if self.power => FaultKind::Power,
            k => k,
        };
        Incident {
            id: self.id,
            session: self.session,
            // The root may be known to have gone only some time before it was seen to be gone.
            opened: parts
                .iter()
                .filter(|p| p.failure)
                .map(|p| p.member.at)
                .min_by_key(|a| a.boot)
                .unwrap_or(members[0].at),
            closed: self.closed,
            order_certain,
            kind,
            harmless: self.harmless,
            pause_only: self.pause_only(),
            mark: self.mark.clone(),
            members,
        }
    }

    /// By what a trouble belongs here, if it does.
    pub fn belongs(&self, t: &Trouble, leaning: &Leaning) -> Option<Belongs> {
        let at = t.at.boot;
        let thing = &t.key.1.thing();
        let still = |p: &Part| p.member.until.is_none_or(|u| at - u.boot <= NEAR);
        let leans = self.parts.iter().filter(|p| p.failure).any(|p| {
            let other = &p.member.thing.thing();
            (leaning.leans(thing, other) && still(p) && at >= p.member.at.boot - NEAR)
                || (leaning.leans(other, thing) && at <= p.member.at.boot + NEAR && still(p))
        });
        if leans {
            return Some(Belongs::LeansOn);
        }
        let near = |a: BootMs| (at - a).0.abs() <= NEAR.0;
        self.parts
            .iter()
            .filter(|p| p.failure)
            .any(|p| {
                !leaning.apart(thing, &p.member.thing.thing())
                    && (near(p.member.at.boot) || p.member.until.is_some_and(|u| near(u.boot)))
            })
            .then_some(Belongs::NearInTime)
    }

    pub fn add(&mut self, p: Part) {
        let same = |o: &Part| {
            o.member.thing == p.member.thing
                && o.key == p.key
                && o.member.at == p.member.at
                && o.member.event == p.member.event
        };
        if self.parts.len() < MEMBERS && !self.parts.iter().any(same) {
            self.parts.push(p);
            self.dirty = true;
        }
    }

    pub fn close_if_over(&mut self) {
        let kept = || self.parts.iter().filter(|p| p.key.is_some());
        let over = kept().all(|p| p.member.until.is_some());
        let last = kept().filter_map(|p| p.member.until).max_by_key(|u| u.boot);
        let closed = if over { last } else { None };
        if closed != self.closed {
            (self.closed, self.dirty) = (closed, true);
        }
    }

    pub fn decide(&mut self, harmless: bool) {
        self.judged = true;
        if self.harmless != harmless {
            (self.harmless, self.dirty) = (harmless, true);
        }
    }
}
