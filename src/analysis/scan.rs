//! The scan over all thresholds of one signal: how far do the faults beyond a threshold exceed their share of the at-risk hours?
//!
//! For a threshold with n of K faults beyond it, of which the at-risk hours there would let us expect E, a rate that is ρ
//! times higher beyond has the likelihood ratio ρⁿ / (1 + (ρ − 1) E/K)^K, faults and hours taken as they are and the total
//! given (Poisson, conditional on the total; Przyborowski and Wilenski 1940). Expected counts are summed over strata, each
//! with its own rate (as in Kulldorff 1997, Commun. Stat. Theory Methods 26:1481–1496). Three figures come of it:
//!
//! - the largest, over thresholds and ρ: it names the best threshold (maximally selected likelihood ratio);
//! - the averaged, over thresholds and ρ of 4, 8 and 16: it tests (Andrews and Ploberger 1994, Econometrica 62:1383–1414: of
//!   tests with a threshold that exists only under the alternative, the averaged ratio has the best average power);
//! - the standardised, for signals with one value a night: the largest |n − E| in units of its own permutation spread
//!   (Hothorn and Lausen 2003, Comput. Stat. Data Anal. 43:121–137). With equal nights and at most one fault a night it is the
//!   statistic of Miller and Siegmund 1982.

use super::average::Average;
use super::permute::{Arrangement, Plan, Records};

/// Which side of a threshold can be the bad one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Small values.
    Below,
    /// Large values.
    Above,
    /// Either, but small values are three times as likely to be the bad ones. Only the averaged statistic knows the difference.
    RatherBelow,
    /// Either.
    Both,
}

impl Side {
    /// Weight of either side in the average.
    fn weights(self) -> (f64, f64) {
        match self {
            Side::Below => (1.0, 0.0),
            Side::Above => (0.0, 1.0),
            Side::RatherBelow => (0.75, 0.25),
            Side::Both => (0.5, 0.5),
        }
    }
}

/// How faults are laid anew for a signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Laying {
    /// Nights change places.
    Moved,
    /// Faults are dealt out to the hours of their stratum (for what is the same every night).
    Dealt,
}

/// One signal, prepared for the scan.
#[derive(Clone, Debug)]
pub struct Trace {
    /// Candidate thresholds, growing. A value is below a threshold when it is smaller.
    pub cuts: Vec<f64>,
    /// For each slice, the number of thresholds that are not above its value; [`UNKNOWN`] where it has none.
    bin: Vec<u16>,
    /// For each night and threshold (night by night): share of the night's at-risk hours below the threshold.
    below: Vec<f64>,
    /// For each night: share of its at-risk hours with a known value.
    known: Vec<f64>,
    /// One value a night.
    pub constant: bool,
    /// The bad side.
    pub side: Side,
    /// How faults are laid anew.
    pub laying: Laying,
}

const UNKNOWN: u16 = u16::MAX;

/// Counts and expected counts below each threshold, for one arrangement and one set of faults.
struct Row<'a> {
    below: &'a [f64],
    expected: &'a [f64],
    total: f64,
}

impl Trace {
    /// Prepares a signal from its value in each slice (not a number: unknown), with at most `max_cuts` thresholds that leave
    /// at least `min_share` of the known hours on either side.
    pub fn new(
        records: &Records,
        values: &[f64],
        max_cuts: usize,
        min_share: f64,
        side: Side,
        laying: Laying,
    ) -> Trace {
        Trace::with_cuts(records, values, cuts(records, values, max_cuts, min_share), side, laying)
    }

    /// The same with stated thresholds.
    pub fn with_cuts(records: &Records, values: &[f64], cuts: Vec<f64>, side: Side, laying: Laying) -> Trace {
        let bin: Vec<u16> = values
            .iter()
            .map(|v| if v.is_finite() { cuts.partition_point(|c| c <= v) as u16 } else { UNKNOWN })
            .collect();
        let n = records.nights();
        let mut below = vec![0.0; n * cuts.len()];
        let mut known = vec![0.0; n];
        for j in 0..n {
            let row = &mut below[j * cuts.len()..(j + 1) * cuts.len()];
            let slices = records.first_slice[j]..records.first_slice[j + 1];
            for (&place, &hours) in bin[slices.clone()].iter().zip(&records.slice_hours[slices]) {
                if place != UNKNOWN && records.hours[j] > 0.0 {
                    let share = hours / records.hours[j];
                    known[j] += share;
                    if let Some(x) = row.get_mut(place as usize) {
                        *x += share;
                    }
                }
            }
            let mut sum = 0.0;
            for x in row {
                sum += *x;
                *x = sum;
            }
        }
        Trace { cuts, bin, below, known, constant: constant(records, values), side, laying }
    }

