//! Correction for having searched: step-down over many tests that share their permutations.
//!
//! Westfall and Young 1993, *Resampling-Based Multiple Testing*, algorithm 2.8, with T = −ln p of each test by its own
//! permutation distribution, so that tests on different scales weigh alike. Tests that move together cost little: the same
//! permutations serve all.

/// For one test: the share of arrangements (itself among them) whose statistic is at least as large as that of each arrangement.
/// Large is extreme; statistics that differ by rounding only are equal.
pub fn ranks(statistic: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..statistic.len()).collect();
    order.sort_by(|&a, &b| statistic[b].total_cmp(&statistic[a]));
    let mut out = vec![1.0; statistic.len()];
    let mut i = 0;
    while i < order.len() {
        let top = statistic[order[i]];
        let mut j = i + 1;
        while j < order.len() && top - statistic[order[j]] <= 1e-9 * top.abs().max(1.0) {
            j += 1;
        }
        for &k in &order[i..j] {
            out[k] = j as f64 / statistic.len() as f64;
        }
        i = j;
    }
    out
}

/// Corrected p of each test. `p[t][b]`: p of test `t` in arrangement `b`, where 0 is the observed one; all tests have the same
/// number of arrangements.
pub fn step_down(p: &[Vec<f64>]) -> Vec<f64> {
    let Some(count) = p.first().map(Vec::len).filter(|&n| n > 0) else { return vec![1.0; p.len()] };
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a][0].total_cmp(&p[b][0]));
    // From the weakest to the strongest: the smallest p among this test and all weaker ones.
    let mut least = vec![f64::INFINITY; count];
    let mut raw = vec![1.0; p.len()];
    for &t in order.iter().rev() {
        for (m, x) in least.iter_mut().zip(&p[t]) {
            *m = m.min(*x);
        }
        raw[t] = least.iter().filter(|m| **m <= p[t][0] + 1e-12).count() as f64 / count as f64;
    }
    let mut so_far = 0.0f64;
    for &t in &order {
        so_far = so_far.max(raw[t]);
        raw[t] = so_far;
    }
    raw
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_count_ties_as_equally_extreme() {
        assert_eq!(ranks(&[3.0, 1.0, 3.0 - 1e-12, 2.0]), [0.5, 1.0, 0.5, 0.75]);
        assert!(ranks(&[]).is_empty());
    }

    #[test]
    fn one_test_is_not_corrected_and_copies_cost_nothing() {
        let p = ranks(&[5.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(step_down(std::slice::from_ref(&p)), [0.2]);
        assert_eq!(step_down(&[p.clone(), p.clone(), p]), [0.2, 0.2, 0.2]);
    }

    #[test]
    fn by_hand() {
        // Two tests over four arrangements. Test 0: p 0.25 observed. Test 1: p 0.5 observed.
        let p = [vec![0.25, 0.5, 0.75, 1.0], vec![0.5, 1.0, 0.25, 0.75]];
        // Smallest of both: 0.25, 0.5, 0.25, 0.75: two of four reach 0.25. Test 1 alone: 0.5 is reached by two of four.
        assert_eq!(step_down(&p), [0.5, 0.5]);
    }
}
