//! When a line was written: the ring stamps it by a clock of the kernel's that is never corrected, so it drifts away from ours
//! by seconds a day. Pure.

use crate::model::{Span, Stamp};

/// The two clocks differ by no more than this much of the time that passes, parts in a million.
const DRIFT_PPM: i64 = 500;
/// A task that waits is awake within this time on a machine at rest, µs.
const AWAKE_US: i64 = 2_000;

/// How far the kernel's stamps are behind our clock, as learned from lines that woke us.
#[derive(Clone, Copy, Debug, Default)]
pub struct Stamping {
    /// Difference, and our clock when it was learned, µs.
    skew: Option<(i64, i64)>,
}

impl Stamping {
    /// The instant at which a line stamped `line_us` was written, read at `now` (`mono_us` on the clock that does not count
    /// sleep). `woken`: the line is what we waited for, so it was written just now.
    pub fn instant(&mut self, now: Stamp, mono_us: u64, line_us: u64, woken: bool) -> Stamp {
        let (mono, line) = (i64::try_from(mono_us).unwrap_or(i64::MAX), i64::try_from(line_us).unwrap_or(i64::MAX));
        let lag = mono.saturating_sub(line);
        if woken {
            // A busy machine wakes us late: the difference cannot have grown by more than the clocks drift.
            let most = self.skew.map_or(i64::MAX, |(s, at)| {
                s.saturating_add(mono.saturating_sub(at).max(0) / 1_000_000 * DRIFT_PPM).saturating_add(AWAKE_US)
            });
            self.skew = Some((lag.min(most), mono));
        }
        let skew = self.skew.map_or(lag.min(0), |(s, _)| s);
        let age = Span(lag.saturating_sub(skew).max(0) / 1000);
        Stamp { wall: now.wall - age, boot: now.boot - age }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, UnixMs};
    use proptest::prelude::*;

    fn at(ms: i64) -> Stamp {
        Stamp::new(UnixMs(1_000_000 + ms), BootMs(ms))
    }

    #[test]
    fn a_drift_is_learned_and_a_late_wake_is_seen() {
        let mut s = Stamping::default();
        // Old lines, before anything is known: by their stamps.
        assert_eq!(s.instant(at(10_000), 10_000_000, 4_000_000, false), at(4_000));
        // The kernel's clock is 3 s behind; this line woke us.
        assert_eq!(s.instant(at(20_000), 20_000_000, 17_000_000, true), at(20_000));
        // Two lines of one burst.
        assert_eq!(s.instant(at(20_050), 20_050_000, 17_010_000, false), at(20_010));
        // Ten seconds later we are woken 400 ms late: the line is dated back.
        let t = s.instant(at(30_400), 30_400_000, 27_000_000, true);
        assert!((30_000..30_010).contains(&t.boot.0), "{t:?}");
    }

    proptest! {
        #[test]
        fn never_in_the_future(lines in proptest::collection::vec((any::<u64>(), any::<u64>(), any::<bool>()), 0..20)) {
            let mut s = Stamping::default();
            for (mono, line, woken) in lines {
                prop_assert!(s.instant(at(5), mono, line, woken).boot <= at(5).boot);
            }
        }
    }
}