    /// Averaged statistic (logarithm) of each set of faults (outer) in each arrangement (inner). `sets[k][f]`: whether fault
    /// `f` belongs to set `k`.
    pub fn averaged(&self, r: &Records, plan: &Plan, all: &[Arrangement], sets: &[Vec<bool>]) -> Vec<Vec<f64>> {
        let mut out: Vec<Vec<f64>> = sets.iter().map(|_| Vec::with_capacity(all.len())).collect();
        let mut average = Average::new(self.side.weights());
        self.rows(r, plan, all, sets, |set, row| out[set].push(average.of(row.below, row.expected, row.total)));
        out
    }

    /// Largest log likelihood ratio, laid out alike.
    pub fn largest(&self, r: &Records, plan: &Plan, all: &[Arrangement], sets: &[Vec<bool>]) -> Vec<Vec<f64>> {
        let mut out: Vec<Vec<f64>> = sets.iter().map(|_| Vec::with_capacity(all.len())).collect();
        self.rows(r, plan, all, sets, |set, row| {
            out[set].push((0..self.cuts.len()).map(|i| self.ratio(&row, i)).fold(0.0, f64::max));
        });
        out
    }

    /// Log likelihood ratio at each threshold, 0 on the good side, of one arrangement and one set.
    pub fn profile(&self, r: &Records, plan: &Plan, one: &Arrangement, set: &[bool]) -> Vec<f64> {
        let mut out = Vec::new();
        self.rows(r, plan, std::slice::from_ref(one), &[set.to_vec()], |_, row| {
            out = (0..self.cuts.len()).map(|i| self.ratio(&row, i)).collect();
        });
        out
    }

    /// Excess n − E at each threshold of every arrangement, row after row, for one set.
    pub fn excess(&self, r: &Records, plan: &Plan, all: &[Arrangement], set: &[bool]) -> Vec<f64> {
        let mut out = Vec::with_capacity(all.len() * self.cuts.len());
        self.rows(r, plan, all, &[set.to_vec()], |_, row| {
            out.extend(row.below.iter().zip(row.expected).map(|(n, e)| n - e));
        });
        out
    }

    /// Largest excess of each row in units of `spread`, on the bad side only.
    pub fn standardised(&self, excess: &[f64], spread: &[f64]) -> Vec<f64> {
        excess
            .chunks(self.cuts.len().max(1))
            .map(|row| {
                let mut best = 0.0f64;
                for (u, s) in row.iter().zip(spread) {
                    if *s > 0.0 {
                        let z = u / s;
                        best = best.max(match self.side {
                            Side::Below => z,
                            Side::Above => -z,
                            Side::Both | Side::RatherBelow => z.abs(),
                        });
                    }
                }
                best
            })
            .collect()
    }

    /// Permutation spread of the excess at each threshold.
    pub fn spread(&self, excess: &[f64]) -> Vec<f64> {
        let c = self.cuts.len();
        let rows = excess.len().checked_div(c).unwrap_or(0);
        (0..c)
            .map(|i| {
                let m = (0..rows).map(|p| excess[p * c + i]).sum::<f64>() / rows as f64;
                let v = (0..rows).map(|p| (excess[p * c + i] - m).powi(2)).sum::<f64>() / rows as f64;
                if v > 1e-12 { v.sqrt() } else { 0.0 }
            })
            .collect()
    }

