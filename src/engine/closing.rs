//! Closing down, or failing? Told at the very moment of each end, and judged again when the rest has followed.
//!
//! The difficulty: when the first program of a chain ends, nobody can know yet whether a person is closing up or a cascade
//! has begun, and an alarm that waits to be sure is late. The decision taken here:
//!
//! 1. **An end that is bad by itself is an alarm at once** and is never taken back: a deadly signal, an error code, a core
//!    dump. So a killed mount program is announced with the event that tells of it.
//! 2. **A clean end in closing order waits up to a minute.** "In closing order" means that nothing which still runs leans on
//!    the program, by `leans_on` or by the order of the chain: what closes first when somebody closes up is what fails last
//!    in a cascade. If another orderly end follows within the minute, the wait begins anew for both; if nothing follows, the
//!    alarm is raised with the time of the end.
//! 3. **Every other end is an alarm at once, and may be taken back**: code 0 out of order, a program that was asked to end
//!    (hang-up, interrupt, terminate), and an end whose reason the system does not tell. It is taken back if the rest
//!    of the chain follows, each end no more than five minutes after the one before, until nothing is left running; five
//!    minutes is also the time after which such an alarm could wake somebody. Ends of unknown reason count only in closing
//!    order and at least a second after the end before, since a desktop that dies takes everything with it in an instant.
//! 4. **Any complaint spoils it**: from a minute before the first end to the last one, a kernel line about a crash, memory,
//!    a disk or over-current, a program killed for memory, a program that hangs, a device that leaves while something that
//!    needs it still runs, or a bad end. Then the waiting alarms are raised at once and nothing is taken back.
//! 5. When the last program has gone in an orderly way, the session is over, from the first of those ends on. If an
//!    earlier failure stands, the close-down still ends the session as long as nothing that was closed leans on what
//!    had failed (a person who gives up), and the earlier failure stays what it was: a fault of the session.

use super::exit::ExitSort;
use crate::model::{BootMs, Name, Span, Stamp};
use serde::{Deserialize, Serialize};

/// How long a clean end in closing order waits for the next one.
pub const WAIT: Span = Span::secs(60);
/// Longest time from one end to the next in a close-down.
pub const PAUSE: Span = Span::mins(5);
/// A complaint this long before the first end spoils the close-down.
pub const BEFORE: Span = Span::secs(60);
/// Ends of unknown reason must be at least this far apart.
pub const APART: Span = Span::secs(1);

/// One end in what may be a close-down.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct End {
    /// The program.
    pub thing: Name,
    /// When it ended.
    pub at: Stamp,
    /// How.
    pub sort: ExitSort,
    /// Nothing that still ran leaned on it.
    pub in_order: bool,
}

/// What may be a close-down.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Closing {
    /// The ends so far, in the order of time.
    pub ends: Vec<End>,
    /// The latest complaint.
    pub complaint: Option<BootMs>,
}

impl Closing {
    /// Notes an end. An end after a long pause begins a new close-down; one that is told again replaces what was known.
    pub fn ended(&mut self, e: End) {
        self.ends.retain(|o| o.thing != e.thing);
        if self.ends.last().is_some_and(|l| e.at.boot - l.at.boot > PAUSE) {
            self.ends.clear();
        }
        let place = self.ends.partition_point(|o| o.at.boot <= e.at.boot);
        self.ends.insert(place, e);
    }

    /// A program runs again: it was not closed for good.
    pub fn started(&mut self, thing: &Name) {
        self.ends.retain(|o| o.thing != *thing);
    }

    /// Notes a complaint.
    pub fn complain(&mut self, at: BootMs) {
        self.complaint = self.complaint.max(Some(at));
    }

    /// Whether a complaint spoils a close-down that began at `first`.
    pub fn spoiled(&self, first: BootMs) -> bool {
        self.complaint.is_some_and(|c| c >= first - BEFORE)
    }

    /// Whether an end with these facts may wait for the next one instead of being an alarm at once.
    pub fn may_wait(&self, e: &End) -> bool {
        let goes_on = self.ends.last().is_some_and(|l| e.at.boot - l.at.boot <= PAUSE);
        let first = self.ends.first().filter(|_| goes_on).map_or(e.at.boot, |f| f.at.boot.min(e.at.boot));
        e.sort == ExitSort::Clean && e.in_order && !self.spoiled(first)
    }

    /// Whether the ends so far are an orderly close-down, given that nothing is left running.
    pub fn orderly(&self) -> bool {
        let Some(first) = self.ends.first() else { return false };
        let gaps = self.ends.windows(2).map(|w| w[1].at.boot - w[0].at.boot);
        let unknown = self.ends.iter().any(|e| e.sort == ExitSort::Unknown);
        !self.spoiled(first.at.boot)
            && self.ends.iter().all(|e| match e.sort {
                ExitSort::Clean | ExitSort::Asked => true,
                ExitSort::Unknown => e.in_order && self.ends.len() > 1,
                ExitSort::Bad => false,
            })
            && gaps.clone().all(|g| g <= PAUSE)
            && (!unknown || gaps.clone().all(|g| g >= APART))
    }

    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        self.ends.iter_mut().for_each(|e| e.at.boot = e.at.boot + by);
        self.complaint = self.complaint.map(|c| c + by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::UnixMs;

    fn end(thing: &str, ms: i64, sort: ExitSort, in_order: bool) -> End {
        End { thing: Name::new(thing).unwrap(), at: Stamp::new(UnixMs(ms), BootMs(ms)), sort, in_order }
    }

    fn orderly(ends: &[End]) -> bool {
        let mut c = Closing::default();
        ends.iter().cloned().for_each(|e| c.ended(e));
        c.orderly()
    }

    #[test]
    fn what_is_orderly_and_what_is_not() {
        use ExitSort::*;
        let (a, b, c) = ("program.camera", "program.guiding", "program.mount");
        let all = |s: ExitSort, step: i64, order: bool| {
            [end(a, 0, s, order), end(b, step, s, order), end(c, 2 * step, s, order)]
        };
        assert!(orderly(&all(Clean, 3000, true)));
        assert!(orderly(&all(Clean, 3000, false)), "code 0 in any order");
        assert!(orderly(&all(Asked, 1, false)), "the machine's own shutdown asks all at once");
        assert!(orderly(&all(Unknown, 3000, true)));
        assert!(!orderly(&all(Unknown, 3000, false)), "the mount first: a cascade");
        assert!(!orderly(&all(Unknown, 100, true)), "all in an instant");
        assert!(!orderly(&[end(a, 0, Unknown, true)]), "one alone of unknown reason");
        assert!(orderly(&[end(a, 0, Clean, true)]));
        assert!(!orderly(&[end(a, 0, Clean, true), end(c, 4000, Bad, true)]));
        let mut spoiled = Closing::default();
        all(Clean, 3000, true).into_iter().for_each(|e| spoiled.ended(e));
        spoiled.complain(BootMs(-59_000));
        assert!(!spoiled.orderly());
    }
}
