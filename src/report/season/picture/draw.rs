//! Draws the season as SVG, wide for screens and paper, tall for phones. Long seasons are cut into panels, one under the other.

use super::{Column, SeasonPicture, clock, describe};
use crate::analysis::causes::Direction;
use crate::analysis::season::NightKind;
use crate::report::picture::{nice, width};
use crate::report::say::number;
use jiff::civil::Date;
use maud::{Markup, PreEscaped, html};

/// Measures of one drawing.
struct Sheet {
    class: &'static str,
    wide: bool,
    width: f64,
    x0: f64,
    x1: f64,
    text: f64,
    /// Height of an hour of the clock.
    hour: f64,
    /// Most nights in one panel.
    most: usize,
    /// Height of the signal's strip.
    strip: f64,
}

const WIDE: Sheet = Sheet {
    class: "picture wide",
    wide: true,
    width: 720.0,
    x0: 48.0,
    x1: 700.0,
    text: 12.0,
    hour: 15.0,
    most: 46,
    strip: 86.0,
};
const TALL: Sheet = Sheet {
    class: "picture tall",
    wide: false,
    width: 360.0,
    x0: 44.0,
    x1: 354.0,
    text: 14.0,
    hour: 17.0,
    most: 16,
    strip: 92.0,
};

/// For screens and paper.
pub fn draw_wide(p: &SeasonPicture) -> Markup {
    draw(p, &WIDE)
}

/// For phones.
pub fn draw_tall(p: &SeasonPicture) -> Markup {
    draw(p, &TALL)
}

/// A coordinate with one decimal, without needless zeros.
fn n(v: f64) -> String {
    let t = format!("{v:.1}");
    t.strip_suffix(".0").map(String::from).unwrap_or(t)
}

/// Nights of a panel, first and behind the last.
fn panels(all: usize, most: usize) -> Vec<(usize, usize)> {
    let count = all.div_ceil(most).max(1);
    let each = all.div_ceil(count).max(1);
    (0..count).map(|k| (k * each, ((k + 1) * each).min(all))).filter(|(a, b)| a < b).collect()
}

fn draw(p: &SeasonPicture, s: &Sheet) -> Markup {
    let id = if s.wide { "sw" } else { "st" };
    let all = panels(p.columns.len(), s.most);
    let panel = panel_height(p, s);
    let (legend, height) = legend(p, s, id, all.len() as f64 * panel);
    let each = all.first().map_or(1, |(a, b)| b - a);
    html! {
        svg class=(s.class) viewBox=(format!("0 0 {} {:.0}", s.width, height)) role="img" aria-label=(describe(p)) {
            defs {
                pattern id=(format!("{id}-gap")) width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                    line class="hatch-line" x1="0" y1="0" x2="0" y2="5" {}
                }
            }
            @for (k, (a, b)) in all.iter().enumerate() { (draw_panel(p, s, id, (*a, *b), each, k as f64 * panel)) }
            (legend)
        }
    }
}

fn panel_height(p: &SeasonPicture, s: &Sheet) -> f64 {
    let marks = if p.marks.is_empty() { 4.0 } else { s.text + 8.0 };
    let strip = if p.strip.is_some() { s.strip + 8.0 } else { 0.0 };
    marks + 6.0 + (p.hours.1 - p.hours.0) * s.hour + 2.0 * (s.text + 4.0) + strip + 14.0
}

/// Where things of one panel lie.
struct Place {
    x0: f64,
    step: f64,
    first: usize,
    top: f64,
    bottom: f64,
    low: f64,
    hour: f64,
}

impl Place {
    fn left(&self, k: usize) -> f64 {
        self.x0 + (k - self.first) as f64 * self.step
    }
    fn mid(&self, k: usize) -> f64 {
        self.left(k) + self.step / 2.0
    }
    fn y(&self, h: f64) -> f64 {
        (self.top + (h - self.low) * self.hour).clamp(self.top, self.bottom)
    }
}

