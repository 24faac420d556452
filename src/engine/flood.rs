//! Alarm floods: more than ten raises in ten minutes; over when fewer than five are left in the last ten minutes.
//!
//! Figures: ANSI/ISA-18.2, IEC 62682 and EEMUA 191 as commonly quoted (start: more than 10 in 10 min; end: below 5 in 10 min,
//! from memory of ISA-TR18.2.5). The sliding stretch is `(t − 10 min, t]`.

use crate::model::{BootMs, Span};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Length of the sliding stretch.
pub const WINDOW: Span = Span::mins(10);
/// More than this many raises begin a flood.
pub const MORE_THAN: usize = 10;
/// Fewer than this many end it.
pub const FEWER_THAN: usize = 5;

/// Watches for a flood.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Flood {
    times: VecDeque<BootMs>,
    /// When the present flood began, and raises in it so far.
    pub(crate) on: Option<(BootMs, u32)>,
}

impl Flood {
    fn forget(&mut self, now: BootMs) {
        while self.times.front().is_some_and(|t| now - *t >= WINDOW) {
            self.times.pop_front();
        }
    }

    /// Notes a raise. True when it begins a flood. Call [`Flood::over`] for earlier instants first.
    pub fn raised(&mut self, at: BootMs) -> bool {
        self.forget(at);
        // A late one is put where it belongs.
        let place = self.times.partition_point(|t| *t <= at);
        self.times.insert(place, at);
        if let Some((_, n)) = &mut self.on {
            *n += 1;
            return false;
        }
        let begins = self.times.len() > MORE_THAN;
        if begins {
            self.on = Some((at, self.times.len() as u32));
        }
        begins
    }

    /// Raises in the last ten minutes before `now`.
    pub fn count(&self, now: BootMs) -> usize {
        self.times.iter().filter(|t| now - **t < WINDOW && **t <= now).count()
    }

    /// The first instant at which the present flood is over, if nothing more is raised.
    pub fn due(&self) -> Option<BootMs> {
        self.on?;
        let n = self.times.len();
        // The fifth from the end leaves the stretch.
        Some(if n >= FEWER_THAN { self.times[n - FEWER_THAN] + WINDOW } else { self.on?.0 })
    }

    /// Ends the flood if it is over at `now`; gives its beginning and the number of raises in it.
    pub fn over(&mut self, now: BootMs) -> Option<(BootMs, u32)> {
        if self.due()? > now {
            return None;
        }
        self.forget(now);
        self.on.take()
    }

    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        self.times.iter_mut().for_each(|t| *t = *t + by);
        if let Some((t, _)) = &mut self.on {
            *t = *t + by;
        }
    }
}

/// How heavy the load of alarms was over a stretch of time, for reports.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Load {
    /// Raises.
    pub count: usize,
    /// Raises per ten minutes, on average.
    pub per_ten_minutes: f64,
    /// Raises in each ten minutes, counted from the start.
    pub bins: Vec<u32>,
    /// Largest number in any ten minutes.
    pub peak: usize,
    /// Largest number in any minute.
    pub peak_minute: usize,
    /// Floods, from when to when.
    pub floods: Vec<(Span, Span)>,
}

/// The load of alarms raised at `times` (since the start of the stretch) in a stretch of `lasting`.
pub fn load(times: &[Span], lasting: Span) -> Load {
    let mut times: Vec<i64> = times.iter().map(|t| t.0).filter(|t| (0..=lasting.0.max(0)).contains(t)).collect();
    times.sort_unstable();
    let bins = (lasting.0.max(0) as usize).div_ceil(WINDOW.0 as usize);
    let mut out = Load { count: times.len(), bins: vec![0; bins], ..Load::default() };
    if lasting.0 > 0 {
        out.per_ten_minutes = times.len() as f64 * WINDOW.0 as f64 / lasting.0 as f64;
    }
    let within = |i: usize, w: Span| times[..=i].iter().filter(|t| times[i] - **t < w.0).count();
    let mut flood = Flood::default();
    for (i, t) in times.iter().enumerate() {
        if let Some(b) = out.bins.get_mut((*t / WINDOW.0) as usize) {
            *b += 1;
        }
        out.peak = out.peak.max(within(i, WINDOW));
        out.peak_minute = out.peak_minute.max(within(i, Span::secs(60)));
        if let Some(due) = flood.due().filter(|d| d.0 < *t)
            && let Some((from, _)) = flood.over(due)
        {
            out.floods.push((Span(from.0), Span(due.0)));
        }
        flood.raised(BootMs(*t));
    }
    if let (Some((from, _)), Some(due)) = (flood.on, flood.due()) {
        out.floods.push((Span(from.0), Span(due.0.min(lasting.0))));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_are_no_flood_and_eleven_are() {
        let mut f = Flood::default();
        assert!((0..10).all(|i| !f.raised(BootMs(i * 1000))));
        assert_eq!(f.due(), None);
        assert!(f.raised(BootMs(10_000)));
        assert_eq!(f.due(), Some(BootMs(606_000)));
        assert_eq!(f.over(BootMs(605_999)), None);
        assert_eq!(f.over(BootMs(606_000)), Some((BootMs(10_000), 11)));
    }
}
