//! Which hours of a night tell something about a signal.
//!
//! A fault changes the box, the load and the memory, so readings after it are consequences and never causes. What nothing in the
//! chain can change keeps its readings. Of the others, a signal that differs from night to night more than it moves within
//! one stands, after the first fault, at its last value from before: that value was there first, so later faults of the
//! night may be counted against it. A quick one says nothing about later hours: it is judged up to the first fault.

use crate::analysis::permute::Records;
use serde::Serialize;

/// The hours and faults that a signal is judged on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// All of the night, by its readings: nothing that fails can change it.
    Whole,
    /// All of the night; from the first fault on it stands at the last value before.
    Held,
    /// The night up to its first fault.
    ToFirstFault,
}

/// Hours over which a signal must resemble itself to stand for the rest of a night: about half of one.
const LAG: f64 = 3.0;
/// Fewest nights that must reach so far before their first fault.
const NIGHTS: usize = 4;

/// Whether a signal moves so little within a night that its last value stands for the rest of it: over three hours its variogram
/// (half the mean squared change; Matheron 1963, Econ. Geol. 58:1246–1266) is at most half its variance over the season.
/// `values`: its value in each slice of `r`, which end at first faults; not a number where unknown.
pub(super) fn steady(r: &Records, values: &[f64]) -> bool {
    let known: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let n = known.len().max(1) as f64;
    let mean = known.iter().sum::<f64>() / n;
    let variance = known.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
    let middles: Vec<f64> = r.clock().iter().zip(&r.slice_hours).map(|(end, hours)| end - 0.5 * hours).collect();
    let (mut sum, mut pairs, mut nights) = (0.0, 0.0f64, 0);
    for w in r.first_slice.windows(2) {
        let (at, of) = (&middles[w[0]..w[1]], &values[w[0]..w[1]]);
        let before = pairs;
        for (t, v) in at.iter().zip(of) {
            let later = of.get(at.partition_point(|m| *m < t + LAG - 1e-9));
            if let Some(change) = later.map(|l| l - v).filter(|c| c.is_finite()) {
                sum += change * change;
                pairs += 1.0;
            }
        }
        nights += usize::from(pairs > before);
    }
    nights >= NIGHTS && sum / pairs / 2.0 <= 0.5 * variance
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight nights of so many hours in slices of half an hour.
    fn nights(hours: usize) -> Records {
        Records {
            hours: vec![hours as f64; 8],
            slice_hours: vec![0.5; 16 * hours],
            first_slice: (0..=8).map(|j| j * 2 * hours).collect(),
            faults: vec![],
        }
    }

    fn values(hours: usize, of: impl Fn(usize, f64) -> f64) -> Vec<f64> {
        (0..8).flat_map(|j| (0..2 * hours).map(move |s| (j, s as f64 / 2.0))).map(|(j, t)| of(j, t)).collect()
    }

    #[test]
    fn what_differs_between_nights_is_steady_and_what_moves_within_them_is_not() {
        let r = nights(8);
        assert!(steady(&r, &values(8, |j, _| j as f64)));
        assert!(steady(&r, &values(8, |j, t| 3.0 * j as f64 - t)), "it falls by 7 a night, the nights lie 21 apart");
        assert!(!steady(&r, &values(8, |j, t| 0.3 * j as f64 - t)));
        assert!(!steady(&r, &values(8, |_, t| (7.0 * t).sin())));
        // What never changes has nothing to be told of it either way.
        assert!(steady(&r, &values(8, |_, _| 5.0)));
    }

    #[test]
    fn nights_too_short_to_tell_and_unknown_values_are_not_steady() {
        assert!(!steady(&nights(2), &values(2, |j, _| j as f64)));
        assert!(!steady(&nights(8), &values(8, |_, _| f64::NAN)));
        let few = |j: usize, _| if j < 3 { j as f64 } else { f64::NAN };
        assert!(!steady(&nights(8), &values(8, few)));
        assert!(!steady(&Records::default(), &[]));
    }
}
