//! Fewer trouble nights than before? A test that holds however often one looks.
//!
//! Nights come one after another, each with trouble or quiet, without and then with a remedy. After each night with the remedy the
//! mixture of conditional likelihood ratios S is taken: given all trouble nights so far, their number among nights with the remedy is
//! hypergeometric if nothing changed, noncentral hypergeometric if the odds were multiplied by ψ (Fisher 1935; Robbins 1970, Ann.
//! Math. Stat. 41:1397–1409, for mixtures as tests to be looked at any time). S is averaged over ψ of 1/3, 1/10 and 1/30, and counts
//! in proportion to the nights until there are [`FULL`] of them.
//!
//! Ville's inequality alone (reject at S ≥ 20) would hold for a likelihood ratio of whole sequences, and wastes much of a dozen
//! nights. Instead the probability that S ever reaches a level within the stated number of mornings is computed exactly, night by
//! night, and the largest over all trouble rates is taken (an exact curtailed sequential test, as in Jennison and Turnbull 1999,
//! *Group Sequential Methods*, ch. 12).

use super::special::ln_factorial;

/// Mornings on which the test may be looked at; more if there are already more nights with the remedy.
pub const MORNINGS: usize = 40;
/// Nights with the remedy before anything is said: three nights can be luck, and a test that may speak after one has less to say later.
pub const FIRST: usize = 4;
/// Nights with the remedy from which S counts in full. Whoever may speak at each of the first nights as freely as later pays for it with a
/// higher level for all: a dozen nights then say less, and nights just after a bad run are the ones that deceive.
const FULL: usize = 12;
/// Ratios of odds over which the likelihood ratio is averaged.
const ODDS: [f64; 3] = [1.0 / 3.0, 1.0 / 10.0, 1.0 / 30.0];
/// Trouble rates over which the worst case is taken.
const RATES: usize = 24;

/// Which change is looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Fewer trouble nights with the remedy.
    Fewer,
    /// More.
    More,
}

/// Nights without the remedy, and those with trouble among them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Before {
    /// Nights.
    pub nights: usize,
    /// With trouble.
    pub trouble: usize,
}

/// The answer after the last night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnyTime {
    /// Largest S on any morning so far, as it counts.
    pub largest: f64,
    /// Level that S must reach: the chance of ever doing so is at most `alpha` if nothing changed.
    pub asked: f64,
    /// Chance that S ever gets as large as it did, if nothing changed.
    pub p: f64,
    /// Quiet nights still needed until S reaches the level; 0 if it has; none if more than [`MORNINGS`] nights would not do.
    pub needed: Option<usize>,
}

/// Table of S for fixed `before.nights`: index k0, then n1, then k1.
struct Table {
    nights: usize,
    most: usize,
    s: Vec<f64>,
}

impl Table {
    fn new(nights: usize, most: usize, change: Change) -> Table {
        let facts: Vec<f64> = (0..=(nights + most) as u64).map(ln_factorial).collect();
        let choose = |n: usize, k: usize| facts[n] - facts[k] - facts[n - k];
        let mut s = vec![0.0; (nights + 1) * (most + 1) * (most + 1)];
        let odds: Vec<f64> = ODDS.iter().map(|o| if change == Change::Fewer { o.ln() } else { -o.ln() }).collect();
        for n1 in 1..=most {
            for k in 0..=nights + n1 {
                let (low, high) = (k.saturating_sub(nights), k.min(n1));
                let all = choose(nights + n1, k);
                let chance: Vec<f64> =
                    (low..=high).map(|x| (choose(n1, x) + choose(nights, k - x) - all).exp()).collect();
                let norm: Vec<f64> = odds
                    .iter()
                    .map(|o| chance.iter().zip(low..).map(|(c, x)| c * (o * x as f64).exp()).sum())
                    .collect();
                for k1 in low..=high {
                    let sum: f64 = odds.iter().zip(&norm).map(|(o, n)| (o * k1 as f64).exp() / n).sum();
                    s[((k - k1) * (most + 1) + n1) * (most + 1) + k1] = sum / odds.len() as f64;
                }
            }
        }
        Table { nights, most, s }
    }

    fn ratio(&self, k0: usize, n1: usize, k1: usize) -> f64 {
        self.s[(k0 * (self.most + 1) + n1) * (self.most + 1) + k1]
    }

    /// S as it counts on that morning.
    fn at(&self, k0: usize, n1: usize, k1: usize) -> f64 {
        self.ratio(k0, n1, k1) * (n1 as f64 / FULL as f64).min(1.0)
    }

    /// Largest chance, over trouble rates, that S ever reaches `level` within the mornings.
    fn ever(&self, level: f64) -> f64 {
        let level = level * (1.0 - 1e-9);
        (1..=RATES).map(|i| self.ever_at(level, i as f64 / (RATES + 1) as f64)).fold(0.0, f64::max)
    }

