//! How fast a disk fills, and whether it lasts the night.

use crate::model::{BootMs, Span};
use std::collections::VecDeque;

/// One point a minute, for an hour.
const EVERY: Span = Span::mins(1);
const POINTS: usize = 61;
/// Least stretch that a pace is taken from.
const AT_LEAST: Span = Span::mins(10);

/// Free space of one disk over the last hour.
#[derive(Clone, Debug, Default)]
pub struct Pace {
    points: VecDeque<(BootMs, f64)>,
}

impl Pace {
    /// Takes a reading of free space in bytes; true when a new point was kept (once a minute).
    pub fn push(&mut self, at: BootMs, free: f64) -> bool {
        if let Some(&(t, f)) = self.points.back() {
            if at - t < EVERY {
                return false;
            }
            // Space was freed, or the disk was not read for long: what was before tells nothing about now.
            if free > f + 1e8 || at - t > Span::mins(15) {
                self.points.clear();
            }
        }
        self.points.push_back((at, free));
        if self.points.len() > POINTS {
            self.points.pop_front();
        }
        true
    }

    /// Bytes per second that are used up; none before ten minutes were seen, zero when nothing is used up.
    pub fn bytes_per_second(&self) -> Option<f64> {
        let (first, last) = (self.points.front()?, self.points.back()?);
        let over = last.0 - first.0;
        (over >= AT_LEAST).then(|| ((first.1 - last.1) / over.as_secs_f64()).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_minutes_give_a_pace_and_freed_space_starts_anew() {
        let mut p = Pace::default();
        for m in 0..=10 {
            assert!(p.bytes_per_second().is_none());
            p.push(BootMs(m * 60_000), 1e10 - m as f64 * 6e6);
        }
        assert_eq!(p.bytes_per_second(), Some(1e5));
        p.push(BootMs(660_000), 2e10);
        assert_eq!(p.bytes_per_second(), None);
    }
}
