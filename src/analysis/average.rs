//! The likelihood ratio of a scan, averaged over thresholds and ratios of rates; [`super::scan`] says what it means.

/// Ratios of rates over which is averaged.
const RATIOS: [f64; 3] = [4.0, 8.0, 16.0];
/// Up to so many faults powers of whole numbers stay in range (16²⁰⁰ is about 10²⁴¹), and they are quick.
const WHOLE: usize = 200;

/// Averages one arrangement after another. Holds what they share.
pub(super) struct Average {
    /// Weight of the lower and of the upper side.
    weights: [f64; 2],
    /// For each ratio, its powers from 0 to [`WHOLE`].
    powers: Vec<Vec<f64>>,
    /// Room for one row: faults and share of the hours on one side of each threshold that has hours on both.
    here: Vec<(f64, f64)>,
    /// Room for what is raised to the number of faults, and for the power.
    base: Vec<f64>,
    raised: Vec<f64>,
}

impl Average {
    /// With these weights of the lower and the upper side.
    pub(super) fn new((below, above): (f64, f64)) -> Average {
        let powers = RATIOS.iter().map(|r| (0..=WHOLE as i32).map(|n| r.powi(n)).collect()).collect();
        Average { weights: [below, above], powers, here: Vec::new(), base: Vec::new(), raised: Vec::new() }
    }

    /// Logarithm of the average, from the counts and the expected counts below each threshold, of `total` faults.
    pub(super) fn of(&mut self, below: &[f64], expected: &[f64], total: f64) -> f64 {
        if below.is_empty() || total <= 0.0 {
            return 0.0;
        }
        let mut sum = 0.0;
        for (side, weight) in self.weights.into_iter().enumerate().filter(|(_, w)| *w > 0.0) {
            let rows = below.iter().zip(expected).map(|(n, e)| {
                let share = e / total;
                if side == 0 { (*n, share) } else { (total - n, 1.0 - share) }
            });
            self.here.clear();
            self.here.extend(rows.filter(|(_, share)| *share > 0.0 && *share < 1.0));
            // A threshold with all hours on one side says nothing: its ratio is 1.
            let silent = (RATIOS.len() * (below.len() - self.here.len())) as f64;
            let ratios = if total <= WHOLE as f64 { self.whole(total) } else { self.by_logarithms(total) };
            sum += weight * (silent + ratios);
        }
        (sum / (RATIOS.len() * below.len()) as f64).ln()
    }

    /// Sum of the likelihood ratios of the row.
    fn whole(&mut self, total: f64) -> f64 {
        let mut sum = 0.0;
        for (ratio, powers) in RATIOS.iter().zip(&self.powers) {
            self.base.clear();
            self.base.extend(self.here.iter().map(|(_, share)| 1.0 + (ratio - 1.0) * share));
            raise(&mut self.base, &mut self.raised, total as u32);
            sum += self.here.iter().zip(&self.raised).map(|((n, _), all)| powers[*n as usize] / all).sum::<f64>();
        }
        sum
    }

    /// The same for any number of faults.
    fn by_logarithms(&self, total: f64) -> f64 {
        let one = |ratio: f64, &(n, share): &(f64, f64)| {
            (n * ratio.ln() - total * (1.0 + (ratio - 1.0) * share).ln()).min(600.0).exp()
        };
        RATIOS.iter().map(|r| self.here.iter().map(|row| one(*r, row)).sum::<f64>()).sum()
    }
}

/// All of `base` to the power of `k`, by repeated squaring of the whole row; `base` is used up.
fn raise(base: &mut [f64], out: &mut Vec<f64>, mut k: u32) {
    out.clear();
    out.resize(base.len(), 1.0);
    while k > 0 {
        if k & 1 == 1 {
            for (o, b) in out.iter_mut().zip(base.iter()) {
                *o *= b;
            }
        }
        k >>= 1;
        if k > 0 {
            for b in base.iter_mut() {
                *b *= *b;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn powers_by_squaring() {
        let mut out = Vec::new();
        for k in [0, 1, 2, 13, 200] {
            raise(&mut [1.0, 1.5, 3.0], &mut out, k);
            for (o, b) in out.iter().zip([1.0, 1.5f64, 3.0]) {
                assert!((o / b.powi(k as i32) - 1.0).abs() < 1e-12, "{b}^{k}: {o}");
            }
        }
    }

    /// By hand, one threshold: 3 of 4 faults below it, with a quarter of the hours.
    #[test]
    fn one_threshold_by_hand() {
        let ratio = |r: f64, n: i32, share: f64| r.powi(n) / (1.0 + (r - 1.0) * share).powi(4);
        let below: f64 = RATIOS.iter().map(|r| ratio(*r, 3, 0.25)).sum::<f64>() / 3.0;
        let above: f64 = RATIOS.iter().map(|r| ratio(*r, 1, 0.75)).sum::<f64>() / 3.0;
        let of = |weights| Average::new(weights).of(&[3.0], &[1.0], 4.0).exp();
        assert!((of((1.0, 0.0)) - below).abs() < 1e-12);
        assert!((of((0.0, 1.0)) - above).abs() < 1e-12);
        assert!((of((0.75, 0.25)) - (0.75 * below + 0.25 * above)).abs() < 1e-12);
    }

    #[test]
    fn many_faults_are_averaged_alike() {
        // On either side of the number from which logarithms are taken; 90 faults below the threshold, with a quarter of the hours.
        for k in [200.0, 201.0] {
            let log = |r: f64| 90.0 * r.ln() - k * (1.0 + (r - 1.0) * 0.25).ln();
            let by_hand = (RATIOS.iter().map(|r| log(*r).exp()).sum::<f64>() / 3.0).ln();
            let got = Average::new((1.0, 0.0)).of(&[90.0], &[0.25 * k], k);
            assert!((got - by_hand).abs() < 1e-9, "{k}: {got} {by_hand}");
        }
    }

    #[test]
    fn thresholds_with_all_hours_on_one_side_and_no_faults_say_nothing() {
        let mut a = Average::new((0.5, 0.5));
        assert_eq!(a.of(&[0.0, 2.0], &[0.0, 2.0], 2.0), 0.0);
        assert_eq!(a.of(&[], &[], 2.0), 0.0);
        assert_eq!(a.of(&[0.0], &[0.0], 0.0), 0.0);
    }
}
