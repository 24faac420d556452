//! From readings to what the fit takes: ten-minute means of box and outside, in unbroken stretches.
//!
//! Means spare the fit the sensor's steps and make unequal sampling harmless. Each mean stands at the mean time of its
//! readings, not at the middle of its ten minutes, so that a logger that reads twice an hour is placed right; the outside
//! temperature is interpolated to the box's times. A hole longer than the longest wait, in either, begins a new stretch, and
//! every stretch has a start temperature of its own. A night with one reading gives no stretch: nothing is made up.

use crate::analysis::error::{self, Result};
use crate::model::rows::Bucket;
use crate::model::{Span, UnixMs};

/// Usual width of a mean.
pub const WIDTH: Span = Span::mins(10);
/// Usual longest wait for the next reading inside one stretch.
pub const LONGEST_WAIT: Span = Span::mins(30);

/// A mean of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    /// Mean time of the readings.
    pub at: UnixMs,
    /// Mean of the readings.
    pub value: f64,
}

/// Means of readings over ten minutes of the clock. Readings in any order.
///
/// # Errors
/// A reading that is not finite (unavailable ones must be left out first).
pub fn ten_minute_means(readings: &[(UnixMs, f64)]) -> Result<Vec<Mean>> {
    means(readings, WIDTH)
}

/// Means of readings over any width of at least 1 ms.
///
/// # Errors
/// A reading that is not finite.
pub fn means(readings: &[(UnixMs, f64)], width: Span) -> Result<Vec<Mean>> {
    error::finite("the readings", &readings.iter().map(|r| r.1).collect::<Vec<_>>())?;
    let width = width.0.max(1);
    let mut sorted = readings.to_vec();
    sorted.sort_by_key(|r| r.0);
    Ok(sorted
        .chunk_by(|a, b| a.0.0.div_euclid(width) == b.0.0.div_euclid(width))
        .map(|group| {
            let n = group.len() as f64;
            let first = group[0].0.0;
            let offset = group.iter().map(|r| (r.0.0 - first) as f64).sum::<f64>() / n;
            Mean { at: UnixMs(first + offset.round() as i64), value: group.iter().map(|r| r.1).sum::<f64>() / n }
        })
        .collect())
}

/// Means from rows of the store, each at the middle of its stretch; rows without a known value are left out.
pub fn from_buckets(rows: &[Bucket]) -> Vec<Mean> {
    rows.iter()
        .filter(|b| b.count > 0 && b.mean.is_finite())
        .map(|b| Mean { at: UnixMs(b.from.0 + (b.to.0 - b.from.0) / 2), value: b.mean })
        .collect()
}

/// An unbroken stretch of one night.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Which night; the unit that is resampled.
    pub night: usize,
    /// The instant of the first entry.
    pub from: UnixMs,
    /// Seconds since then.
    pub t_s: Vec<f64>,
    /// Outside temperature in °C.
    pub outside: Vec<f64>,
    /// Box temperature in °C.
    pub inside: Vec<f64>,
    /// Share of time that the heater was on from entry i to i + 1 (the last one is not used); empty where it is not known.
    pub heater: Vec<f64>,
}

impl Stretch {
    /// A stretch from plain lists, times in s.
    ///
    /// # Errors
    /// Lists of unequal length (an empty heater list is allowed), values that are not finite, times that do not increase.
    pub fn new(night: usize, t_s: &[f64], outside: &[f64], inside: &[f64], heater: &[f64]) -> Result<Stretch> {
        error::same_length("times and outside temperatures", t_s, outside)?;
        error::same_length("times and box temperatures", t_s, inside)?;
        if !heater.is_empty() {
            error::same_length("times and heater states", t_s, heater)?;
        }
        for (what, list) in [("times", t_s), ("outside", outside), ("box", inside), ("heater", heater)] {
            error::finite(what, list)?;
        }
        if let Some(w) = t_s.windows(2).find(|w| w[1] <= w[0]) {
            let expected = "times that increase";
            return Err(error::AnalysisError::Range { what: "a time", value: w[1], expected });
        }
        let t0 = t_s.first().copied().unwrap_or(0.0);
        Ok(Stretch {
            night,
            from: UnixMs((t0 * 1000.0) as i64),
            t_s: t_s.iter().map(|t| t - t0).collect(),
            outside: outside.to_vec(),
            inside: inside.to_vec(),
            heater: heater.to_vec(),
        })
    }
}