fn draw_panel(p: &SeasonPicture, s: &Sheet, id: &str, (a, b): (usize, usize), each: usize, y0: f64) -> Markup {
    let top = y0 + if p.marks.is_empty() { 10.0 } else { s.text + 14.0 };
    let bottom = top + (p.hours.1 - p.hours.0) * s.hour;
    let step = ((s.x1 - s.x0) / each.max(1) as f64).min(34.0);
    let at = Place { x0: s.x0, step, first: a, top, bottom, low: p.hours.0, hour: s.hour };
    let right = at.left(b);
    let small = s.text - 1.0;
    let hours = (p.hours.0.ceil() as i64)..=(p.hours.1 as i64);
    let every = if s.wide { 2 } else { 3 };
    html! {
        (darkness(p, &at, (a, b)))
        @for h in hours.filter(|h| (h + 12) % every == 0) {
            line class="grid" x1=(n(s.x0)) x2=(n(right)) y1=(n(at.y(h as f64))) y2=(n(at.y(h as f64))) {}
            text class="small end" x=(n(s.x0 - 5.0)) y=(n(at.y(h as f64) + small * 0.35)) { (clock(h as f64)) }
        }
        @for k in a..b { (bar(&p.columns[k], &at, k, id, s)) }
        @for k in a..b { (letters(&p.columns[k], &at, k, s)) }
        @for (k, m) in p.marks.iter().enumerate() {
            @let last = b == p.columns.len() && m.before == b;
            @if (a..b).contains(&m.before) || last {
                // Lines of one evening stand side by side.
                @let same = p.marks[..k].iter().filter(|o| o.before == m.before).count() as f64;
                @let x = (at.left(m.before) + same * 5.0).min(right);
                line class=(if m.remedy { "now" } else { "thread" }) x1=(n(x)) x2=(n(x)) y1=(n(top - 6.0)) y2=(n(bottom)) { title { (m.words) } }
                text class=(if m.remedy { "strong mid" } else { "small mid" }) x=(n((x + same * 7.0).clamp(s.x0, s.x1))) y=(n(top - 9.0)) { (m.number) }
            }
        }
        (dates(p, &at, (a, b), s, bottom + s.text + 3.0))
        @if let Some(strip) = &p.strip { (draw_strip(p, strip, &at, (a, b), s, bottom + 2.0 * s.text + 14.0, right)) }
    }
}

/// The curve of darkness over the nights of a panel.
fn darkness(p: &SeasonPicture, at: &Place, (a, b): (usize, usize)) -> Markup {
    let known: Vec<(usize, f64, f64)> =
        (a..b).filter_map(|k| Some((k, p.columns[k].dark.first()?.0, p.columns[k].dark.last()?.1))).collect();
    let (Some(first), Some(last)) = (known.first(), known.last()) else { return PreEscaped(String::new()) };
    let mut upper = vec![(at.left(first.0), first.1)];
    upper.extend(known.iter().map(|k| (at.mid(k.0), k.1)));
    upper.push((at.left(last.0) + at.step, last.1));
    let mut lower = vec![(at.left(first.0), first.2)];
    lower.extend(known.iter().map(|k| (at.mid(k.0), k.2)));
    lower.push((at.left(last.0) + at.step, last.2));
    let text =
        |l: &[(f64, f64)]| l.iter().map(|(x, h)| format!("{},{}", n(*x), n(at.y(*h)))).collect::<Vec<_>>().join(" ");
    let back: Vec<(f64, f64)> = lower.iter().rev().copied().collect();
    html! {
        polygon class="darkness" points=(format!("{} {}", text(&upper), text(&back))) {}
        polyline class="sun" points=(text(&upper)) {}
        polyline class="sun" points=(text(&lower)) {}
    }
}

/// One night. Solid: trouble; hollow: quiet; hatched: not watched; a thread where it was in session and lost.
fn bar(c: &Column, at: &Place, k: usize, id: &str, s: &Sheet) -> Markup {
    let w = (at.step * 0.62).clamp(3.0, 18.0);
    let (x, mid) = (at.mid(k) - w / 2.0, at.mid(k));
    let rect = |class: &str, fill: Option<String>, (h0, h1): (f64, f64)| {
        let (y0, y1) = (at.y(h0), at.y(h1));
        html! { rect class=(class) fill=[fill] x=(n(x)) y=(n(y0)) width=(n(w)) height=(n((y1 - y0).max(1.0))) {} }
    };
    html! {
        g {
            title { "night of " (c.date) ": " (c.kind.word()) @if c.skipped > 0 { ", then " (c.skipped) " more without a session" } }
            @match c.kind {
                NightKind::NoSession => {
                    circle class="dot" cx=(n(mid)) cy=(n((at.top + at.bottom) / 2.0)) r="1.5" {}
                    @if c.skipped > 0 { text class="small mid" x=(n(mid)) y=(n((at.top + at.bottom) / 2.0 + s.text + 4.0)) { "…" } }
                }
                NightKind::NotWatched => @for i in &c.session { (rect("unseen", Some(format!("url(#{id}-gap)")), *i)) },
                NightKind::Trouble | NightKind::Quiet => {
                    @for i in &c.session { line class="thread" x1=(n(mid)) x2=(n(mid)) y1=(n(at.y(i.0))) y2=(n(at.y(i.1))) {} }
                    @for i in &c.at_risk { (rect(if c.kind == NightKind::Trouble { "troubled" } else { "quiet" }, None, *i)) }
                    @for i in &c.unseen { (rect("unseen", Some(format!("url(#{id}-gap)")), *i)) }
                }
            }
        }
    }
}

