//! Draws the night: clock axis under the curve of the Sun's depression, lanes, gaps, letters, the present.

use super::axis::Across;
use super::spread::{fit, group, width};
use super::{Lane, NightPicture, Stretch, StretchKind, describe};
use crate::model::UnixMs;
use crate::report::say;
use maud::{Markup, PreEscaped, html};

/// Measures of one drawing, in the units of its view box.
struct Sheet {
    class: &'static str,
    wide: bool,
    width: f64,
    x0: f64,
    x1: f64,
    /// Size of lane names; small text is one less.
    text: f64,
    row: f64,
    /// Least distance between two ticks of the clock axis.
    room: f64,
}

const WIDE: Sheet =
    Sheet { class: "picture wide", wide: true, width: 720.0, x0: 124.0, x1: 590.0, text: 12.0, row: 22.0, room: 54.0 };
const TALL: Sheet =
    Sheet { class: "picture tall", wide: false, width: 360.0, x0: 6.0, x1: 354.0, text: 14.0, row: 42.0, room: 66.0 };

/// Height of the part above the lanes in which the Sun's curve is drawn.
const SUN_HEIGHT: f64 = 66.0;

/// For screens and paper: 720 units wide, lane names at the left.
pub fn draw_wide(p: &NightPicture) -> Markup {
    draw(p, &WIDE)
}

/// For phones: 360 units wide, lane names above their lanes, text at reading size.
pub fn draw_tall(p: &NightPicture) -> Markup {
    draw(p, &TALL)
}

fn draw(p: &NightPicture, s: &Sheet) -> Markup {
    let axis = Across { from: p.from, to: p.to, x0: s.x0, x1: s.x1 };
    let id = format!("n{}{}", if s.wide { "w" } else { "t" }, p.from.0 / 1000);
    let small = s.text - 1.0;
    let top = s.text + 6.0;
    let sun_height = if p.sun.is_empty() { 0.0 } else { SUN_HEIGHT };
    let letters_at = top + sun_height + if p.letters.is_empty() { 4.0 } else { s.text + 8.0 };
    let lanes_top = letters_at + 8.0;
    let lanes_end = lanes_top + s.row * p.lanes.len() as f64;
    let axis_at = lanes_end + small + 6.0;
    let zone_at = axis_at + small + 5.0;
    let (legend, height) = legend(p, s, &id, zone_at + 10.0);
    html! {
        svg class=(s.class) viewBox=(format!("0 0 {} {:.0}", s.width, height)) role="img" aria-label=(describe(p)) {
            (patterns(&id))
            @for (a, b) in &p.dark {
                @if let Some((xa, xb)) = axis.part(*a, *b) {
                    rect class="darkness" x=(n(xa)) y=(n(top)) width=(n(xb - xa)) height=(n(lanes_end - top)) {}
                }
            }
            @for (x, _) in axis.ticks(&p.zone, s.room) {
                line class="grid" x1=(n(x)) x2=(n(x)) y1=(n(top + sun_height)) y2=(n(lanes_end + 3.0)) {}
            }
            (darkness_words(p, s, &axis))
            @if !p.sun.is_empty() { (sun(p, s, &axis, top)) }
            @for (a, b) in &p.gaps {
                @if let Some((xa, xb)) = axis.part(*a, *b) {
                    rect class="unseen" fill=(format!("url(#{id}-gap)")) x=(n(xa)) y=(n(lanes_top))
                        width=(n((xb - xa).max(3.0))) height=(n(lanes_end - lanes_top)) {
                        title { "not watched from " (say::clock_s(*a, &p.zone)) " to " (say::clock_s(*b, &p.zone)) " (" (*b - *a) ")" }
                    }
                }
            }
            (letters(p, s, &axis, letters_at, lanes_end))
            @for (i, lane) in p.lanes.iter().enumerate() {
                (draw_lane(p, lane, s, &axis, &id, lanes_top + s.row * i as f64))
            }
            @if let Some(now) = p.now.filter(|t| axis.holds(*t)) { (draw_now(p, now, s, &axis, top, lanes_end)) }
            @for (x, label) in axis.ticks(&p.zone, s.room) {
                text class="small mid" x=(n(x.clamp(s.x0 + 14.0, s.x1.max(s.x0 + 15.0) - if s.wide { 0.0 } else { 14.0 }))) y=(n(axis_at)) { (label) }
            }
            text class="small mid" x=(n((s.x0 + s.x1) / 2.0)) y=(n(zone_at)) {
                "local time (" (say::zone_over(p.from, p.to, &p.zone)) ")"
            }
            (legend)
        }
    }
}

