//! One grid of times for all that is done again and again: what is due at about the same time is done in one waking of the
//! processor, since wakings cost a small machine more than the readings.
//!
//! The shared worker of the probes keeps time. When its pass has arrived the agent [`strike`]s, and every [`Beat`] that is due
//! ticks within the same waking. Where nobody strikes (the worker is stuck, there is none) each beat ticks by a timer of its
//! own, a little later.

use std::sync::OnceLock;
use std::time::{Duration, Instant};
use tokio::sync::Notify;

/// A strike this much too early still counts.
const EARLY: Duration = Duration::from_millis(5);
/// A beat waits this long for a strike before its own timer ticks (a quarter of a short period).
const GRACE: Duration = Duration::from_millis(100);

const CENTURY: Duration = Duration::from_secs(3_155_760_000);

static STRUCK: Notify = Notify::const_new();

/// Has every beat tick that is due.
pub fn strike() {
    STRUCK.notify_waiters();
}

/// Where the grids of all periods begin; the first use says.
fn epoch() -> Instant {
    static EPOCH: OnceLock<Instant> = OnceLock::new();
    *EPOCH.get_or_init(Instant::now)
}

/// The next time of the grid of `period`, at least half a period after `now`.
pub fn next(now: Instant, period: Duration) -> Instant {
    after(epoch(), now, period)
}

fn after(epoch: Instant, now: Instant, period: Duration) -> Instant {
    let period = period.max(Duration::from_millis(1));
    let earliest = now.saturating_duration_since(epoch).saturating_add(period / 2);
    let whole = earliest.as_nanos().div_ceil(period.as_nanos());
    let since = u64::try_from(whole.saturating_mul(period.as_nanos())).unwrap_or(u64::MAX);
    // Past the end of time: later than anybody waits.
    epoch.checked_add(Duration::from_nanos(since)).unwrap_or(now + CENTURY)
}

/// Ticks at once, then on the grid. Missed ticks are left out.
#[derive(Debug)]
pub struct Beat {
    period: Duration,
    grace: Duration,
    due: tokio::time::Instant,
}

impl Beat {
    /// A beat of this period.
    pub fn new(period: Duration) -> Beat {
        Beat { period, grace: GRACE.min(period / 4), due: tokio::time::Instant::now() }
    }

    /// Waits for the next tick. Cancel safe. Must be waited for on a tokio runtime.
    pub async fn tick(&mut self) {
        loop {
            let struck = STRUCK.notified();
            let now = tokio::time::Instant::now();
            if self.due <= now + EARLY {
                self.due = tokio::time::Instant::from_std(next(now.into_std(), self.period));
                return;
            }
            // Made anew each time: a timer that is only put off would wake the processor at its old time.
            let _ = tokio::time::timeout_at(self.due + self.grace, struck).await;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_time_is_on_the_grid_and_not_too_soon() {
        let epoch = Instant::now();
        let at = |ms| epoch + Duration::from_millis(ms);
        let p = Duration::from_secs(1);
        assert_eq!(after(epoch, at(0), p), at(1000));
        assert_eq!(after(epoch, at(500), p), at(1000));
        assert_eq!(after(epoch, at(501), p), at(2000));
        assert_eq!(after(epoch, at(7_003), p), at(8000));
        assert_eq!(after(epoch, at(9), Duration::ZERO), at(10));
        assert!(after(epoch, at(1), Duration::MAX) > at(1));
    }

    const BOUND: Duration = Duration::from_secs(60);

    #[tokio::test]
    async fn without_strikes_a_timer_ticks() {
        let mut a = Beat::new(Duration::from_millis(40));
        for _ in 0..4 {
            let due = a.due;
            tokio::time::timeout(BOUND, a.tick()).await.unwrap();
            assert!(due <= tokio::time::Instant::now() + EARLY, "never before its time");
            assert!(a.due > due);
        }
    }

    #[tokio::test]
    async fn a_strike_ticks_what_is_due_and_nothing_else() {
        let now = tokio::time::Instant::now();
        // So long a grace that only a strike can tick within the bound.
        let long = Duration::from_secs(3600);
        let mut soon = Beat { period: long, grace: long, due: now + Duration::from_millis(20) };
        let mut late = Beat { period: long, grace: long, due: now + long };
        let soon = tokio::spawn(async move { soon.tick().await });
        let late = tokio::spawn(async move { late.tick().await });
        let struck = async {
            while !soon.is_finished() {
                strike();
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        };
        tokio::time::timeout(BOUND, struck).await.unwrap();
        assert!(now.elapsed() + EARLY >= Duration::from_millis(20), "not before its time");
        assert!(!late.is_finished());
    }
}