/// The stretches of one night from means of outside and box temperature and, where known, states of the heater (1 on, 0 off,
/// each holding until the next; before the first it is unknown). Stretches of fewer than two entries are left out, as are
/// entries for which the outside temperature or, where states are given, the heater is unknown.
///
/// # Errors
/// Means that are not finite.
pub fn stretches(
    night: usize,
    outside: &[Mean],
    inside: &[Mean],
    heater: Option<&[(UnixMs, f64)]>,
    longest_wait: Span,
) -> Result<Vec<Stretch>> {
    for (what, list) in [("outside temperatures", outside), ("box temperatures", inside)] {
        error::finite(what, &list.iter().map(|m| m.value).collect::<Vec<_>>())?;
    }
    let sorted = |list: &[Mean]| {
        let mut v = list.to_vec();
        v.sort_by_key(|m| m.at);
        v.dedup_by_key(|m| m.at);
        v
    };
    let (outside, inside) = (sorted(outside), sorted(inside));
    let mut states = heater.unwrap_or_default().to_vec();
    states.sort_by_key(|s| s.0);
    let mut out: Vec<Stretch> = Vec::new();
    let mut open: Option<Stretch> = None;
    for m in &inside {
        let Some(outside_c) = interpolated(&outside, m.at, longest_wait) else {
            out.extend(open.take());
            continue;
        };
        let share = |from: UnixMs| if heater.is_some() { held_share(&states, from, m.at) } else { Some(0.0) };
        let joined = open.as_mut().is_some_and(|s| {
            let last = UnixMs(s.from.0 + (s.t_s[s.t_s.len() - 1] * 1000.0).round() as i64);
            match share(last) {
                Some(u) if m.at - last <= longest_wait => {
                    if heater.is_some() {
                        let n = s.heater.len();
                        s.heater[n - 1] = u;
                        s.heater.push(u);
                    }
                    s.t_s.push((m.at - s.from).as_secs_f64());
                    s.outside.push(outside_c);
                    s.inside.push(m.value);
                    true
                }
                _ => false,
            }
        });
        if !joined {
            out.extend(open.replace(Stretch {
                night,
                from: m.at,
                t_s: vec![0.0],
                outside: vec![outside_c],
                inside: vec![m.value],
                heater: if heater.is_some() { vec![0.0] } else { Vec::new() },
            }));
        }
    }
    out.extend(open);
    out.retain(|s| s.t_s.len() >= 2);
    Ok(out)
}

/// Value at an instant, linear between neighbours at most `wait` apart; within one width beyond an end the end's value.
fn interpolated(list: &[Mean], at: UnixMs, wait: Span) -> Option<f64> {
    let i = list.partition_point(|m| m.at <= at);
    let (before, after) = (i.checked_sub(1).map(|i| list[i]), list.get(i));
    match (before, after) {
        (Some(b), _) if b.at == at => Some(b.value),
        (Some(b), Some(a)) if a.at - b.at <= wait => {
            let share = (at - b.at).0 as f64 / (a.at - b.at).0 as f64;
            Some(b.value + share * (a.value - b.value))
        }
        (Some(b), _) if at - b.at <= WIDTH => Some(b.value),
        (_, Some(a)) if a.at - at <= WIDTH => Some(a.value),
        _ => None,
    }
}

/// Time-weighted mean of held states from one instant to another; none where the state is unknown at the beginning.
fn held_share(states: &[(UnixMs, f64)], from: UnixMs, to: UnixMs) -> Option<f64> {
    let i = states.partition_point(|s| s.0 <= from).checked_sub(1)?;
    let mut sum = 0.0;
    let mut at = from;
    let mut state = states[i].1;
    for s in states[i + 1..].iter().take_while(|s| s.0 < to) {
        sum += state * (s.0 - at).0 as f64;
        (at, state) = *s;
    }
    sum += state * (to - at).0 as f64;
    let share = sum / (to - from).0.max(1) as f64;
    share.is_finite().then_some(share)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: f64) -> UnixMs {
        UnixMs((minute * 60_000.0) as i64)
    }

    #[test]
    fn means_stand_where_their_readings_are() {
        let got = ten_minute_means(&[(at(11.0), 4.0), (at(1.0), 1.0), (at(3.0), 2.0)]).unwrap();
        assert_eq!(got, vec![Mean { at: at(2.0), value: 1.5 }, Mean { at: at(11.0), value: 4.0 }]);
        assert!(ten_minute_means(&[(at(0.0), f64::NAN)]).is_err());
        assert!(ten_minute_means(&[]).unwrap().is_empty());
    }

    #[test]
    fn a_hole_begins_a_new_stretch() {
        let inside: Vec<Mean> =
            [0.0, 10.0, 20.0, 90.0, 100.0, 300.0].iter().map(|m| Mean { at: at(*m), value: 5.0 }).collect();
        let outside: Vec<Mean> =
            (0..20).map(|i| Mean { at: at(f64::from(i) * 7.0), value: f64::from(i) * 0.7 }).collect();
        let got = stretches(3, &outside, &inside, None, LONGEST_WAIT).unwrap();
        assert_eq!(got.len(), 2, "one reading alone gives no stretch");
        assert_eq!((got[0].t_s.len(), got[1].t_s.len(), got[1].night), (3, 2, 3));
        assert!((got[0].outside[1] - 1.0).abs() < 1e-12, "interpolated to the box's time");
        assert!(stretches(0, &[], &inside, None, LONGEST_WAIT).unwrap().is_empty());
    }

    #[test]
    fn heater_states_are_weighted_by_time() {
        let line: Vec<Mean> = (0..4).map(|i| Mean { at: at(f64::from(i) * 10.0), value: 1.0 }).collect();
        let states = [(at(-5.0), 0.0), (at(15.0), 1.0), (at(27.5), 0.0)];
        let got = stretches(0, &line, &line, Some(&states), LONGEST_WAIT).unwrap();
        assert_eq!(got[0].heater[..3], [0.0, 0.5, 0.75]);
        // Unknown before the first state: the first entries cannot be joined.
        let got = stretches(0, &line, &line, Some(&states[1..]), LONGEST_WAIT).unwrap();
        assert_eq!(got[0].from, at(20.0));
    }
}