/// A coordinate with one decimal, without needless zeros.
fn n(v: f64) -> String {
    let t = format!("{v:.1}");
    t.strip_suffix(".0").map(String::from).unwrap_or(t)
}

/// The fill patterns, under names of their own so that several pictures can stand in one document.
fn patterns(id: &str) -> Markup {
    html! {
        defs {
            pattern id=(format!("{id}-gap")) width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                line class="hatch-line" x1="0" y1="0" x2="0" y2="5" {}
            }
            pattern id=(format!("{id}-odd")) width="4" height="4" patternUnits="userSpaceOnUse" {
                rect class="pattern-paper" width="4" height="4" {}
                line class="odd-line" x1="1" y1="0" x2="1" y2="4" {}
            }
            pattern id=(format!("{id}-dots")) width="4" height="4" patternUnits="userSpaceOnUse" {
                rect class="pattern-paper" width="4" height="4" {}
                circle class="dot" cx="2" cy="2" r=".9" {}
            }
        }
    }
}

/// When darkness begins and ends, above its band.
fn darkness_words(p: &NightPicture, s: &Sheet, axis: &Across) -> Markup {
    let small = s.text - 1.0;
    html! {
        @if p.dark.is_empty() && !p.sun.is_empty() {
            text class="small mid" x=(n((s.x0 + s.x1) / 2.0)) y=(n(s.text)) { "it does not get dark" }
        }
        @for (a, b) in &p.dark {
            @if let Some((xa, xb)) = axis.part(*a, *b) {
                @let (first, last) = (format!("dark from {}", say::clock(*a, &p.zone)), format!("to {}", say::clock(*b, &p.zone)));
                @if xb - xa >= width(&first, small) + width(&last, small) + 8.0 {
                    text class="small" x=(n(xa + 2.0)) y=(n(s.text)) { (first) }
                    text class="small end" x=(n(xb - 2.0)) y=(n(s.text)) { (last) }
                } @else {
                    text class="small mid" x=(n(((xa + xb) / 2.0).clamp(s.x0 + 60.0, s.x1 - 60.0))) y=(n(s.text)) { (first) " " (last) }
                }
            }
        }
    }
}

/// The curve of the Sun with the horizon and the limit of darkness.
fn sun(p: &NightPicture, s: &Sheet, axis: &Across, top: f64) -> Markup {
    let lowest = p.sun.iter().map(|a| a.1).fold(-p.dark_below, f64::min);
    let highest = p.sun.iter().map(|a| a.1).fold(0.0, f64::max);
    let y = |alt: f64| top + 4.0 + (highest - alt) / (highest - lowest).max(1.0) * (SUN_HEIGHT - 10.0);
    let points: Vec<String> = p.sun.iter().map(|(at, alt)| format!("{},{}", n(axis.x(*at)), n(y(*alt)))).collect();
    let deepest = p.sun.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1));
    let limit = format!("{}° below", say::number(p.dark_below, 0));
    html! {
        line class="horizon" x1=(n(s.x0)) x2=(n(s.x1)) y1=(n(y(0.0))) y2=(n(y(0.0))) {}
        line class="limit" x1=(n(s.x0)) x2=(n(s.x1)) y1=(n(y(-p.dark_below))) y2=(n(y(-p.dark_below))) {}
        polyline class="sun" points=(points.join(" ")) {}
        @if s.wide {
            text class="small end" x=(n(s.x0 - 8.0)) y=(n(y(0.0) + 4.0)) { "horizon" }
            text class="small end" x=(n(s.x0 - 8.0)) y=(n((y(-p.dark_below) + 4.0).max(y(0.0) + 15.0))) { (limit) }
        }
        @if let Some((at, alt)) = deepest.filter(|d| d.1 < 0.0) {
            text class="small mid halo" x=(n(axis.x(at).clamp(s.x0 + 60.0, s.x1 - 60.0))) y=(n(y(alt) - if s.wide { 11.0 } else { 17.0 })) {
                "Sun " (say::number(-alt, 0)) "° below the horizon"
            }
        }
    }
}

