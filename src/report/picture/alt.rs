//! The night picture in words, for those who cannot see it.

use super::{NightPicture, StretchKind};
use crate::model::Span;
use crate::report::say;

/// Longest list of single stretches that is read out; beyond it they are counted.
const MOST: usize = 4;

/// What the picture shows, in a few plain sentences.
pub fn describe(p: &NightPicture) -> String {
    let z = &p.zone;
    let mut out = vec![format!("The night from {} to {}.", say::clock(p.from, z), say::clock(p.to, z))];
    match p.dark.as_slice() {
        [] if p.sun.is_empty() => out.push("Dark hours unknown: no site is set.".into()),
        [] => out.push("It does not get dark.".into()),
        all => {
            let parts: Vec<String> =
                all.iter().map(|(a, b)| format!("{} to {}", say::clock(*a, z), say::clock(*b, z))).collect();
            out.push(format!("Dark from {}.", say::list(&parts)));
        }
    }
    let mut well = vec![];
    for lane in &p.lanes {
        let mut bad: Vec<_> = lane.stretches.iter().filter(|s| s.kind != StretchKind::NotInUse).collect();
        bad.sort_by_key(|s| s.from);
        if bad.is_empty() {
            well.push(lane.title.as_str());
            continue;
        }
        let total = bad.iter().fold(Span::ZERO, |t, s| t + (s.to - s.from));
        let said: Vec<String> = bad
            .iter()
            .take(MOST)
            .map(|s| format!("{} at {} for {}", s.kind.word(), say::clock(s.from, z), s.to - s.from))
            .collect();
        let more =
            if bad.len() > MOST { format!(" and {} more, {total} in all", bad.len() - MOST) } else { String::new() };
        out.push(format!("{}: {}{more}.", say::sentence_start(&lane.title), said.join("; ")));
    }
    if !well.is_empty() {
        out.push(format!("Nothing wrong with: {}.", well.join(", ")));
    }
    if !p.gaps.is_empty() {
        let said: Vec<String> =
            p.gaps.iter().take(MOST).map(|(a, b)| format!("{} to {}", say::clock(*a, z), say::clock(*b, z))).collect();
        let more = if p.gaps.len() > MOST { format!(" and {} more", p.gaps.len() - MOST) } else { String::new() };
        out.push(format!("Not watched: {}{more}.", said.join(", ")));
    }
    if let Some(now) = p.now {
        out.push(format!("The night goes on; it is {}.", say::clock(now, z)));
    }
    out.join(" ")
}
