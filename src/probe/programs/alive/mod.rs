//! Signs of life of a program, and when one is missing. Pure: looks are told, time is an argument.
//!
//! A sign is missing when none was seen for its limit *and* at least one look since then has found nothing: the agent's own
//! pauses and a machine that slept raise nothing. A program that has just started has a minute until its first sign.

pub mod files;
pub mod net;

use crate::config::model::{AliveKind, AliveSign};
use crate::model::{Event, EventKind, Name, Span, Stamp};

/// The first sign after a start may take this long, if the limit is shorter.
pub const START: Span = Span::secs(60);

/// One sign of life of one program.
#[derive(Clone, Debug)]
pub struct Sign {
    /// As configured.
    pub set: AliveSign,
    begun: Option<Stamp>,
    seen: Option<Stamp>,
    /// A look since the last sign has found nothing.
    failed: bool,
    missing: Option<Stamp>,
    /// Processor time at the last sign, in milliseconds.
    mark: Option<i64>,
}

/// What a look has changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Told {
    /// The sign did not come in its limit.
    Missing {
        /// The end of the limit.
        at: Stamp,
        /// Which sign.
        sign: &'static str,
        /// The limit.
        limit: Span,
        /// The last sign, or the start.
        last: Stamp,
    },
    /// The sign is back.
    Back {
        /// Now.
        at: Stamp,
        /// Which sign.
        sign: &'static str,
        /// Since the limit was over.
        missing: Span,
    },
}

impl Sign {
    /// A sign of which nothing is known yet.
    pub fn new(set: AliveSign) -> Sign {
        Sign { set, begun: None, seen: None, failed: false, missing: None, mark: None }
    }

    /// The word for the kind of sign.
    pub fn word(&self) -> &'static str {
        match self.set.kind {
            AliveKind::Tcp { .. } => "tcp",
            AliveKind::Http { .. } => "http",
            AliveKind::FileGrows { .. } => "file",
            AliveKind::CpuAdvances { .. } => "cpu",
        }
    }

    /// The program has started, or the agent has. A sign that was missing stays so until it is seen.
    pub fn begin(&mut self, now: Stamp) {
        self.begun = Some(now);
        (self.seen, self.failed, self.mark) = (None, false, None);
    }

    fn last(&self) -> Option<Stamp> {
        self.seen.or(self.begun)
    }

    fn limit(&self) -> Span {
        if self.seen.is_some() { self.set.within } else { self.set.within.max(START) }
    }

    /// Time left until the sign counts as missing; none if it does, or nothing has begun.
    pub fn left(&self, now: Stamp) -> Option<Span> {
        let last = self.last().filter(|_| self.missing.is_none())?;
        Some((last.boot + self.limit() - now.boot).max(Span::ZERO))
    }

    /// Time since the last sign, or since the start.
    pub fn age(&self, now: Stamp) -> Span {
        self.last().map_or(Span::ZERO, |l| now.boot - l.boot)
    }

    /// A look found the sign.
    pub fn seen(&mut self, now: Stamp) -> Option<Told> {
        self.begun.get_or_insert(now);
        (self.seen, self.failed) = (Some(now), false);
        let since = self.missing.take()?;
        Some(Told::Back { at: now, sign: self.word(), missing: now.boot - since.boot })
    }

    /// A look found nothing.
    pub fn failed(&mut self, now: Stamp) -> Option<Told> {
        self.failed = true;
        self.judge(now)
    }

    /// Whether the limit is over.
    pub fn judge(&mut self, now: Stamp) -> Option<Told> {
        let last = self.last()?;
        let limit = self.limit();
        if self.missing.is_some() || !self.failed || now.boot - last.boot < limit {
            return None;
        }
        let at = last.plus(limit);
        self.missing = Some(at);
        Some(Told::Missing { at, sign: self.word(), limit, last })
    }

    /// Processor time used so far by the program, for the sign that is judged by it; nothing for others.
    pub fn processor(&mut self, now: Stamp, busy_ms: i64) -> Option<Told> {
        let AliveKind::CpuAdvances { at_least_ms } = self.set.kind else { return None };
        match self.mark {
            Some(mark) if busy_ms - mark < at_least_ms.max(1) => self.failed(now),
            Some(_) => {
                self.mark = Some(busy_ms);
                self.seen(now)
            }
            None => {
                self.begun.get_or_insert(now);
                self.mark = Some(busy_ms);
                None
            }
        }
    }
}

