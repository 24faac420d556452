//! Axes: where an instant or a value lies, and which ticks are worth a label.

use crate::model::UnixMs;
use crate::report::say;
use jiff::tz::TimeZone;

/// A linear time axis from `x0` to `x1`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Across {
    pub from: UnixMs,
    pub to: UnixMs,
    pub x0: f64,
    pub x1: f64,
}

impl Across {
    /// Where an instant lies; instants outside the axis lie on its ends.
    pub fn x(&self, at: UnixMs) -> f64 {
        let whole = (self.to.0 - self.from.0).max(1) as f64;
        let part = (at.0.clamp(self.from.0, self.to.0.max(self.from.0)) - self.from.0) as f64;
        self.x0 + (self.x1 - self.x0) * part / whole
    }

    /// Whether an instant is on the axis.
    pub fn holds(&self, at: UnixMs) -> bool {
        (self.from.0..=self.to.0).contains(&at.0)
    }

    /// The part of a stretch that is on the axis, as two places; none if it is outside.
    pub fn part(&self, from: UnixMs, to: UnixMs) -> Option<(f64, f64)> {
        (to.0 >= self.from.0 && from.0 <= self.to.0 && to.0 >= from.0).then(|| (self.x(from), self.x(to)))
    }

    /// Ticks at round local clock times, at least `room` apart, with their labels.
    pub fn ticks(&self, zone: &TimeZone, room: f64) -> Vec<(f64, String)> {
        let minutes = (self.to.0 - self.from.0) as f64 / 60_000.0;
        if minutes <= 0.0 || !minutes.is_finite() {
            return vec![];
        }
        let fit = ((self.x1 - self.x0) / room).max(1.0);
        // Steps divide a day, so that labels fall on the same clock times every night.
        let steps = [1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440];
        let step = steps.into_iter().find(|s| minutes / f64::from(*s) <= fit).unwrap_or(1440);
        // Walk in UTC at a grain that meets every local round time, whatever the zone's offset and clock changes.
        let grain = i64::from(step.min(15)) * 60_000;
        let mut at = self.from.0.div_euclid(grain) * grain;
        let mut out: Vec<(f64, String)> = vec![];
        while at <= self.to.0 {
            if at >= self.from.0 {
                let z = say::zoned(UnixMs(at), zone);
                let of_day = i64::from(z.hour()) * 60 + i64::from(z.minute());
                if of_day % i64::from(step) == 0 && z.second() == 0 {
                    let x = self.x(UnixMs(at));
                    // When the clocks go back a label comes twice; the second is left out if there is no room for it.
                    if out.last().is_none_or(|(p, _)| x - p >= room * 0.8) {
                        out.push((x, z.strftime("%H:%M").to_string()));
                    }
                }
            }
            at += grain;
        }
        out
    }
}

/// Round values for a vertical axis that holds `low..=high`: the ends of the axis, the ticks, and decimals for labels.
pub(crate) fn nice(low: f64, high: f64, most: usize) -> (f64, f64, Vec<f64>, usize) {
    let (low, high) = if low.is_finite() && high.is_finite() && low <= high { (low, high) } else { (0.0, 1.0) };
    // A flat line still needs a height.
    let (low, high) = if high - low < 1e-9 {
        let pad = (low.abs() * 0.05).max(0.5);
        (low - pad, high + pad)
    } else {
        (low, high)
    };
    let rough = (high - low) / most.max(1) as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999).unwrap_or(rough);
    let (a, b) = ((low / step).floor(), (high / step).ceil());
    let ticks: Vec<f64> = (0..=((b - a) as usize).min(50)).map(|i| (a + i as f64) * step).collect();
    let decimals = (0..4).find(|&d| {
        let s = step * 10f64.powi(d);
        (s - s.round()).abs() < 1e-6
    });
    (a * step, b * step, ticks, decimals.unwrap_or(3) as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn axis(hours: i64) -> Across {
        // 2026-01-12 16:30 UTC.
        let from = UnixMs(1_768_235_400_000);
        Across { from, to: UnixMs(from.0 + hours * 3_600_000), x0: 0.0, x1: 500.0 }
    }

    #[test]
    fn ticks_are_round_local_times() {
        let labels = |h, zone: &str, room| -> Vec<String> {
            axis(h).ticks(&TimeZone::get(zone).unwrap(), room).into_iter().map(|t| t.1).collect()
        };
        assert_eq!(labels(6, "Europe/Berlin", 80.0), ["18:00", "19:00", "20:00", "21:00", "22:00", "23:00"]);
        // A zone with a quarter-hour offset: UTC+05:45.
        assert_eq!(labels(6, "Asia/Kathmandu", 150.0), ["00:00", "02:00", "04:00"]);
        assert!(labels(0, "UTC", 80.0).is_empty());
    }

    #[test]
    fn ticks_over_a_clock_change() {
        // 2026-10-25 01:00 UTC: clocks go back in the European Union; 02:00 comes twice.
        let from = UnixMs(1_792_884_600_000);
        let a = Across { from, to: UnixMs(from.0 + 5 * 3_600_000), x0: 0.0, x1: 500.0 };
        let labels: Vec<String> =
            a.ticks(&TimeZone::get("Europe/Berlin").unwrap(), 60.0).into_iter().map(|t| t.1).collect();
        assert_eq!(labels.iter().filter(|l| *l == "02:00").count(), 2, "{labels:?}");
    }

    #[test]
    fn value_ticks_are_round() {
        let (a, b, ticks, d) = nice(-5.6, 16.2, 4);
        assert_eq!((a, b, d), (-10.0, 20.0, 0));
        assert_eq!(ticks, [-10.0, 0.0, 10.0, 20.0]);
        assert_eq!(nice(0.2, 0.3, 4).3, 3);
        let flat = nice(14.6, 14.6, 4);
        assert!(flat.0 < 14.6 && flat.1 > 14.6);
        assert!(nice(f64::NAN, 1.0, 4).2.len() > 1);
    }
}
