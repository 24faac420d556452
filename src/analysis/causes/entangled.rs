//! Signals that moved together: can these nights tell which of two it is?
//!
//! Signal b could stand for signal a when, with the hours sorted by b's threshold first, a's thresholds add next to nothing: the
//! likelihood ratio of a among hours that are alike in b. What remains is compared with a limit for a searched threshold.

use super::describe::Split;
use super::evidence::Evidence;
use super::field::{Candidate, Field};
use super::search::trace;
use crate::analysis::scan::log_ratio;
use crate::model::FaultKind;

/// Largest log likelihood ratio over thresholds that still counts as next to nothing. Among a couple of dozen thresholds a ratio
/// of e⁴ comes by chance in about one of twenty.
pub(super) const NOTHING_ADDED: f64 = 4.0;

/// Log likelihood ratio that `a` adds once the hours are sorted by `b`'s split and by remedy period: the largest over a's thresholds
/// on the side of `split`. Judged on the hours before first faults if either signal can be changed by one.
pub(super) fn added(
    field: &Field,
    a: &Candidate,
    split: Split,
    b: &Candidate,
    by: Split,
    kind: Option<FaultKind>,
) -> f64 {
    let inside = a.evidence != Evidence::Whole || b.evidence != Evidence::Whole;
    let (r, x, y) =
        if inside { (&field.inside, &a.inside_values, &b.inside_values) } else { (&field.all, &a.values, &b.values) };
    let set = field.set(inside, kind);
    let night = r.night_of_slice();
    let known = |s: usize| x[s].is_finite() && y[s].is_finite();
    let class = |s: usize| 2 * field.period[night[s] as usize] + usize::from(by.beyond(y[s]));
    let classes = 2 * (field.period.iter().max().map_or(0, |m| m + 1));
    let (mut hours, mut faults) = (vec![0.0; classes], vec![0.0; classes]);
    let slices: Vec<usize> = (0..r.slice_hours.len()).filter(|&s| known(s)).collect();
    for &s in &slices {
        hours[class(s)] += r.slice_hours[s];
    }
    let at: Vec<usize> = r.faults.iter().zip(&set).filter(|(f, s)| **s && known(f.1)).map(|(f, _)| f.1).collect();
    for &s in &at {
        faults[class(s)] += 1.0;
    }
    let mut cuts = trace(field, a, 24).cuts;
    cuts.push(split.at);
    let mut best = 0.0f64;
    let (mut beyond_hours, mut own) = (vec![0.0; classes], vec![0.0; classes]);
    for at_cut in cuts {
        let side = Split { at: at_cut, ..split };
        beyond_hours.fill(0.0);
        own.fill(0.0);
        for &s in &slices {
            if side.beyond(x[s]) {
                beyond_hours[class(s)] += r.slice_hours[s];
            }
        }
        for &s in &at {
            if side.beyond(x[s]) {
                own[class(s)] += 1.0;
            }
        }
        // Only classes with hours on both sides say anything about a.
        let (mut n, mut e, mut k) = (0.0, 0.0, 0.0);
        for c in 0..classes {
            if beyond_hours[c] > 0.0 && beyond_hours[c] < hours[c] {
                n += own[c];
                e += faults[c] * beyond_hours[c] / hours[c];
                k += faults[c];
            }
        }
        if n > e {
            best = best.max(log_ratio(n, e, k));
        }
    }
    best
}