impl Told {
    /// The event for it.
    pub fn event(&self, thing: &Name, title: &str) -> Event {
        match *self {
            Told::Missing { at, sign, limit, last } => {
                let what = match sign {
                    "tcp" => "does not answer",
                    "http" => "gives no web answer",
                    "file" => "does not write its file",
                    _ => "uses no processor time",
                };
                Event::new(at, thing.clone(), EventKind::SignMissing, format!("{title} {what}, for {limit}"))
                    .with("sign", sign)
                    .with("limit_s", limit.as_secs_f64())
                    .with("last_ms", last.wall.0)
            }
            Told::Back { at, sign, missing } => {
                Event::new(at, thing.clone(), EventKind::SignBack, format!("{title} shows life again after {missing}"))
                    .with("sign", sign)
                    .with("missing_ms", missing.0)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, UnixMs};

    fn at(s: i64) -> Stamp {
        Stamp::new(UnixMs(s * 1000), BootMs(s * 1000))
    }

    fn sign(kind: AliveKind) -> Sign {
        Sign::new(AliveSign { kind, within: Span::secs(10), every: Span::secs(1) })
    }

    #[test]
    fn missing_needs_the_limit_and_a_look_that_found_nothing() {
        let mut s = sign(AliveKind::FileGrows { path: "x".into() });
        s.begin(at(0));
        assert_eq!(s.seen(at(1)), None);
        // The agent did not look for an hour: no look, no verdict.
        assert_eq!(s.judge(at(3600)), None);
        assert_eq!(s.seen(at(3600)), None);
        assert_eq!(s.failed(at(3605)), None);
        assert_eq!(s.left(at(3605)), Some(Span::secs(5)));
        let Some(Told::Missing { at: when, limit, .. }) = s.judge(at(3612)) else { panic!("missing") };
        assert_eq!((when, limit), (at(3610), Span::secs(10)));
        assert_eq!(s.failed(at(3613)), None, "told once");
        assert_eq!(s.left(at(3613)), None);
        assert_eq!(s.age(at(3613)), Span::secs(13));
        assert_eq!(s.seen(at(3620)), Some(Told::Back { at: at(3620), sign: "file", missing: Span::secs(10) }));
    }

    #[test]
    fn a_start_has_a_minute() {
        let mut s = sign(AliveKind::Http { url: String::new(), expect: None });
        s.begin(at(0));
        assert_eq!(s.failed(at(59)), None);
        assert!(matches!(s.failed(at(60)), Some(Told::Missing { .. })));
        // It is killed and started again while missing: the sign is back with the first answer.
        s.begin(at(70));
        assert_eq!(s.failed(at(75)), None);
        assert!(matches!(s.seen(at(80)), Some(Told::Back { .. })));
    }

    #[test]
    fn processor_time_must_advance_by_so_much() {
        let mut s = sign(AliveKind::CpuAdvances { at_least_ms: 50 });
        s.begin(at(0));
        assert_eq!(s.processor(at(1), 1000), None);
        assert_eq!(s.processor(at(2), 1060), None);
        for t in 3..12 {
            assert_eq!(s.processor(at(t), 1060 + t), None, "{t}");
        }
        assert!(matches!(s.processor(at(12), 1070), Some(Told::Missing { at: w, .. }) if w == at(12)));
        assert!(matches!(s.processor(at(13), 1110), Some(Told::Back { .. })));
    }
}
