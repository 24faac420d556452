//! The night in characters.

use crate::model::UnixMs;
use crate::report::paper::{Paper, WIDTH, cut, pad};
use crate::report::picture::{NightPicture, StretchKind};
use crate::report::say;

/// Columns for the names.
const NAMES: usize = 17;

/// The night in characters: a lane for each thing, a column for each part of the night.
pub(super) fn picture(p: &mut Paper, n: &NightPicture) {
    let columns = WIDTH - NAMES - 2;
    let whole = (n.to.0 - n.from.0).max(1);
    let start = |c: usize| UnixMs(n.from.0 + whole * c as i64 / columns as i64);
    let column =
        |at: UnixMs| (((at.0 - n.from.0) * columns as i64).div_euclid(whole)).clamp(0, columns as i64 - 1) as usize;
    let touches = |a: UnixMs, b: UnixMs, c: usize| a < start(c + 1) && b.max(UnixMs(a.0 + 1)) > start(c);
    let row = |name: &str, cells: String| format!("{}  {cells}", pad(&cut(name, NAMES), NAMES));
    let mut hours = vec![' '; columns + 6];
    let axis = (0..=(whole / 3_600_000 + 2)).map(|h| {
        let z = say::zoned(UnixMs(n.from.0 + h * 3_600_000), &n.zone);
        UnixMs(n.from.0 + h * 3_600_000 - i64::from(z.minute()) * 60_000 - i64::from(z.second()) * 1000)
    });
    let mut free = 0;
    for t in axis.filter(|t| *t >= n.from && *t <= n.to) {
        let c = column(t);
        if c >= free && c + 5 <= columns {
            for (k, ch) in say::clock(t, &n.zone).chars().enumerate() {
                hours[c + k] = ch;
            }
            free = c + 8;
        }
    }
    let text: String = hours.into_iter().take(columns).collect();
    p.line(&row("", text));
    if !n.letters.is_empty() {
        let mut letters = vec![' '; columns];
        for l in n.letters.iter().filter(|l| l.at >= n.from && l.at <= n.to) {
            let c = column(l.at);
            // Two in one column cannot both be shown; a fault wins.
            let first = l.text.chars().next().unwrap_or('?');
            if letters[c] == ' ' || first.is_uppercase() {
                letters[c] = first;
            }
        }
        p.line(&row("", letters.into_iter().collect()));
    }
    if !n.dark.is_empty() {
        let dark = |c| if n.dark.iter().any(|d| touches(d.0, d.1, c)) { '=' } else { ' ' };
        p.line(&row("dark", (0..columns).map(dark).collect()));
    }
    let mut used: Vec<StretchKind> = vec![];
    for lane in &n.lanes {
        let cell = |c: usize| {
            if n.now.is_some_and(|now| start(c) >= now) {
                return ' ';
            }
            if n.gaps.iter().any(|g| touches(g.0, g.1, c)) {
                return '?';
            }
            let worst = lane.stretches.iter().filter(|s| touches(s.from, s.to, c)).map(|s| s.kind).max();
            worst.map_or('-', sign)
        };
        used.extend(lane.stretches.iter().map(|s| s.kind));
        p.line(&row(&lane.title, (0..columns).map(cell).collect()));
    }
    used.sort();
    used.dedup();
    // No-break spaces keep each sign with its word.
    let mut key = vec!["-\u{a0}well".to_string()];
    // Kinds that share a sign share a place in the key.
    for k in used.iter().rev().filter(|k| **k != StretchKind::Paused || !used.contains(&StretchKind::Impaired)) {
        let word = if *k == StretchKind::Impaired { "impaired or paused" } else { k.word() };
        key.push(format!("{} {word}", sign(*k)).replace(' ', "\u{a0}"));
    }
    if !n.gaps.is_empty() {
        key.push("?\u{a0}not\u{a0}watched".into());
    }
    p.hang(&" ".repeat(NAMES + 2), &" ".repeat(NAMES + 2), &key.join("\u{a0}\u{a0} "));
}

fn sign(k: StretchKind) -> char {
    match k {
        StretchKind::Broken => '#',
        StretchKind::Impaired | StretchKind::Paused => '~',
        StretchKind::Harmless => 'o',
        StretchKind::Unknown => ':',
        StretchKind::NotInUse => '.',
    }
}