/// Letters of incidents, joined where they would touch, each with a thread down through the lanes.
fn letters(p: &NightPicture, s: &Sheet, axis: &Across, at: f64, lanes_end: f64) -> Markup {
    let mut shown: Vec<_> = p.letters.iter().filter(|l| axis.holds(l.at)).collect();
    shown.sort_by_key(|l| l.at);
    let places: Vec<(f64, &str)> = shown.iter().map(|l| (axis.x(l.at), l.text.as_str())).collect();
    html! {
        @for l in &shown {
            line class="thread" x1=(n(axis.x(l.at))) x2=(n(axis.x(l.at))) y1=(n(at + 3.0)) y2=(n(lanes_end)) {
                title { (l.text) ": " (l.what) }
            }
        }
        @for (x, text) in group(&places, s.text) {
            text class="strong mid" x=(n(x)) y=(n(at)) { (text) }
        }
    }
}

/// One lane.
fn draw_lane(p: &NightPicture, lane: &Lane, s: &Sheet, axis: &Across, id: &str, y0: f64) -> Markup {
    let small = s.text - 1.0;
    let y = if s.wide { y0 + s.row / 2.0 } else { y0 + s.row - 13.0 };
    let end = p.now.map_or(p.to, |t| UnixMs(t.0.clamp(p.from.0, p.to.0.max(p.from.0))));
    let unused: Vec<(UnixMs, UnixMs)> =
        lane.stretches.iter().filter(|t| t.kind == StretchKind::NotInUse).map(|t| (t.from, t.to)).collect();
    let mut not_line = unused.clone();
    not_line.extend(&p.gaps);
    let mut bars: Vec<&Stretch> = lane.stretches.iter().filter(|t| t.kind != StretchKind::NotInUse).collect();
    bars.sort_by_key(|t| (t.kind, t.from));
    html! {
        @if s.wide {
            text class="end" x=(n(s.x0 - 8.0)) y=(n(y + 4.0)) { (fit(&lane.title, s.text, s.x0 - 10.0)) }
            @if !lane.note.is_empty() {
                text class="small" x=(n(s.x1 + 8.0)) y=(n(y + 4.0)) { (fit(&lane.note, small, s.width - s.x1 - 10.0)) }
            }
        } @else {
            @let note_room = width(&lane.note, small);
            text class="halo" x=(n(s.x0)) y=(n(y - 12.0)) { (fit(&lane.title, s.text, s.x1 - s.x0 - note_room - 10.0)) }
            @if !lane.note.is_empty() { text class="small end halo" x=(n(s.x1)) y=(n(y - 12.0)) { (lane.note) } }
        }
        @for (a, b) in without((p.from, end), &not_line) {
            line class="well" x1=(n(axis.x(a))) x2=(n(axis.x(b))) y1=(n(y)) y2=(n(y)) {}
        }
        @for (a, b) in &unused {
            @if let Some((xa, xb)) = axis.part(*a, (*b).min(end)) {
                line class="unused" x1=(n(xa)) x2=(n(xb)) y1=(n(y)) y2=(n(y)) {}
            }
        }
        @for x in thin_out(lane.ticks.iter().filter(|t| axis.holds(**t)).map(|t| axis.x(*t)), 1.6) {
            line class="tick" x1=(n(x)) x2=(n(x)) y1=(n(y - 3.5)) y2=(n(y + 3.5)) {}
        }
        @for t in bars {
            @if let Some((xa, xb)) = axis.part(t.from, t.to.min(end).max(t.from)) {
                g {
                    title {
                        (lane.title) ": " (t.kind.word()) " from " (say::clock_s(t.from, &p.zone)) " to " (say::clock_s(t.to, &p.zone))
                        " (" (t.to - t.from) ")"
                    }
                    (bar(t.kind, id, xa, xb, y, s.x1))
                }
            }
        }
    }
}

