//! Confidence limits as plain data: intervals, and the three shapes that the set of a ratio can have.

use serde::{Deserialize, Serialize};

/// A closed interval; an infinite end means that the data set no limit there.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

impl Limits {
    /// Nothing is excluded.
    pub const EVERYTHING: Limits = Limits { low: f64::NEG_INFINITY, high: f64::INFINITY };

    /// Limits from both ends.
    pub const fn new(low: f64, high: f64) -> Limits {
        Limits { low, high }
    }
    /// Whether `x` lies inside, ends included.
    pub fn contains(self, x: f64) -> bool {
        self.low <= x && x <= self.high
    }
    /// Both ends divided by `d` > 0.
    pub fn per(self, d: f64) -> Limits {
        Limits { low: self.low / d, high: self.high / d }
    }
    /// Upper minus lower limit.
    pub fn width(self) -> f64 {
        self.high - self.low
    }
}

/// A confidence set for a quotient (Fieller 1954): it need not be an interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "shape")]
pub enum ConfidenceSet {
    /// From `low` to `high`.
    Interval {
        /// Lower limit.
        low: f64,
        /// Upper limit.
        high: f64,
    },
    /// Everything but the open stretch between two limits: the denominator may well be zero.
    TwoRays {
        /// The set holds all values up to here …
        up_to: f64,
        /// … and all values from here on.
        from: f64,
    },
    /// Nothing is excluded.
    Everything,
}

impl ConfidenceSet {
    /// The connected part of the set around `estimate`, as limits; open ends are infinite.
    pub fn around(self, estimate: f64) -> Limits {
        match self {
            ConfidenceSet::Interval { low, high } => Limits { low, high },
            ConfidenceSet::TwoRays { up_to, .. } if estimate <= up_to => Limits { low: f64::NEG_INFINITY, high: up_to },
            ConfidenceSet::TwoRays { from, .. } => Limits { low: from, high: f64::INFINITY },
            ConfidenceSet::Everything => Limits::EVERYTHING,
        }
    }
    /// Whether `x` belongs to the set.
    pub fn contains(self, x: f64) -> bool {
        match self {
            ConfidenceSet::Interval { low, high } => low <= x && x <= high,
            ConfidenceSet::TwoRays { up_to, from } => x <= up_to || x >= from,
            ConfidenceSet::Everything => true,
        }
    }
    /// The limits if the set is a finite interval, else none.
    pub fn interval(self) -> Option<Limits> {
        match self {
            ConfidenceSet::Interval { low, high } if low.is_finite() && high.is_finite() => Some(Limits { low, high }),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rays_give_the_part_around_the_estimate() {
        let s = ConfidenceSet::TwoRays { up_to: 1.0, from: 4.0 };
        assert_eq!(s.around(0.0), Limits::new(f64::NEG_INFINITY, 1.0));
        assert_eq!(s.around(5.0), Limits::new(4.0, f64::INFINITY));
        assert!(s.contains(1.0) && !s.contains(2.0) && s.interval().is_none());
    }
}
