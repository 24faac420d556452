//! Loss and unevenness over the tries of a window. Pure.

use crate::model::{BootMs, Span};
use std::collections::VecDeque;

/// The tries of the last so many seconds.
#[derive(Clone, Debug)]
pub struct Window {
    span: Span,
    tries: VecDeque<(BootMs, bool)>,
    lost: usize,
    unevenness: f64,
    last: Option<f64>,
    pairs: u64,
}

impl Window {
    /// An empty window of this length.
    pub fn new(span: Span) -> Window {
        Window { span, tries: VecDeque::new(), lost: 0, unevenness: 0.0, last: None, pairs: 0 }
    }

    /// One more try, answered or lost, with its round trip in milliseconds where there is one.
    pub fn push(&mut self, at: BootMs, answered: bool, round_trip: Option<f64>) {
        self.tries.push_back((at, !answered));
        self.lost += usize::from(!answered);
        while let Some(&(t, lost)) = self.tries.front() {
            if at - t < self.span {
                break;
            }
            self.lost -= usize::from(lost);
            self.tries.pop_front();
        }
        if let Some(now) = round_trip
            && let Some(before) = self.last.replace(now)
        {
            // RFC 3550, section 6.4.1 and appendix A.8: J += (|D| - J) / 16, here with the difference of two round trips that
            // follow each other. A lost one between them is passed over, as there.
            self.unevenness += ((now - before).abs() - self.unevenness) / 16.0;
            self.pairs += 1;
        }
    }

    /// Share of lost tries, in per cent; none before the first.
    pub fn loss(&self) -> Option<f64> {
        let n = self.tries.len();
        (n > 0).then(|| 100.0 * self.lost as f64 / n as f64)
    }

    /// Unevenness in milliseconds; none before two answers.
    pub fn unevenness(&self) -> Option<f64> {
        (self.pairs > 0).then_some(self.unevenness)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn loss_is_of_the_window_alone() {
        let mut w = Window::new(Span::secs(10));
        assert_eq!(w.loss(), None);
        for s in 0..5 {
            w.push(BootMs(s * 1000), false, None);
        }
        assert_eq!(w.loss(), Some(100.0));
        for s in 5..10 {
            w.push(BootMs(s * 1000), true, Some(1.0));
        }
        assert_eq!(w.loss(), Some(50.0));
        for s in 10..15 {
            w.push(BootMs(s * 1000), true, Some(1.0));
        }
        assert_eq!(w.loss(), Some(0.0));
    }

    #[test]
    fn unevenness_follows_the_estimator_of_rfc_3550() {
        // Appendix A.8, floating point form: jitter += (1./16.) * (d - jitter). By hand for round trips 10, 26, lost, 10:
        // d = 16 -> 1; d = 16 -> 1 + 15/16.
        let mut w = Window::new(Span::secs(60));
        for (s, r) in [Some(10.0), Some(26.0), None, Some(10.0)].into_iter().enumerate() {
            w.push(BootMs(s as i64 * 1000), r.is_some(), r);
        }
        assert_eq!(w.unevenness(), Some(1.9375));
        // Under a steady difference it settles at that difference.
        for s in 4..400 {
            w.push(BootMs(s * 1000), true, Some(if s % 2 == 0 { 20.0 } else { 12.0 }));
        }
        assert!((w.unevenness().unwrap() - 8.0).abs() < 1e-6);
    }

    proptest! {
        #[test]
        fn figures_stay_in_range(tries in proptest::collection::vec((0_i64..100_000, proptest::option::of(0.0..60_000.0_f64)), 1..200)) {
            let mut w = Window::new(Span::secs(60));
            let mut now = 0;
            for (step, r) in tries {
                now += step;
                w.push(BootMs(now), r.is_some(), r);
                prop_assert!(w.loss().is_some_and(|l| (0.0..=100.0).contains(&l)));
                prop_assert!(w.unevenness().is_none_or(|u| (0.0..=60_000.0).contains(&u)));
            }
        }
    }
}
