//! What incidents cost, in dark session time and light frames. Pure, over stretches of wall time, for reports and analysis.
//!
//! A stretch is lost from the instant at which something failed first until the exposure of the first light frame that was
//! begun after it; without a frames folder, until everything was well again; at the latest until the session ended. Only
//! time that was dark, in a session and watched counts. No instant is ever charged twice: faults are charged before what was
//! marked away or a bare pause, and the earlier before the later.

use crate::model::{Incident, Span, UnixMs};
use crate::night::Interval;
use crate::night::intervals::{clip, intersect, subtract, tidy, total, union};

/// Gaps before the fault from which the pace is taken.
const GAPS: usize = 11;

/// One light frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LightFrame {
    /// When it was written.
    pub at: UnixMs,
    /// How long it was exposed; zero if not known.
    pub exposure: Span,
}

/// The time in question.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    /// Sessions; one that goes on ends at `until`.
    pub sessions: &'a [Interval],
    /// Dark hours; none without a site: then the session alone counts.
    pub dark: Option<&'a [Interval]>,
    /// Stretches in which nobody was looking.
    pub gaps: &'a [Interval],
    /// Now, or the end of the night.
    pub until: UnixMs,
}

/// What one incident cost.
#[derive(Clone, Debug, PartialEq)]
pub struct Cost {
    /// The incident.
    pub incident: i64,
    /// Whether it counts as a fault.
    pub fault: bool,
    /// The stretches that are charged to it: dark, in session, watched.
    pub lost: Vec<Interval>,
    /// Their length.
    pub dark_lost: Span,
    /// Light frames missing against the pace before it; none when frames are not watched or there was no pace.
    pub frames_missing: Option<u32>,
    /// From its beginning to the start of the next light frame; none when none came in the session.
    pub frames_again: Option<Span>,
    /// Dark session time after it that nobody watched.
    pub not_watched: Span,
}

/// What all of them cost.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Costs {
    /// Each incident that was not harmless, in the order of time.
    pub each: Vec<Cost>,
    /// Dark session time lost to faults.
    pub dark_lost: Span,
    /// Light frames lost to faults.
    pub frames_missing: u32,
    /// Dark session time without light frames for other reasons: pauses and what was marked away.
    pub paused: Span,
    /// Dark session time that nobody watched.
    pub not_watched: Span,
}

impl Frame<'_> {
    /// Time in session and dark, watched or not.
    pub fn dark_session(&self) -> Vec<Interval> {
        let s = clip(self.sessions, (UnixMs(i64::MIN), self.until));
        match self.dark {
            Some(d) => intersect(&s, d),
            None => tidy(&s),
        }
    }

    /// Time in session, dark and watched, less what faults cost: the time in which something could have failed.
    pub fn at_risk(&self, costs: &Costs) -> Vec<Interval> {
        let lost: Vec<Interval> = costs.each.iter().filter(|c| c.fault).flat_map(|c| c.lost.clone()).collect();
        subtract(&subtract(&self.dark_session(), self.gaps), &lost)
    }
}

/// Light time and dark session time; their quotient is the yield. Light outside of the dark session does not count, and
/// overlapping exposures count once.
pub fn light_and_dark(frames: &[LightFrame], f: &Frame) -> (Span, Span) {
    let dark = f.dark_session();
    let light: Vec<Interval> = frames.iter().map(|l| (l.at - l.exposure, l.at)).collect();
    (total(&intersect(&light, &dark)), total(&dark))
}

