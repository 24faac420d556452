//! Light frames: when the last one came, at which pace they come, and after which pause that is worth a word.

use crate::model::{Span, Stamp};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Gaps between frames that the pace is taken from.
const GAPS: usize = 11;
/// Fault-free sessions whose longest pause is remembered.
const SESSIONS: usize = 30;
/// A pause longer than this is weather or an empty plan, not a habit of the chain, and teaches nothing.
const HABIT: Span = Span::mins(60);
/// Exposures for which no frame may come.
const EXPOSURES: f64 = 3.0;

/// What is known of the light frames.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameTrack {
    /// When the last one was written.
    pub last: Option<Stamp>,
    /// Light frames of the present session.
    pub count: u32,
    exposure_s: Option<f64>,
    gaps: VecDeque<Span>,
    longest: Span,
    habits: VecDeque<Span>,
}

impl FrameTrack {
    /// Takes a light frame; false when it is older than one already known.
    pub fn light(&mut self, at: Stamp, exposure_s: Option<f64>) -> bool {
        if self.last.is_some_and(|l| at.boot <= l.boot) {
            return false;
        }
        if let Some(l) = self.last.replace(at).filter(|_| self.count > 0) {
            let gap = at.boot - l.boot;
            self.gaps.push_back(gap);
            if self.gaps.len() > GAPS {
                self.gaps.pop_front();
            }
            if gap <= HABIT {
                self.longest = self.longest.max(gap);
            }
        }
        self.count += 1;
        self.exposure_s = exposure_s.filter(|e| e.is_finite() && *e > 0.0).or(self.exposure_s);
        true
    }

    /// A session began at `at`: pace and pauses are counted anew.
    pub fn session_began(&mut self) {
        (self.count, self.longest) = (0, Span::ZERO);
        self.gaps.clear();
        self.exposure_s = None;
    }

    /// A session is over. One without a fault teaches how long a normal pause can be.
    pub fn session_over(&mut self, fault_free: bool) {
        if fault_free && self.longest > Span::ZERO {
            self.habits.push_back(self.longest);
            if self.habits.len() > SESSIONS {
                self.habits.pop_front();
            }
        }
    }

    /// The limit of "no light frame": the largest of the configured minimum, three exposures, and the longest pause of
    /// fault-free sessions (`learned` from the record, and what this engine saw itself).
    pub fn limit(&self, at_least: Span, learned: Option<Span>) -> Span {
        let exposures = Span((self.exposure_s.unwrap_or(0.0) * EXPOSURES * 1000.0).min(8.64e7) as i64);
        let habit = self.habits.iter().copied().max().into_iter().chain(learned.map(|l| l.min(HABIT))).max();
        at_least.max(exposures).max(habit.unwrap_or(Span::ZERO))
    }

    /// The usual time from one light frame to the next: the median of the last gaps of this session.
    pub fn pace(&self) -> Option<Span> {
        let mut g: Vec<Span> = self.gaps.iter().copied().collect();
        g.sort_unstable();
        (!g.is_empty()).then(|| g[g.len() / 2])
    }

    /// Longest gap during which frames still "kept coming": three times the pace, but no less than two minutes and no less
    /// than a pause already seen in this session. None while there is no pace to compare with.
    pub fn kept_coming(&self) -> Option<Span> {
        self.pace().map(|p| Span(p.0.saturating_mul(3)).max(Span::mins(2)).max(self.longest))
    }

    /// The last light frame's time moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        if let Some(l) = &mut self.last {
            l.boot = l.boot + by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, UnixMs};

    #[test]
    fn the_limit_is_the_largest_of_three() {
        let at = |s: i64| Stamp::new(UnixMs(s * 1000), BootMs(s * 1000));
        let twenty = Span::mins(20);
        let mut f = FrameTrack::default();
        assert_eq!(f.limit(twenty, None), twenty);
        f.light(at(0), Some(600.0));
        assert_eq!(f.limit(twenty, None), Span::mins(30), "three exposures of ten minutes");
        assert_eq!(f.limit(twenty, Some(Span::mins(34))), Span::mins(34));
        assert_eq!(f.limit(twenty, Some(Span::hours(3))), Span::mins(60), "a cloud is not a habit");
        assert!(!f.light(at(-5), None), "a late one is not newer");
        for s in [300, 600, 900, 2700] {
            f.light(at(s), Some(300.0));
        }
        assert_eq!(f.pace(), Some(Span::secs(300)));
        assert_eq!(f.kept_coming(), Some(Span::mins(30)), "a pause of this session");
        f.session_over(true);
        f.session_began();
        assert_eq!(f.limit(twenty, None), Span::mins(30), "the longest pause of a fault-free session");
    }
}