/// The bar of one kind between two places. Short ones keep a width that can be seen.
fn bar(kind: StretchKind, id: &str, xa: f64, xb: f64, y: f64, most: f64) -> Markup {
    let rect = |class: &str, fill: Option<String>, least: f64, high: f64| {
        let w = (xb - xa).max(least);
        let x = if xb - xa < least { (xa - (least - (xb - xa)) / 2.0).min(most - least) } else { xa };
        html! { rect class=(class) fill=[fill] x=(n(x)) y=(n(y - high / 2.0)) width=(n(w)) height=(n(high)) {} }
    };
    match kind {
        StretchKind::Broken => rect("broken", None, 3.0, 13.0),
        StretchKind::Harmless => rect("hollow", None, 5.0, 9.0),
        StretchKind::Impaired | StretchKind::Paused => rect("odd", Some(format!("url(#{id}-odd)")), 4.0, 8.0),
        StretchKind::Unknown => rect("unknown", Some(format!("url(#{id}-dots)")), 4.0, 8.0),
        StretchKind::NotInUse => PreEscaped(String::new()),
    }
}

/// The line of the present.
fn draw_now(p: &NightPicture, now: UnixMs, s: &Sheet, axis: &Across, top: f64, lanes_end: f64) -> Markup {
    let x = axis.x(now);
    let text = format!("now {}", say::clock(now, &p.zone));
    let left = x > s.x1 - width(&text, s.text) - 6.0;
    html! {
        line class="now" x1=(n(x)) x2=(n(x)) y1=(n(top)) y2=(n(lanes_end)) {}
        text class=(if left { "small strong halo end" } else { "small strong halo" })
            x=(n(if left { x - 5.0 } else { x + 5.0 })) y=(n(top + s.text)) { (text) }
    }
}

/// Samples of the kinds that occur, with their words; and the height of the whole drawing.
fn legend(p: &NightPicture, s: &Sheet, id: &str, y0: f64) -> (Markup, f64) {
    let mut kinds: Vec<StretchKind> = p.lanes.iter().flat_map(|l| l.stretches.iter().map(|t| t.kind)).collect();
    kinds.sort();
    kinds.dedup();
    kinds.reverse();
    // Impaired and paused look alike, so one sample stands for both.
    let both = kinds.contains(&StretchKind::Paused) && kinds.contains(&StretchKind::Impaired);
    kinds.retain(|k| !(both && *k == StretchKind::Paused));
    let small = s.text - 1.0;
    let mut items: Vec<(Option<StretchKind>, &str)> = kinds
        .into_iter()
        .map(|k| (Some(k), if both && k == StretchKind::Impaired { "impaired or paused" } else { k.word() }))
        .collect();
    if !p.gaps.is_empty() {
        items.push((None, "not watched"));
    }
    if items.is_empty() {
        return (PreEscaped(String::new()), y0);
    }
    let (mut x, mut y) = (s.x0, y0 + small);
    let mut placed = vec![];
    for (k, word) in items {
        let need = 24.0 + width(word, small) + 14.0;
        if x > s.x0 && x + need > s.x1 + 20.0 {
            x = s.x0;
            y += small + 8.0;
        }
        placed.push((k, word, x, y));
        x += need;
    }
    let drawn = html! {
        @for (k, word, x, y) in placed {
            @let mid = y - small * 0.35;
            @match k {
                Some(StretchKind::NotInUse) => line class="unused" x1=(n(x)) x2=(n(x + 18.0)) y1=(n(mid)) y2=(n(mid)) {},
                Some(k) => (bar(k, id, x, x + 18.0, mid, s.x1)),
                None => rect class="unseen" fill=(format!("url(#{id}-gap)")) x=(n(x)) y=(n(mid - 6.0)) width="18" height="12" {},
            }
            text class="small" x=(n(x + 24.0)) y=(n(y)) { (word) }
        }
    };
    (drawn, y + 6.0)
}

/// What is left of `whole` without `cut`.
fn without(whole: (UnixMs, UnixMs), cut: &[(UnixMs, UnixMs)]) -> Vec<(UnixMs, UnixMs)> {
    let mut cut = cut.to_vec();
    cut.sort();
    let (mut at, end) = whole;
    let mut out = vec![];
    for (a, b) in cut {
        if a.min(end) > at {
            out.push((at, a.min(end)));
        }
        at = at.max(b);
    }
    if at < end {
        out.push((at, end));
    }
    out
}

/// Places at least `apart` from the one before.
fn thin_out(places: impl Iterator<Item = f64>, apart: f64) -> Vec<f64> {
    let mut out: Vec<f64> = vec![];
    for x in places {
        if out.last().is_none_or(|p| x - p >= apart) {
            out.push(x);
        }
    }
    out
}

#[cfg(test)]
pub(crate) mod tests;