    fn rows(
        &self,
        r: &Records,
        plan: &Plan,
        all: &[Arrangement],
        sets: &[Vec<bool>],
        mut take: impl FnMut(usize, Row<'_>),
    ) {
        let c = self.cuts.len();
        let strata = plan.strata.iter().max().map_or(0, |m| m + 1);
        let night = r.night_of_slice();
        let mut hours = vec![0f64; strata * c];
        let mut known = vec![0f64; strata];
        let mut below = vec![0f64; sets.len() * (c + 1)];
        let mut k = vec![0f64; sets.len() * strata];
        let mut expected = vec![0f64; c];
        for a in all {
            hours.fill(0.0);
            known.fill(0.0);
            below.fill(0.0);
            k.fill(0.0);
            for j in 0..r.nights() {
                let carried = if self.laying == Laying::Moved { a.record[j] as usize } else { j };
                let h = r.hours[carried] * plan.rate[j];
                let s = plan.strata[j];
                known[s] += h * self.known[j];
                for (x, b) in hours[s * c..(s + 1) * c].iter_mut().zip(&self.below[j * c..(j + 1) * c]) {
                    *x += h * b;
                }
            }
            let slices = if self.laying == Laying::Moved { &a.moved } else { &a.dealt };
            for (f, &slice) in slices.iter().enumerate() {
                let Some(&b) = self.bin.get(slice as usize) else { continue };
                if b == UNKNOWN {
                    continue;
                }
                let s = plan.strata[night[slice as usize] as usize];
                for (q, set) in sets.iter().enumerate() {
                    if set[f] {
                        below[q * (c + 1) + b as usize] += 1.0;
                        k[q * strata + s] += 1.0;
                    }
                }
            }
            for q in 0..sets.len() {
                expected.fill(0.0);
                for s in 0..strata {
                    if known[s] > 0.0 && k[q * strata + s] > 0.0 {
                        let w = k[q * strata + s] / known[s];
                        for (x, h) in expected.iter_mut().zip(&hours[s * c..(s + 1) * c]) {
                            *x += w * h;
                        }
                    }
                }
                let total: f64 = k[q * strata..(q + 1) * strata].iter().sum();
                let row = &mut below[q * (c + 1)..q * (c + 1) + c];
                let mut sum = 0.0;
                for x in row.iter_mut() {
                    sum += *x;
                    *x = sum;
                }
                take(q, Row { below: row, expected: &expected, total });
            }
        }
    }

    fn ratio(&self, row: &Row<'_>, i: usize) -> f64 {
        let (n, e, k) = (row.below[i], row.expected[i], row.total);
        let bad = match self.side {
            Side::Below => n > e,
            Side::Above => n < e,
            Side::Both | Side::RatherBelow => true,
        };
        if bad { log_ratio(n, e, k) } else { 0.0 }
    }
}

/// Whether each night has one value: its values differ by less than a fiftieth of the spread between nights.
fn constant(r: &Records, values: &[f64]) -> bool {
    let mut means = Vec::new();
    let mut widest = 0.0f64;
    for w in r.first_slice.windows(2) {
        let known: Vec<f64> = values[w[0]..w[1]].iter().copied().filter(|v| v.is_finite()).collect();
        if known.is_empty() {
            continue;
        }
        let (lo, hi) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |a, &v| (a.0.min(v), a.1.max(v)));
        widest = widest.max(hi - lo);
        means.push(known.iter().sum::<f64>() / known.len() as f64);
    }
    let m = means.iter().sum::<f64>() / means.len().max(1) as f64;
    let spread = (means.iter().map(|x| (x - m).powi(2)).sum::<f64>() / means.len().max(1) as f64).sqrt();
    !means.is_empty() && widest <= 0.02 * spread
}

/// Candidate thresholds: midway between neighbouring values, thinned to equal steps of at-risk hours.
fn cuts(r: &Records, values: &[f64], max_cuts: usize, min_share: f64) -> Vec<f64> {
    let mut order: Vec<usize> =
        (0..values.len()).filter(|&i| values[i].is_finite() && r.slice_hours[i] > 0.0).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let all: f64 = order.iter().map(|&i| r.slice_hours[i]).sum();
    let mut mids: Vec<(f64, f64)> = Vec::new();
    let mut sum = 0.0;
    for w in order.windows(2) {
        sum += r.slice_hours[w[0]];
        let (a, b) = (values[w[0]], values[w[1]]);
        if b > a && sum >= min_share * all && all - sum >= min_share * all {
            mids.push((a + (b - a) / 2.0, sum / all));
        }
    }
    if mids.len() <= max_cuts.max(2) {
        return mids.into_iter().map(|m| m.0).collect();
    }
    let (lo, hi) = (mids[0].1, mids[mids.len() - 1].1);
    let mut out: Vec<f64> = Vec::new();
    for k in 0..max_cuts {
        let want = lo + (hi - lo) * k as f64 / (max_cuts - 1) as f64;
        let i = mids.partition_point(|m| m.1 < want - 1e-12).min(mids.len() - 1);
        if out.last() != Some(&mids[i].0) {
            out.push(mids[i].0);
        }
    }
    out
}