    fn ever_at(&self, level: f64, p: f64) -> f64 {
        let mut total = 0.0;
        let mut alive = vec![0.0; self.most + 2];
        for k0 in 0..=self.nights {
            let weight = super::special::binomial_pmf(k0 as u64, self.nights as u64, p);
            if weight < 1e-7 {
                continue;
            }
            alive.fill(0.0);
            alive[0] = 1.0;
            let mut crossed = 0.0;
            for n1 in 1..=self.most {
                for k1 in (0..=n1).rev() {
                    let stay = alive[k1] * (1.0 - p) + if k1 > 0 { alive[k1 - 1] * p } else { 0.0 };
                    if n1 >= FIRST && self.at(k0, n1, k1) >= level {
                        crossed += stay;
                        alive[k1] = 0.0;
                    } else {
                        alive[k1] = stay;
                    }
                }
            }
            total += weight * crossed;
        }
        total
    }

    /// Smallest level that is reached with probability at most `alpha`.
    fn asked(&self, alpha: f64) -> f64 {
        let (mut low, mut high) = (1.0f64, 1.0 / alpha * 4.0);
        for _ in 0..11 {
            let mid = (low * high).sqrt();
            if self.ever(mid) <= alpha { high = mid } else { low = mid }
        }
        high
    }
}

/// Judges nights with the remedy, in order, against the nights before, at the level `alpha`. Without nights before nothing is known: p
/// is 1.
pub fn judge(before: Before, with: &[bool], change: Change, alpha: f64) -> AnyTime {
    if before.nights == 0 || before.trouble > before.nights {
        return AnyTime { largest: 0.0, asked: f64::INFINITY, p: 1.0, needed: None };
    }
    let most = MORNINGS.max(with.len());
    let table = Table::new(before.nights, most, change);
    let mut largest = 0.0f64;
    let mut k1 = 0;
    for (i, t) in with.iter().enumerate() {
        k1 += usize::from(*t);
        if i + 1 >= FIRST {
            largest = largest.max(table.at(before.trouble, i + 1, k1));
        }
    }
    let final_best =
        (FIRST.max(with.len() + 1)..=most).map(|n| table.at(before.trouble, n, k1)).fold(largest, f64::max);
    // What stays below 1 whatever comes was never evidence; the search for the level is spared.
    if final_best <= 1.0 {
        return AnyTime { largest, asked: f64::INFINITY, p: 1.0, needed: None };
    }
    let asked = table.asked(alpha);
    let p = if largest > 0.0 { table.ever(largest) } else { 1.0 };
    let needed = if largest >= asked {
        Some(0)
    } else {
        (FIRST.max(with.len() + 1)..=most).find(|&n| table.at(before.trouble, n, k1) >= asked).map(|n| n - with.len())
    };
    AnyTime { largest, asked, p, needed }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::draw::Draw;

    #[test]
    fn looking_every_morning_keeps_the_level() {
        // Simulated apart from the sums above.
        let mut d = Draw::new(3);
        let table = Table::new(10, MORNINGS, Change::Fewer);
        let asked = table.asked(0.05);
        for p in [0.3, 0.6, 0.8] {
            let n = 4000;
            let mut reached = 0;
            for _ in 0..n {
                let k0 = (0..10).filter(|_| d.chance(p)).count();
                let mut k1 = 0;
                reached += usize::from((1..=MORNINGS).any(|t| {
                    k1 += usize::from(d.chance(p));
                    t >= FIRST && table.at(k0, t, k1) >= asked
                }));
            }
            let share = reached as f64 / f64::from(n);
            assert!(share <= 0.05 + 3.0 * (0.05 * 0.95 / f64::from(n)).sqrt(), "{p}: {share}");
        }
    }

    #[test]
    fn the_ratio_has_mean_one_given_the_margins() {
        let t = Table::new(6, 8, Change::Fewer);
        let (n1, k) = (5, 4);
        let c = |n: u64, k: u64| (ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k)).exp();
        let mean: f64 =
            (0..=4u64).map(|x| c(5, x) * c(6, 4 - x) / c(11, 4) * t.ratio(k - x as usize, n1, x as usize)).sum();
        assert!((mean - 1.0).abs() < 1e-12, "{mean}");
    }

    #[test]
    fn quiet_nights_after_many_bad_ones_are_enough_at_last() {
        let b = Before { nights: 10, trouble: 8 };
        let one = judge(b, &[false], Change::Fewer, 0.05);
        assert!(one.p > 0.05 && one.needed.is_some_and(|n| (2..9).contains(&n)), "{one:?}");
        let need = one.needed.unwrap() + 1;
        let done = judge(b, &vec![false; need], Change::Fewer, 0.05);
        assert!(done.p <= 0.05 && done.needed == Some(0), "{done:?}");
        // One trouble night among many does not undo it, and the other way round nothing is claimed.
        assert!(judge(b, &vec![false; need], Change::More, 0.05).p > 0.5);
        assert_eq!(judge(Before { nights: 0, trouble: 0 }, &[false; 9], Change::Fewer, 0.05).p, 1.0);
        // With hardly any trouble before even many quiet nights say nothing.
        assert_eq!(judge(Before { nights: 10, trouble: 1 }, &[], Change::Fewer, 0.05).needed, None);
    }

    #[test]
    fn more_trouble_is_found_by_the_same_test_turned_round() {
        let b = Before { nights: 12, trouble: 1 };
        assert!(judge(b, &[true; 6], Change::More, 0.05).p <= 0.05);
    }
}
