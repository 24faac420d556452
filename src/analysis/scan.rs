//! Best thresholds: the maximally selected likelihood-ratio statistic over all thresholds of a signal.

use super::permute::{Arrangement, Records};

/// One signal, prepared for the scan.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    /// Candidate thresholds, growing. A value is below a threshold when it is smaller.
    pub cuts: Vec<f64>,
    /// For each slice, the number of thresholds that are not above its value (so it lies below all later ones);
    /// `u16::MAX` where unknown.
    pub bin: Vec<u16>,
    /// For each night and threshold (night by night): share of the night's at-risk hours below the threshold.
    pub below: Vec<f64>,
    /// For each night: share of its at-risk hours with a known value.
    pub known: Vec<f64>,
}

const UNKNOWN: u16 = u16::MAX;

impl Trace {
    /// Prepares a signal from its value in each slice.
    pub fn new(records: &Records, values: &[f64], max_cuts: usize, min_share: f64) -> Trace {
        let cuts = cuts(records, values, max_cuts, min_share);
        Trace::with_cuts(records, values, cuts)
    }

    /// The same with stated thresholds.
    pub fn with_cuts(records: &Records, values: &[f64], cuts: Vec<f64>) -> Trace {
        let bin: Vec<u16> = values
            .iter()
            .map(|v| if v.is_finite() { cuts.partition_point(|c| c <= v) as u16 } else { UNKNOWN })
            .collect();
        let n = records.nights();
        let mut below = vec![0.0; n * cuts.len()];
        let mut known = vec![0.0; n];
        for j in 0..n {
            let row = &mut below[j * cuts.len()..(j + 1) * cuts.len()];
            let all = records.hours[j];
            for s in records.first_slice[j]..records.first_slice[j + 1] {
                if bin[s] != UNKNOWN && all > 0.0 {
                    let share = records.slice_hours[s] / all;
                    known[j] += share;
                    if let Some(x) = row.get_mut(bin[s] as usize) {
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
        Trace { cuts, bin, below, known }
    }
}

/// Candidate thresholds.
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
    if mids.len() <= max_cuts {
        return mids.into_iter().map(|m| m.0).collect();
    }
    // Thinned to equal steps of exposure.
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

/// `a ln(a/b)`, 0 for `a` = 0.
pub fn xlog(a: f64, b: f64) -> f64 {
    if a > 0.0 { a * (a / b).ln() } else { 0.0 }
}

/// Signed root of twice the Poisson log likelihood ratio.
pub fn signed_root(inside: f64, expected: f64, all: f64) -> f64 {
    if all <= 0.0 || expected <= 0.0 || expected >= all {
        return 0.0;
    }
    let lr = xlog(inside, expected) + xlog(all - inside, all - expected);
    (2.0 * lr.max(0.0)).sqrt().copysign(inside - expected)
}

/// Signed roots of all arrangements (rows) and thresholds (columns). `counts[f]`: whether fault `f` takes part.
pub fn roots(t: &Trace, all: &[Arrangement], strata: &[usize], counts: &[bool], r: &Records) -> Vec<f32> {
    let c = t.cuts.len();
    let s = strata.iter().max().map_or(0, |m| m + 1);
    let mut out = vec![0f32; all.len() * c];
    let mut inside = vec![0f64; c + 1];
    let mut ex = vec![0f64; s * c];
    let mut known = vec![0f64; s];
    let mut k = vec![0f64; s];
    let mut e = vec![0f64; c];
    let night_of: Vec<u32> = {
        let mut v = vec![0u32; r.slice_hours.len()];
        for j in 0..r.nights() {
            v[r.first_slice[j]..r.first_slice[j + 1]].fill(j as u32);
        }
        v
    };
    for (a, row) in all.iter().zip(out.chunks_mut(c.max(1))) {
        inside.fill(0.0);
        ex.fill(0.0);
        known.fill(0.0);
        k.fill(0.0);
        e.fill(0.0);
        for j in 0..r.nights() {
            let h = r.hours[a.record[j] as usize];
            known[strata[j]] += h * t.known[j];
            let to = &mut ex[strata[j] * c..(strata[j] + 1) * c];
            for (x, b) in to.iter_mut().zip(&t.below[j * c..(j + 1) * c]) {
                *x += h * b;
            }
        }
        for (f, &slice) in a.slice.iter().enumerate() {
            if counts[f] && slice != u32::MAX {
                let b = t.bin[slice as usize];
                if b != UNKNOWN {
                    inside[b as usize] += 1.0;
                    k[strata[night_of[slice as usize] as usize]] += 1.0;
                }
            }
        }
        for g in 0..s {
            if known[g] > 0.0 {
                let w = k[g] / known[g];
                for (x, b) in e.iter_mut().zip(&ex[g * c..(g + 1) * c]) {
                    *x += w * b;
                }
            }
        }
        let total: f64 = k.iter().sum();
        let mut sum = 0.0;
        for i in 0..c {
            sum += inside[i];
            row[i] = signed_root(sum, e[i], total) as f32;
        }
    }
    out
}

/// Standardised maxima: for each arrangement the largest absolute root in units of the permutation spread of its threshold,
/// and the threshold at which the observed arrangement (the first) reaches it.
pub fn maxima(roots: &[f32], cuts: usize, standardise: bool) -> (Vec<f64>, usize) {
    let rows = if cuts == 0 { 0 } else { roots.len() / cuts };
    let mut mean = vec![0f64; cuts];
    let mut sq = vec![0f64; cuts];
    for row in roots.chunks(cuts.max(1)) {
        for i in 0..cuts {
            mean[i] += f64::from(row[i]);
            sq[i] += f64::from(row[i]).powi(2);
        }
    }
    let mut scale = vec![1.0; cuts];
    for i in 0..cuts {
        mean[i] /= rows as f64;
        let var = sq[i] / rows as f64 - mean[i].powi(2);
        if !standardise {
            mean[i] = 0.0;
        } else {
            scale[i] = if var > 1e-9 { 1.0 / var.sqrt() } else { 0.0 };
        }
    }
    let mut best = 0;
    let out = roots
        .chunks(cuts.max(1))
        .enumerate()
        .map(|(p, row)| {
            let mut m = 0.0;
            for i in 0..cuts {
                let z = ((f64::from(row[i]) - mean[i]) * scale[i]).abs();
                if z > m {
                    m = z;
                    if p == 0 {
                        best = i;
                    }
                }
            }
            m
        })
        .collect();
    (out, best)
}

/// Share of arrangements whose statistic is at least the observed one (the first), itself included.
pub fn p_value(stat: &[f64]) -> f64 {
    let t = stat.first().copied().unwrap_or(0.0);
    stat.iter().filter(|&&x| x >= t - 1e-6 * t.abs().max(1.0)).count() as f64 / stat.len().max(1) as f64
}