/// Faults as letters, kept apart where they would touch.
fn letters(c: &Column, at: &Place, k: usize, s: &Sheet) -> Markup {
    let size = if at.step < 15.0 { s.text - 2.0 } else { s.text };
    let mut free = f64::NEG_INFINITY;
    let placed: Vec<(f64, &String, &String)> = c
        .letters
        .iter()
        .map(|(h, l, w)| {
            let y = (at.y(*h) + size * 0.8).max(free + size).min(at.bottom + size * 0.4);
            free = y;
            (y, l, w)
        })
        .collect();
    html! {
        @for (y, l, w) in placed {
            text class="strong mid halo" x=(n(at.mid(k))) y=(n(y)) { (l) title { (l) ": " (w) } }
        }
    }
}

/// Dates under the bars: the first of each month, and others where there is room.
fn dates(p: &SeasonPicture, at: &Place, (a, b): (usize, usize), s: &Sheet, y: f64) -> Markup {
    let small = s.text - 1.0;
    let mut free = f64::NEG_INFINITY;
    let mut month = String::new();
    let mut out = vec![];
    for k in a..b {
        let Ok(d) = p.columns[k].date.parse::<Date>() else { continue };
        let now = d.strftime("%b").to_string();
        let label = if now == month { d.day().to_string() } else { format!("{} {now}", d.day()) };
        let half = width(&label, small) / 2.0;
        let x = at.mid(k).max(s.x0 + half - 8.0);
        if x - half > free {
            out.push((x, label));
            free = x + half + 8.0;
            month = now;
        }
    }
    html! { @for (x, l) in out { text class="small mid" x=(n(x)) y=(n(y)) { (l) } } }
}

/// The signal: each night from its lowest to its highest reading before the first fault, a dot at the mean.
fn draw_strip(
    p: &SeasonPicture,
    strip: &super::Strip,
    at: &Place,
    (a, b): (usize, usize),
    s: &Sheet,
    y0: f64,
    right: f64,
) -> Markup {
    // One scale for all panels.
    let all = p.columns.iter().filter_map(|c| c.value);
    let (mut low, mut high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v.0), h.max(v.2)));
    if let Some((t, _)) = strip.threshold {
        (low, high) = (low.min(t), high.max(t));
    }
    let (low, high, ticks, decimals) = nice(low, high, 4);
    let (top, bottom) = (y0 + s.text + 4.0, y0 + s.strip);
    let y = |v: f64| bottom - (v - low) / (high - low).max(1e-9) * (bottom - top);
    let small = s.text - 1.0;
    let limit = strip.threshold.map(|(t, d)| {
        (
            t,
            format!(
                "{} {} {}",
                if d == Direction::Below { "faults below" } else { "faults above" },
                number(t, 1),
                strip.unit
            ),
        )
    });
    html! {
        text class="small" x=(n(s.x0)) y=(n(y0)) {
            (strip.title) @if !strip.unit.is_empty() { ", " (strip.unit) } @if s.wide { ", lowest to highest before the first fault" }
        }
        @for t in &ticks {
            line class="grid" x1=(n(s.x0)) x2=(n(right)) y1=(n(y(*t))) y2=(n(y(*t))) {}
            text class="small end" x=(n(s.x0 - 5.0)) y=(n(y(*t) + small * 0.35)) { (number(*t, decimals)) }
        }
        @for k in a..b {
            @if let Some((l, m, h)) = p.columns[k].value {
                @let mid = at.mid(k);
                line class="line" x1=(n(mid)) x2=(n(mid)) y1=(n(y(l))) y2=(n(y(h))) {}
                @if p.columns[k].kind == NightKind::Trouble { circle class="troubled" cx=(n(mid)) cy=(n(y(m))) r="3.2" {} }
                @else { circle class="quiet" cx=(n(mid)) cy=(n(y(m))) r="3.2" {} }
            }
        }
        @if let Some((t, words)) = limit {
            line class="now" x1=(n(s.x0)) x2=(n(right)) y1=(n(y(t))) y2=(n(y(t))) {}
            text class="small strong halo" x=(n(s.x0 + 4.0)) y=(n(y(t) - 4.0)) { (words) }
        }
    }
}

