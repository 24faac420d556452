//! By how much another recorder's clock was off: the shift at which its readings go best with our own.

use crate::model::{Span, UnixMs};

/// A proposed shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// To be added to the other recorder's times.
    pub by: Span,
    /// Correlation of the two records at this shift.
    pub correlation: f64,
    /// The same without a shift.
    pub unshifted: f64,
    /// Pairs of steps behind the figure.
    pub pairs: usize,
}

/// Fewest overlapping steps from which a shift is proposed.
const FEWEST: usize = 60;

/// The shift of `theirs` that makes it go best with `ours`, in whole `step`s up to `most` either way, by the product-moment
/// correlation of the changes from step to step (levels drift together on any night; changes do not). None if they overlap too
/// little, or if no shift is clearly better than the rest.
pub fn best(ours: &[(UnixMs, f64)], theirs: &[(UnixMs, f64)], step: Span, most: Span) -> Option<Shift> {
    let (first, last) = (ours.first()?.0.min(theirs.first()?.0), ours.last()?.0.max(theirs.last()?.0));
    let steps = usize::try_from((last - first).0 / step.0.max(1)).ok()? + 1;
    // A year of minutes is half a million steps; beyond that the search would last longer than it is worth.
    if steps > 1_000_000 {
        return None;
    }
    let (a, b) = (changes(ours, first, step, steps), changes(theirs, first, step, steps));
    let most = most.0 / step.0.max(1);
    let at = |shift: i64| correlation(&a, &b, shift);
    let unshifted = at(0).map_or(0.0, |c| c.0);
    let (mut best, mut second) = (None::<Shift>, f64::MIN);
    for s in -most..=most {
        let Some((r, pairs)) = at(s) else { continue };
        match &best {
            Some(b) if r <= b.correlation => {
                // The neighbours of the best one are the same peak.
                if (s - b.by.0 / step.0).abs() > 2 {
                    second = second.max(r);
                }
            }
            before => {
                if let Some(b) = before
                    && (s - b.by.0 / step.0).abs() > 2
                {
                    second = second.max(b.correlation);
                }
                best = Some(Shift { by: Span(s * step.0), correlation: r, unshifted, pairs });
            }
        }
    }
    best.filter(|b| b.correlation > 0.3 && b.correlation > second + 0.1)
}

/// Changes of the means of each step; not a number where either step has no reading.
fn changes(series: &[(UnixMs, f64)], first: UnixMs, step: Span, steps: usize) -> Vec<f64> {
    let mut sums = vec![(0.0, 0_u32); steps];
    for (t, v) in series {
        if let Some(s) = usize::try_from((*t - first).0 / step.0).ok().and_then(|i| sums.get_mut(i)) {
            s.0 += v;
            s.1 += 1;
        }
    }
    let means: Vec<f64> = sums.iter().map(|(s, n)| if *n > 0 { s / f64::from(*n) } else { f64::NAN }).collect();
    means.windows(2).map(|w| w[1] - w[0]).collect()
}

/// Correlation of `a[i]` with `b[i − shift]` over the steps where both are known, and their number.
fn correlation(a: &[f64], b: &[f64], shift: i64) -> Option<(f64, usize)> {
    let n = i64::try_from(a.len()).ok()?;
    let (mut k, mut sa, mut sb, mut saa, mut sbb, mut sab) = (0_usize, 0.0, 0.0, 0.0, 0.0, 0.0);
    for i in shift.max(0)..(n + shift).min(n) {
        let (x, y) = (a[usize::try_from(i).ok()?], b[usize::try_from(i - shift).ok()?]);
        if x.is_finite() && y.is_finite() {
            k += 1;
            sa += x;
            sb += y;
            saa += x * x;
            sbb += y * y;
            sab += x * y;
        }
    }
    if k < FEWEST {
        return None;
    }
    let n = k as f64;
    let (va, vb) = (saa - sa * sa / n, sbb - sb * sb / n);
    (va > 0.0 && vb > 0.0).then(|| ((sab - sa * sb / n) / (va * vb).sqrt(), k))
}