/// Charges incidents. `frames`: the light frames in any order; none when no frames folder is configured.
pub fn costs(incidents: &[Incident], frames: Option<&[LightFrame]>, f: &Frame) -> Costs {
    let frames = frames.map(|l| {
        let mut l = l.to_vec();
        l.sort_by_key(|x| (x.at, x.exposure));
        l.dedup();
        l
    });
    let countable = f.dark_session();
    let watched = subtract(&countable, f.gaps);
    let mut order: Vec<&Incident> = incidents.iter().filter(|i| !i.harmless && i.session.is_some()).collect();
    order.sort_by_key(|i| (!i.is_fault(), i.opened.wall, i.id));
    let mut charged: Vec<Interval> = vec![];
    let mut holes: Vec<Interval> = vec![];
    let mut out = Costs { not_watched: total(&intersect(&countable, f.gaps)), ..Costs::default() };
    for i in order {
        let from = i.opened.wall;
        let end = session_end(f, from).unwrap_or(from);
        let hole = frames.as_ref().map(|l| Hole::around(l, from, end, f));
        let to = match &hole {
            Some(h) if h.kept_coming() => from,
            Some(h) => h.next.map_or(end, |n| n.at - n.exposure).clamp(from, end.max(from)),
            None => i.closed.map_or(end, |c| c.wall).clamp(from, end.max(from)),
        };
        let lost = subtract(&intersect(&watched, &[(from, to)]), &charged);
        let missing = hole.as_ref().and_then(|h| h.missing(&watched, &mut holes, end));
        let cost = Cost {
            incident: i.id,
            fault: i.is_fault(),
            dark_lost: total(&lost),
            frames_missing: missing,
            frames_again: hole.and_then(|h| h.next).map(|n| (n.at - n.exposure) - from),
            not_watched: total(&intersect(&intersect(&countable, &[(from, to)]), f.gaps)),
            lost,
        };
        charged = union(&charged, &cost.lost);
        if cost.fault {
            out.dark_lost = out.dark_lost + cost.dark_lost;
            out.frames_missing += missing.unwrap_or(0);
        } else {
            out.paused = out.paused + cost.dark_lost;
        }
        out.each.push(cost);
    }
    let opened = |id: i64| incidents.iter().find(|i| i.id == id).map(|i| (i.opened.wall, i.id));
    out.each.sort_by_key(|c| opened(c.incident));
    out
}

/// The end of the session that holds `t`, but not later than now.
fn session_end(f: &Frame, t: UnixMs) -> Option<UnixMs> {
    f.sessions.iter().filter(|s| s.0 <= t && t <= s.1).map(|s| s.1.min(f.until)).max()
}

/// The hole in the light frames around an instant.
struct Hole {
    /// The last frame begun before it, in the same session.
    last: Option<LightFrame>,
    /// The first frame begun after it, in the same session.
    next: Option<LightFrame>,
    /// Median time from frame to frame before it.
    pace: Option<Span>,
}

impl Hole {
    fn around(frames: &[LightFrame], from: UnixMs, end: UnixMs, f: &Frame) -> Hole {
        let began = f.sessions.iter().filter(|s| s.0 <= from && from <= s.1).map(|s| s.0).min().unwrap_or(from);
        // The frame with which the session began was exposed before it.
        let before: Vec<&LightFrame> =
            frames.iter().filter(|l| l.at >= began && l.at - l.exposure < from && l.at <= end).collect();
        let next = frames.iter().find(|l| l.at - l.exposure >= from && l.at <= end).copied();
        let tail = &before[before.len().saturating_sub(GAPS + 1)..];
        let mut gaps: Vec<Span> = tail.windows(2).map(|w| w[1].at - w[0].at).collect();
        gaps.sort_unstable();
        Hole {
            last: before.last().map(|l| **l),
            next,
            pace: gaps.get(gaps.len() / 2).copied().filter(|p| *p > Span::ZERO),
        }
    }

    /// Whether the frames went on as if nothing had been.
    fn kept_coming(&self) -> bool {
        match (self.last, self.next, self.pace) {
            (Some(l), Some(n), Some(p)) => (n.at - l.at).0 * 2 <= p.0 * 3,
            _ => false,
        }
    }

    /// Frames that the pace would have given in the hole, in watched dark session time. No hole is counted twice.
    fn missing(&self, watched: &[Interval], holes: &mut Vec<Interval>, end: UnixMs) -> Option<u32> {
        let (last, pace) = (self.last?, self.pace?);
        if self.kept_coming() {
            return Some(0);
        }
        let hole = [(last.at, self.next.map_or(end, |n| n.at))];
        let open = subtract(&intersect(watched, &hole), holes);
        let time = total(&open).0;
        *holes = union(holes, &hole);
        // The frame that came after the hole is not missing. Half a frame rounds up when a hole has an end, down when not.
        Some(match self.next {
            Some(_) => ((time + pace.0 / 2) / pace.0 - 1).max(0) as u32,
            None => (time / pace.0).max(0) as u32,
        })
    }
}

#[cfg(test)]
mod tests;
