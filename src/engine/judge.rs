//! One value against a limit: the comparisons of rules, with their deadband. No delay here.

use crate::config::model::Test;

/// Where a value stands against a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rel {
    /// Past the limit. Being equal to it is not past it.
    Past,
    /// Neither past the limit nor back behind the deadband: keeps what was.
    Between,
    /// Back behind the deadband.
    Back,
}

/// A limit that one number is judged by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// Past when smaller.
    Below {
        /// The limit.
        limit: f64,
        /// Back when larger than this.
        back: f64,
    },
    /// Past when larger.
    Above {
        /// The limit.
        limit: f64,
        /// Back when smaller than this.
        back: f64,
    },
    /// Past when outside a range.
    Outside {
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
        /// Back when further inside than this.
        deadband: f64,
    },
    /// Past when different from this value by more than the deadband.
    DiffersFrom {
        /// The value.
        value: f64,
        /// Half width of what counts as the same.
        deadband: f64,
    },
}

impl Limit {
    /// The limit of a test that judges one number; none for tests over a stretch of time or of another kind. For
    /// `rate_of_change` and `deviation` it judges the rate or the distance, which the caller works out.
    pub fn of(test: &Test, deadband: f64) -> Option<Limit> {
        let d = deadband.max(0.0);
        Some(match *test {
            Test::Below(l) => Limit::Below { limit: l, back: l + d },
            Test::Above(l) => Limit::Above { limit: l, back: l - d },
            Test::Outside(low, high) => Limit::Outside { low, high, deadband: d },
            Test::DiffersFrom(value) => Limit::DiffersFrom { value, deadband: d },
            Test::RateOfChange { per_hour, .. } if per_hour < 0.0 => {
                Limit::Below { limit: per_hour, back: per_hour + d }
            }
            Test::RateOfChange { per_hour, .. } => Limit::Above { limit: per_hour, back: per_hour - d },
            Test::Deviation { by, .. } => Limit::Above { limit: by.abs(), back: by.abs() - d },
            Test::Missing | Test::Builtin(_) => return None,
        })
    }

    /// Where `v` stands. `v` must be a number.
    #[inline]
    pub fn judge(&self, v: f64) -> Rel {
        let pick = |past: bool, back: bool| match (past, back) {
            (true, _) => Rel::Past,
            (_, true) => Rel::Back,
            _ => Rel::Between,
        };
        match *self {
            Limit::Below { limit, back } => pick(v < limit, v > back),
            Limit::Above { limit, back } => pick(v > limit, v < back),
            Limit::Outside { low, high, deadband } => {
                pick(v < low || v > high, v > low + deadband && v < high - deadband)
            }
            // Truths and counts are compared: the half unit guards against rounding, not against noise.
            Limit::DiffersFrom { value, deadband } => {
                let off = (v - value).abs();
                pick(off > deadband.max(1e-9), off <= deadband.max(1e-9))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equality_does_not_count() {
        let a = Limit::of(&Test::Above(50.0), 1.0).unwrap();
        let rels: Vec<Rel> = [50.0, 50.1, 49.0, 48.9].into_iter().map(|v| a.judge(v)).collect();
        assert_eq!(rels, [Rel::Between, Rel::Past, Rel::Between, Rel::Back]);
        let b = Limit::of(&Test::Below(2.0), 0.5).unwrap();
        assert_eq!([2.0, 1.9, 2.5, 2.6].map(|v| b.judge(v)), [Rel::Between, Rel::Past, Rel::Between, Rel::Back]);
        let o = Limit::of(&Test::Outside(-5.0, 5.0), 1.0).unwrap();
        assert_eq!(
            [-5.1, -5.0, 4.5, 0.0, 5.1].map(|v| o.judge(v)),
            [Rel::Past, Rel::Between, Rel::Between, Rel::Back, Rel::Past]
        );
        let d = Limit::of(&Test::DiffersFrom(1.0), 0.0).unwrap();
        assert_eq!([1.0, 0.0].map(|v| d.judge(v)), [Rel::Back, Rel::Past]);
    }

    #[test]
    fn a_negative_rate_means_falling_faster() {
        let r = Limit::of(&Test::RateOfChange { per_hour: -3.0, within: crate::model::Span::mins(30) }, 0.5).unwrap();
        assert_eq!([-3.5, -2.8, -2.0, 5.0].map(|v| r.judge(v)), [Rel::Past, Rel::Between, Rel::Back, Rel::Back]);
    }
}