/// Samples of the fills with their words, and the dated lines; and the height of the whole drawing.
fn legend(p: &SeasonPicture, s: &Sheet, id: &str, y0: f64) -> (Markup, f64) {
    let small = s.text - 1.0;
    let has = |k: NightKind| p.columns.iter().any(|c| c.kind == k);
    let lost = p.columns.iter().any(|c| c.kind == NightKind::Trouble);
    let items: Vec<(&str, &str)> = [
        (has(NightKind::Trouble), "troubled", "trouble"),
        (has(NightKind::Quiet), "quiet", "quiet"),
        (has(NightKind::NotWatched) || p.columns.iter().any(|c| !c.unseen.is_empty()), "unseen", "not watched"),
        (has(NightKind::NoSession), "dot", "no session"),
        (lost, "thread", "in session, time lost"),
        (p.site, "darkness", "dark"),
    ]
    .into_iter()
    .filter(|i| i.0)
    .map(|i| (i.1, i.2))
    .collect();
    let (mut x, mut y) = (s.x0.min(10.0), y0 + small + 4.0);
    let mut placed = vec![];
    for (class, word) in items {
        let need = 20.0 + width(word, small) + 14.0;
        if x > 12.0 && x + need > s.width {
            x = 10.0;
            y += small + 8.0;
        }
        placed.push((class, word, x, y));
        x += need;
    }
    let mut lines = vec![];
    for m in &p.marks {
        for (k, l) in wrapped(&format!("{}  {}", m.number, m.words), small, s.width - 20.0).into_iter().enumerate() {
            y += small + if k == 0 { 8.0 } else { 4.0 };
            lines.push((l, y));
        }
    }
    let zone_at = y + small + 8.0;
    let drawn = html! {
        @for (class, word, x, y) in placed {
            @let mid = y - small * 0.35;
            @match class {
                "dot" => circle class="dot" cx=(n(x + 6.0)) cy=(n(mid)) r="1.8" {},
                "thread" => line class="thread" x1=(n(x + 6.0)) x2=(n(x + 6.0)) y1=(n(mid - 6.0)) y2=(n(mid + 6.0)) {},
                "unseen" => rect class="unseen" fill=(format!("url(#{id}-gap)")) x=(n(x)) y=(n(mid - 6.0)) width="12" height="12" {},
                _ => rect class=(class) x=(n(x)) y=(n(mid - 6.0)) width="12" height="12" {},
            }
            text class="small" x=(n(x + 18.0)) y=(n(y)) { (word) }
        }
        @for (l, y) in lines { text class="small" x="10" y=(n(y)) { (l) } }
        text class="small" x="10" y=(n(zone_at)) { "clock times of " (p.zone) }
    };
    (drawn, zone_at + 8.0)
}

/// A text in lines that fit.
fn wrapped(text: &str, size: f64, room: f64) -> Vec<String> {
    let mut out = vec![String::new()];
    for w in text.split(' ') {
        let line = out.last_mut().filter(|l| l.is_empty() || width(&format!("{l} {w}"), size) <= room);
        match line {
            Some(l) if l.is_empty() => l.push_str(w),
            Some(l) => {
                l.push(' ');
                l.push_str(w);
            }
            None => out.push(w.into()),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_seasons_are_cut_evenly() {
        assert_eq!(panels(21, 46), [(0, 21)]);
        assert_eq!(panels(60, 46), [(0, 30), (30, 60)]);
        assert_eq!(panels(5, 2), [(0, 2), (2, 4), (4, 5)]);
        assert!(panels(0, 46).is_empty());
    }
}
