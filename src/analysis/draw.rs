//! Random numbers for permutations, resampling and invented nights.
//!
//! Every stream is named by a seed and a number, so that work may be spread over threads in any order and still gives
//! the same answer. Not for secrets.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Draw(Xoshiro256PlusPlus);

impl Draw {
    /// The stream with this seed.
    pub fn new(seed: u64) -> Draw {
        Draw(Xoshiro256PlusPlus::seed_from_u64(seed))
    }

    /// The `n`th stream of a seed. Seeds are spread with the finaliser of SplitMix64 (Steele, Lea and Flood 2014), so that
    /// neighbouring numbers give unrelated streams.
    pub fn stream(seed: u64, n: u64) -> Draw {
        let mut z = seed.wrapping_add(n.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        Draw::new(z ^ (z >> 31))
    }

    /// Uniform on 0 to 1, 1 excluded.
    pub fn unit(&mut self) -> f64 {
        self.0.random::<f64>()
    }

    /// Uniform between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number below `n`; 0 for `n` of 0.
    pub fn below(&mut self, n: usize) -> usize {
        // 53 random bits: the bias is below 1e-12 for any number of nights.
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// Exponential with mean 1.
    pub fn exponential(&mut self) -> f64 {
        -(1.0 - self.unit()).ln()
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let r = (2.0 * self.exponential()).sqrt();
        r * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// Poisson with mean `m` (counting exponential waiting times; meant for small means).
    pub fn poisson(&mut self, m: f64) -> usize {
        let (mut t, mut n) = (self.exponential(), 0);
        while t < m {
            n += 1;
            t += self.exponential();
        }
        n
    }

    /// Puts a list into random order (Fisher and Yates; Durstenfeld 1964).
    pub fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            list.swap(i, self.below(i + 1));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_right_and_streams_differ() {
        let mut d = Draw::stream(7, 0);
        let n = 200_000;
        let (mut s, mut q, mut e, mut p) = (0.0, 0.0, 0.0, 0.0);
        for _ in 0..n {
            let x = d.normal();
            (s, q) = (s + x, q + x * x);
            e += d.exponential();
            p += d.poisson(1.7) as f64;
        }
        let n = f64::from(n);
        assert!((s / n).abs() < 0.01 && (q / n - 1.0).abs() < 0.02 && (e / n - 1.0).abs() < 0.01);
        assert!((p / n - 1.7).abs() < 0.02);
        assert_ne!(Draw::stream(7, 1).unit(), Draw::stream(7, 2).unit());
        assert_eq!(Draw::stream(7, 1).unit(), Draw::stream(7, 1).unit());
    }

    #[test]
    fn every_order_is_equally_likely() {
        let mut seen = std::collections::BTreeMap::new();
        let mut d = Draw::new(1);
        for _ in 0..24_000 {
            let mut v = [0, 1, 2, 3];
            d.shuffle(&mut v);
            *seen.entry(v).or_insert(0) += 1;
        }
        assert_eq!(seen.len(), 24);
        // 1000 expected each, standard deviation 31.
        assert!(seen.values().all(|&c: &i32| (850..1150).contains(&c)));
    }
}