/// Poisson log likelihood ratio of `inside` faults where `expected` were, of `all`: 0 where nothing can be said.
pub fn log_ratio(inside: f64, expected: f64, all: f64) -> f64 {
    if all <= 0.0 || expected <= 0.0 || expected >= all {
        return 0.0;
    }
    let x = |a: f64, b: f64| if a > 0.0 { a * (a / b).ln() } else { 0.0 };
    (x(inside, expected) + x(all - inside, all - expected)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight nights of two hours, colder and colder within each; faults in the coldest hours of the last three.
    fn cold() -> (Records, Vec<f64>) {
        let r = Records {
            hours: vec![2.0; 8],
            slice_hours: vec![1.0; 16],
            first_slice: (0..=8).map(|i| 2 * i).collect(),
            faults: vec![(5, 11), (6, 13), (7, 15)],
        };
        let v = (0..8).flat_map(|i| [10.0 - f64::from(i), 4.0 - f64::from(i)]).collect();
        (r, v)
    }

    fn plan(n: usize) -> Plan {
        Plan { strata: vec![0; n], rate: vec![1.0; n] }
    }

    #[test]
    fn the_ratio_counts_faults_against_their_share_of_hours() {
        let (r, v) = cold();
        let t = Trace::with_cuts(&r, &v, vec![0.0], Side::Both, Laying::Moved);
        // Below 0: the second hours of nights 5, 6 and 7 (−1, −2, −3): 3 of 16 hours, and all 3 faults.
        let p = t.profile(&r, &plan(8), &r.observed(), &[true; 3]);
        assert!((p[0] - 3.0 * (3.0f64 / (3.0 * 3.0 / 16.0)).ln()).abs() < 1e-12);
        // On the other side only, nothing.
        let t = Trace::with_cuts(&r, &v, vec![0.0], Side::Above, Laying::Moved);
        assert_eq!(t.profile(&r, &plan(8), &r.observed(), &[true; 3]), [0.0]);
    }

    #[test]
    fn the_average_is_a_fair_bet_when_faults_fall_in_proportion_to_hours() {
        // Under "in proportion to hours" each likelihood ratio has mean 1, so the average of them too.
        let (r, v) = cold();
        let t = Trace::new(&r, &v, 40, 0.1, Side::Both, Laying::Dealt);
        let all = r.arrangements(&plan(8), 20_000, 2);
        let stat = t.averaged(&r, &plan(8), &all[1..], &[vec![true; 3]]);
        let mean = stat[0].iter().map(|x| x.exp()).sum::<f64>() / 20_000.0;
        assert!((mean - 1.0).abs() < 0.05, "{mean}");
    }

    #[test]
    fn strata_are_judged_by_their_own_rates() {
        let (r, v) = cold();
        // Nights 5 to 7 are a stratum of their own: there half of the hours lie below 1, and all faults.
        let p = Plan { strata: vec![0, 0, 0, 0, 0, 1, 1, 1], rate: vec![1.0; 8] };
        let t = Trace::with_cuts(&r, &v, vec![1.0], Side::Both, Laying::Moved);
        let got = t.profile(&r, &p, &r.observed(), &[true; 3]);
        assert!((got[0] - 3.0 * 2f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn unknown_hours_and_faults_in_them_are_left_out() {
        let (r, mut v) = cold();
        v[15] = f64::NAN;
        let t = Trace::with_cuts(&r, &v, vec![0.0], Side::Both, Laying::Moved);
        let p = t.profile(&r, &plan(8), &r.observed(), &[true; 3]);
        assert!((p[0] - 2.0 * (15.0f64 / 2.0).ln()).abs() < 1e-12);
    }

    #[test]
    fn thresholds_leave_hours_on_both_sides_and_are_thinned() {
        let (r, v) = cold();
        let t = Trace::new(&r, &v, 40, 0.25, Side::Both, Laying::Moved);
        // 16 values of one hour each, of which −3 to 4 and 3 to 10 share 3 and 4: four hours on either side at least.
        assert_eq!(t.cuts, [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5]);
        assert_eq!(Trace::new(&r, &v, 3, 0.25, Side::Both, Laying::Moved).cuts.len(), 3);
        assert!(!t.constant);
    }
}
