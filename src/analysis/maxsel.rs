//! Exact probability of the best cut between trouble and quiet nights, by counting lattice paths.
//!
//! For nights that are alike but for one figure x, each with trouble or without: of the m nights with the smallest x, S have
//! trouble; z = (S − mK/N) / √(m (N − m) K (N − K) / (N² (N − 1))); the statistic is the largest |z| over all cuts. Sources:
//! Miller and Siegmund 1982, Biometrics 38:1011–1016; Lausen and Schumacher 1992, Biometrics 48:73–85; Hothorn and Lausen
//! 2003, Comput. Stat. Data Anal. 43:121–137. Ties of the statistic count as equally extreme.

use super::error::{self, AnalysisError, Result};

/// One cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cut {
    /// Midway between the neighbouring values.
    pub at: f64,
    /// Nights below.
    pub below: usize,
    /// Trouble nights below.
    pub trouble_below: usize,
    /// Standardised excess of trouble below.
    pub z: f64,
}

/// The best cut and its probability.
#[derive(Clone, Debug, PartialEq)]
pub struct BestCut {
    /// All cuts that were tried, growing.
    pub cuts: Vec<Cut>,
    /// Largest |z|.
    pub largest: f64,
    /// The cuts that reach it.
    pub best: Vec<f64>,
    /// Share of all placements of the trouble nights whose largest |z| is at least as large.
    pub p: f64,
    /// Largest z (trouble below), and the share of placements that reach it.
    pub largest_below: f64,
    /// See there.
    pub p_below: f64,
}

/// Tries every cut with at least `min_group` nights on either side.
///
/// # Errors
/// Unequal lengths, values that are not finite, fewer than two different values, or no night with or without trouble.
pub fn best_cut(x: &[f64], trouble: &[bool], min_group: usize) -> Result<BestCut> {
    error::same_length("figure and outcome", x, trouble)?;
    error::finite("the figure of the night", x)?;
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|&a, &b| x[a].total_cmp(&x[b]));
    let (n, k) = (x.len(), trouble.iter().filter(|t| **t).count());
    if k == 0 || k == n {
        return Err(AnalysisError::Undetermined {
            what: "the best cut",
            why: "all nights had the same outcome; wait for nights with and without trouble",
        });
    }
    let mut cuts = Vec::new();
    let mut s = 0;
    for m in 1..n {
        s += usize::from(trouble[order[m - 1]]);
        let (a, b) = (x[order[m - 1]], x[order[m]]);
        if b > a && m >= min_group && n - m >= min_group {
            cuts.push(Cut { at: a + (b - a) / 2.0, below: m, trouble_below: s, z: z(s, m, k, n) });
        }
    }
    if cuts.is_empty() {
        return Err(AnalysisError::Undetermined {
            what: "the best cut",
            why: "the figure hardly differed between nights; wait for nights that differ",
        });
    }
    let largest = cuts.iter().map(|c| c.z.abs()).fold(0.0, f64::max);
    let largest_below = cuts.iter().map(|c| c.z).fold(f64::NEG_INFINITY, f64::max);
    let best = cuts.iter().filter(|c| reaches(c.z.abs(), largest)).map(|c| c.at).collect();
    let at: Vec<usize> = cuts.iter().map(|c| c.below).collect();
    let p = first_passage(&at, k, n, |z| reaches(z.abs(), largest));
    let p_below = first_passage(&at, k, n, |z| reaches(z, largest_below));
    Ok(BestCut { cuts, largest, best, p, largest_below, p_below })
}

/// At least as large, rounding aside.
fn reaches(z: f64, limit: f64) -> bool {
    z >= limit - 1e-9 * limit.abs().max(1.0)
}

fn z(s: usize, m: usize, k: usize, n: usize) -> f64 {
    let (s, m, k, n) = (s as f64, m as f64, k as f64, n as f64);
    (s - m * k / n) / (m * (n - m) * k * (n - k) / (n * n * (n - 1.0))).sqrt()
}

/// Probability that a random placement of `k` of `n` meets the condition at one of the cuts: summed over the first cut
/// where it does, so that small probabilities keep their digits.
fn first_passage(at: &[usize], k: usize, n: usize, meets: impl Fn(f64) -> bool) -> f64 {
    let mut alive = vec![0.0; k + 1];
    alive[0] = 1.0;
    let mut p = 0.0;
    let mut cut = at.iter().peekable();
    for i in 0..n {
        // The next night has trouble with the share of trouble nights among those that are left.
        let mut next = vec![0.0; k + 1];
        for s in 0..=k.min(i) {
            let left = (n - i) as f64;
            let chance = (k - s) as f64 / left;
            next[s] += alive[s] * (1.0 - chance);
            if s < k {
                next[s + 1] += alive[s] * chance;
            }
        }
        alive = next;
        if cut.peek() == Some(&&(i + 1)) {
            cut.next();
            for (s, a) in alive.iter_mut().enumerate().take(k.min(i + 1) + 1) {
                if meets(z(s, i + 1, k, n)) {
                    p += *a;
                    *a = 0.0;
                }
            }
        }
    }
    p.min(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_outcome_or_one_value_is_said() {
        assert!(best_cut(&[1.0, 2.0], &[true, true], 1).is_err());
        assert!(best_cut(&[1.0, 1.0], &[true, false], 1).is_err());
        assert!(best_cut(&[1.0, f64::NAN], &[true, false], 1).is_err());
    }

    #[test]
    fn two_nights_tell_nothing() {
        assert_eq!(best_cut(&[1.0, 2.0], &[true, false], 1).unwrap().p, 1.0);
    }
}
