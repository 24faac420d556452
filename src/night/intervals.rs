//! Stretches of time as sorted lists, half open: an instant belongs to `(from, to)` when `from ≤ t < to`.
//!
//! Every function takes lists in any order, overlapping or not, and gives back a *tidy* list: sorted, no empty entry, no two
//! that touch. So equal sets of time are equal lists, and no minute is ever counted twice.

use crate::model::{Span, UnixMs};

/// One stretch of time, the end not included.
pub type Interval = (UnixMs, UnixMs);

/// Sorted, merged where entries overlap or touch, empty and reversed entries left out.
pub fn tidy(list: &[Interval]) -> Vec<Interval> {
    let mut sorted: Vec<Interval> = list.iter().copied().filter(|(from, to)| from < to).collect();
    sorted.sort_unstable();
    let mut out: Vec<Interval> = Vec::with_capacity(sorted.len());
    for (from, to) in sorted {
        match out.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => out.push((from, to)),
        }
    }
    out
}

/// Time in `a` or in `b`.
pub fn union(a: &[Interval], b: &[Interval]) -> Vec<Interval> {
    let mut both = a.to_vec();
    both.extend_from_slice(b);
    tidy(&both)
}

/// Time in `a` and in `b`.
pub fn intersect(a: &[Interval], b: &[Interval]) -> Vec<Interval> {
    let (a, b) = (tidy(a), tidy(b));
    let (mut i, mut j) = (0, 0);
    let mut out = Vec::new();
    while i < a.len() && j < b.len() {
        let (from, to) = (a[i].0.max(b[j].0), a[i].1.min(b[j].1));
        if from < to {
            out.push((from, to));
        }
        if a[i].1 < b[j].1 { i += 1 } else { j += 1 }
    }
    out
}

/// Time in `a` and not in `b`.
pub fn subtract(a: &[Interval], b: &[Interval]) -> Vec<Interval> {
    let b = tidy(b);
    let mut out = Vec::new();
    let mut j = 0;
    for (from, to) in tidy(a) {
        let mut at = from;
        while j < b.len() && b[j].1 <= at {
            j += 1;
        }
        let mut k = j;
        while k < b.len() && b[k].0 < to {
            if at < b[k].0 {
                out.push((at, b[k].0));
            }
            at = at.max(b[k].1);
            k += 1;
        }
        if at < to {
            out.push((at, to));
        }
    }
    out
}

/// The part of a list that lies in one stretch.
pub fn clip(list: &[Interval], within: Interval) -> Vec<Interval> {
    intersect(list, &[within])
}

/// Whether an instant lies in the list.
pub fn contains(list: &[Interval], t: UnixMs) -> bool {
    list.iter().any(|(from, to)| *from <= t && t < *to)
}

/// Total length; time in several entries counts once.
pub fn total(list: &[Interval]) -> Span {
    tidy(list).iter().fold(Span::ZERO, |sum, (from, to)| sum + (*to - *from))
}

/// Length of the time in both lists.
pub fn overlap(a: &[Interval], b: &[Interval]) -> Span {
    total(&intersect(a, b))
}

/// How much of the list still lies ahead of an instant.
pub fn remaining(list: &[Interval], t: UnixMs) -> Span {
    total(&clip(list, (t, UnixMs(i64::MAX))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn list(pairs: &[(i64, i64)]) -> Vec<Interval> {
        pairs.iter().map(|&(a, b)| (UnixMs(a), UnixMs(b))).collect()
    }

    #[test]
    fn small_cases_by_hand() {
        let a = list(&[(0, 10), (20, 30)]);
        assert_eq!(tidy(&list(&[(5, 8), (3, 5), (9, 9), (12, 11)])), list(&[(3, 8)]));
        assert_eq!(union(&a, &list(&[(10, 20)])), list(&[(0, 30)]));
        assert_eq!(intersect(&a, &list(&[(5, 25)])), list(&[(5, 10), (20, 25)]));
        assert_eq!(subtract(&a, &list(&[(2, 4), (6, 22)])), list(&[(0, 2), (4, 6), (22, 30)]));
        assert_eq!(subtract(&list(&[(0, 2), (4, 9)]), &list(&[(1, 5)])), list(&[(0, 1), (5, 9)]));
        assert_eq!(total(&list(&[(0, 10), (5, 15)])), Span(15));
        assert_eq!(remaining(&a, UnixMs(25)), Span(5));
        assert!(contains(&a, UnixMs(0)) && !contains(&a, UnixMs(10)));
        assert!(tidy(&[]).is_empty() && subtract(&[], &a).is_empty() && intersect(&a, &[]).is_empty());
    }

    fn any_list() -> impl Strategy<Value = Vec<Interval>> {
        prop::collection::vec((0i64..60, -5i64..20), 0..12)
            .prop_map(|v| v.into_iter().map(|(a, n)| (UnixMs(a), UnixMs(a + n))).collect())
    }

    proptest! {
        /// Instant by instant, the lists are sets.
        #[test]
        fn lists_behave_like_sets(a in any_list(), b in any_list()) {
            let (u, i, s) = (union(&a, &b), intersect(&a, &b), subtract(&a, &b));
            for t in -10..90 {
                let t = UnixMs(t);
                let (x, y) = (contains(&a, t), contains(&b, t));
                prop_assert_eq!(contains(&u, t), x || y);
                prop_assert_eq!(contains(&i, t), x && y);
                prop_assert_eq!(contains(&s, t), x && !y);
            }
            for l in [&u, &i, &s] {
                prop_assert_eq!(&tidy(l), l);
            }
            prop_assert_eq!(total(&u) + total(&i), total(&a) + total(&b));
            prop_assert_eq!(total(&s) + overlap(&a, &b), total(&a));
        }
    }
}
