//! A bounded memory of one signal, for rules over a stretch of time: means of short parts instead of single values.

use crate::model::{BootMs, Span};
use std::collections::VecDeque;

/// Parts that a stretch is cut into.
const PARTS: i64 = 32;

/// The stretch before now, as the means of up to 32 closed parts.
#[derive(Clone, Debug)]
pub struct Window {
    within: Span,
    part: Span,
    closed: VecDeque<(f64, f64)>,
    first: Option<BootMs>,
    began: BootMs,
    sum: f64,
    time: f64,
    count: u32,
    rate: Option<f64>,
    mean: Option<f64>,
}

impl Window {
    /// A memory of the last `within`.
    pub fn new(within: Span) -> Window {
        let within = Span(within.0.max(PARTS));
        Window {
            within,
            part: Span(within.0 / PARTS),
            closed: VecDeque::with_capacity(PARTS as usize + 1),
            first: None,
            began: BootMs(0),
            sum: 0.0,
            time: 0.0,
            count: 0,
            rate: None,
            mean: None,
        }
    }

    /// Takes a value. Values must come in the order of time; a pause longer than the stretch empties it.
    pub fn push(&mut self, at: BootMs, v: f64) {
        let last = if self.count > 0 { self.began } else { self.closed.back().map_or(at, |c| BootMs(c.0 as i64)) };
        if self.first.is_none() || at - last > self.within {
            *self = Window { first: Some(at), began: at, ..Window::new(self.within) };
        }
        if at - self.began >= self.part {
            self.close(at);
        }
        self.sum += v;
        self.time += (at - self.began).0 as f64;
        self.count += 1;
    }

    fn close(&mut self, at: BootMs) {
        if self.count > 0 {
            let n = f64::from(self.count);
            self.closed.push_back((self.began.0 as f64 + self.time / n, self.sum / n));
        }
        let old = (at - self.within).0 as f64;
        while self.closed.front().is_some_and(|c| c.0 < old) {
            self.closed.pop_front();
        }
        (self.began, self.sum, self.time, self.count) = (at, 0.0, 0.0, 0);
        // Nine tenths of the stretch must have been seen, and at least three parts of it.
        let seen = self.first.is_some_and(|f| (at - f).0 * 10 >= self.within.0 * 9);
        let enough = seen && self.closed.len() >= 3;
        self.mean = enough.then(|| self.closed.iter().map(|c| c.1).sum::<f64>() / self.closed.len() as f64);
        self.rate = if enough { slope(&self.closed).map(|per_ms| per_ms * 3_600_000.0) } else { None };
    }

    /// Change per hour over the stretch: the slope of the least-squares line through the part means. None until nine tenths
    /// of the stretch have been seen.
    pub fn rate(&self) -> Option<f64> {
        self.rate
    }

    /// Mean of the stretch before the present part. None until nine tenths of the stretch have been seen.
    pub fn mean(&self) -> Option<f64> {
        self.mean
    }
}

/// Slope of the least-squares line (ordinary least squares: Σ(x−x̄)(y−ȳ) / Σ(x−x̄)²). None for fewer than two places.
fn slope(points: &VecDeque<(f64, f64)>) -> Option<f64> {
    let n = points.len() as f64;
    let (mx, my) = points.iter().fold((0.0, 0.0), |a, p| (a.0 + p.0 / n, a.1 + p.1 / n));
    let (xy, xx) = points.iter().fold((0.0, 0.0), |a, p| (a.0 + (p.0 - mx) * (p.1 - my), a.1 + (p.0 - mx).powi(2)));
    (xx > 0.0).then(|| xy / xx)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_fall_has_its_rate_and_a_step_its_distance() {
        let mut w = Window::new(Span::mins(30));
        for s in 0..3600 {
            w.push(BootMs(s * 1000), 10.0 - 4.0 * s as f64 / 3600.0);
            if s < 1600 {
                assert_eq!(w.rate(), None, "not judged before nine tenths of the stretch");
            }
        }
        assert!((w.rate().unwrap() + 4.0).abs() < 1e-9, "{:?}", w.rate());
        let mut w = Window::new(Span::mins(10));
        (0..1200).for_each(|s| w.push(BootMs(s * 1000), 5.0));
        assert_eq!(w.mean(), Some(5.0));
        w.push(BootMs(5_000_000), 9.0);
        assert_eq!(w.mean(), None, "a long pause empties it");
    }
}
