//! Keeping texts apart: labels at the ends of lines, and letters of incidents that lie close together.

/// Estimated width of a text in a sans-serif face of this size, in the same unit. Errs on the wide side.
pub(crate) fn width(text: &str, size: f64) -> f64 {
    let em: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '|' | '\'' | ' ' | 'f' | 't' | 'r' | '(' | ')' => 0.36,
            'm' | 'w' | 'M' | 'W' | '%' | '°' | '–' => 0.92,
            'A'..='Z' => 0.72,
            _ => 0.61,
        })
        .sum();
    em * size
}

/// `text` cut so that it fits into `room`, with an ellipsis.
pub(super) fn fit(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.into();
    }
    let mut out = String::new();
    for c in text.chars() {
        if width(&out, size) + width(&c.to_string(), size) + size * 0.9 > room {
            break;
        }
        out.push(c);
    }
    format!("{}…", out.trim_end())
}

/// Places for labels that would like to sit at `wanted`, each at least `apart` from the next, inside `low..=high`, moved
/// as little as can be. Keeps the order of `wanted`. When there is no room for all, they are spread evenly.
pub(super) fn spread(wanted: &[f64], apart: f64, low: f64, high: f64) -> Vec<f64> {
    let n = wanted.len();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
    if n == 0 {
        return vec![];
    }
    if (n - 1) as f64 * apart >= high - low {
        let step = (high - low) / (n.max(2) - 1) as f64;
        let mut out = vec![low; n];
        for (k, i) in order.iter().enumerate() {
            out[*i] = low + step * k as f64;
        }
        return out;
    }
    // Blocks of touching labels, each centred on the mean of what its labels want; overlapping blocks are joined.
    let mut blocks: Vec<(f64, usize)> = vec![];
    for i in &order {
        blocks.push((wanted[*i], 1));
        while blocks.len() > 1 {
            let (b, a) = (blocks[blocks.len() - 1], blocks[blocks.len() - 2]);
            let top_of = |(centre, k): (f64, usize)| {
                let half = (k - 1) as f64 * apart / 2.0;
                centre.clamp(low + half, high - half)
            };
            let gap = (top_of(b) - (b.1 - 1) as f64 * apart / 2.0) - (top_of(a) + (a.1 - 1) as f64 * apart / 2.0);
            if gap >= apart {
                break;
            }
            let k = a.1 + b.1;
            let centre = (a.0 * a.1 as f64 + b.0 * b.1 as f64) / k as f64;
            blocks.truncate(blocks.len() - 2);
            blocks.push((centre, k));
        }
    }
    let mut out = vec![0.0; n];
    let mut next = order.into_iter();
    for (centre, k) in blocks {
        let half = (k - 1) as f64 * apart / 2.0;
        let first = centre.clamp(low + half, high - half) - half;
        for j in 0..k {
            if let Some(i) = next.next() {
                out[i] = first + j as f64 * apart;
            }
        }
    }
    out
}

/// Letters in order of place, joined where they would touch: `C`, `C d`, `c–k`. Gives the middle and the text of each.
pub(super) fn group(letters: &[(f64, &str)], size: f64) -> Vec<(f64, String)> {
    struct Group {
        low: f64,
        high: f64,
        first: usize,
        last: usize,
    }
    let text = |g: &Group| match g.last - g.first {
        0 => letters[g.first].1.to_string(),
        1 => format!("{} {}", letters[g.first].1, letters[g.last].1),
        _ => format!("{}–{}", letters[g.first].1, letters[g.last].1),
    };
    let mut groups: Vec<Group> = vec![];
    for (i, (x, _)) in letters.iter().enumerate() {
        groups.push(Group { low: *x, high: *x, first: i, last: i });
        while let [.., a, b] = groups.as_slice() {
            let (ma, mb) = ((a.low + a.high) / 2.0, (b.low + b.high) / 2.0);
            let need = (width(&text(a), size) + width(&text(b), size)) / 2.0 + size * 0.35;
            if mb - ma >= need {
                break;
            }
            let joined = Group { low: a.low, high: b.high, first: a.first, last: b.last };
            groups.truncate(groups.len() - 2);
            groups.push(joined);
        }
    }
    groups.iter().map(|g| ((g.low + g.high) / 2.0, text(g))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn touching_letters_are_joined() {
        assert_eq!(group(&[(10.0, "a"), (100.0, "B")], 12.0), [(10.0, "a".into()), (100.0, "B".into())]);
        assert_eq!(group(&[(10.0, "a"), (14.0, "B")], 12.0), [(12.0, "a B".into())]);
        assert_eq!(group(&[(10.0, "a"), (12.0, "b"), (14.0, "c")], 12.0), [(12.0, "a–c".into())]);
    }

    #[test]
    fn long_names_are_cut() {
        assert_eq!(fit("camera", 12.0, 100.0), "camera");
        assert!(fit("the camera on the very long shelf", 12.0, 100.0).ends_with('…'));
    }

    proptest! {
        #[test]
        fn labels_keep_apart_and_inside(wanted in prop::collection::vec(-50.0..250.0f64, 0..12)) {
            let out = spread(&wanted, 14.0, 0.0, 200.0);
            let mut sorted = out.clone();
            sorted.sort_by(f64::total_cmp);
            for w in sorted.windows(2) {
                prop_assert!(w[1] - w[0] >= 14.0 - 1e-6);
            }
            for y in &out {
                prop_assert!((-1e-6..=200.0 + 1e-6).contains(y));
            }
            let mut order: Vec<usize> = (0..wanted.len()).collect();
            order.sort_by(|a, b| wanted[*a].total_cmp(&wanted[*b]));
            for w in order.windows(2) {
                prop_assert!(out[w[0]] <= out[w[1]]);
            }
        }
    }
}
