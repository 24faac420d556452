//! Line plots over the hours of a night: lines labelled where they end, gaps left open, a band from minimum to maximum,
//! threshold lines.

use super::axis::{Across, nice};
use super::spread::{fit, spread};
use crate::model::UnixMs;
use crate::report::say;
use jiff::tz::TimeZone;
use maud::{Markup, html};

/// Several quantities of one unit over time. Values are already in the unit and scale that people chose.
#[derive(Clone, Debug, PartialEq)]
pub struct LinePlot {
    /// A short word that is unique in the document (`temperatures`).
    pub name: String,
    /// What it shows, for those who cannot see it.
    pub about: String,
    /// Left edge.
    pub from: UnixMs,
    /// Right edge.
    pub to: UnixMs,
    /// Zone of the clock axis.
    pub zone: TimeZone,
    /// Unit of the vertical axis, such as `°C`; may be empty.
    pub unit: String,
    /// The vertical axis holds at least these values (0 and 100 for a share); none: only what was measured.
    pub at_least: Option<(f64, f64)>,
    /// The vertical axis ends here at the latest; what lies above is drawn at its edge.
    pub at_most: Option<f64>,
    /// The lines.
    pub series: Vec<Series>,
    /// Limits.
    pub thresholds: Vec<Threshold>,
    /// Dark stretches, shaded as in the picture of the night.
    pub dark: Vec<(UnixMs, UnixMs)>,
    /// Stretches in which the agent was not looking; hatched.
    pub gaps: Vec<(UnixMs, UnixMs)>,
    /// Instants with a thread down through the plot, and their letters.
    pub letters: Vec<(UnixMs, String)>,
    /// The present, while the night goes on.
    pub now: Option<UnixMs>,
}

/// One line.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Said at its end.
    pub label: String,
    /// How it is drawn.
    pub stroke: Stroke,
    /// Decimals of the last value in the label; none: the value is not said.
    pub decimals: Option<usize>,
    /// Points in order of time.
    pub points: Vec<Point>,
}

/// One point: mean, and the band around it. Where nothing was known, leave the point out or give one without value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When.
    pub at: UnixMs,
    /// Smallest, mean and largest value; none where nothing was known.
    pub value: Option<(f64, f64, f64)>,
}

/// How a line is drawn: told apart without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// Thick.
    Heavy,
    /// Thin.
    Plain,
    /// Short dashes.
    Dashed,
    /// Dots.
    Dotted,
    /// Dash, dot.
    DashDot,
    /// Long dashes.
    LongDash,
}

impl Stroke {
    /// In the order in which several lines take them.
    pub const ALL: [Stroke; 6] =
        [Stroke::Heavy, Stroke::Plain, Stroke::Dashed, Stroke::Dotted, Stroke::DashDot, Stroke::LongDash];

    fn class(self) -> &'static str {
        match self {
            Stroke::Heavy => "line heavy",
            Stroke::Plain => "line",
            Stroke::Dashed => "line dashed",
            Stroke::Dotted => "line dotted",
            Stroke::DashDot => "line dash-dot",
            Stroke::LongDash => "line long-dash",
        }
    }
}

/// A limit that a value is held against.
#[derive(Clone, Debug, PartialEq)]
pub struct Threshold {
    /// Where.
    pub value: f64,
    /// What it is: "limit 45 °C".
    pub label: String,
}

struct Sheet {
    class: &'static str,
    wide: bool,
    width: f64,
    x0: f64,
    x1: f64,
    text: f64,
    height: f64,
    room: f64,
    ticks: usize,
}

const WIDE: Sheet = Sheet {
    class: "picture wide",
    wide: true,
    width: 720.0,
    x0: 124.0,
    x1: 590.0,
    text: 12.0,
    height: 150.0,
    room: 54.0,
    ticks: 4,
};
const TALL: Sheet = Sheet {
    class: "picture tall",
    wide: false,
    width: 360.0,
    x0: 42.0,
    x1: 254.0,
    text: 14.0,
    height: 190.0,
    room: 62.0,
    ticks: 4,
};

impl LinePlot {
    /// Whether there is any value to draw.
    pub fn is_empty(&self) -> bool {
        !self.series.iter().any(|s| s.points.iter().any(|p| p.value.is_some()))
    }

    /// For screens and paper.
    pub fn draw_wide(&self) -> Markup {
        self.draw(&WIDE)
    }

    /// For phones, text at reading size.
    pub fn draw_tall(&self) -> Markup {
        self.draw(&TALL)
    }

    fn range(&self) -> (f64, f64) {
        let (mut low, mut high) = self.at_least.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
        for (a, _, b) in self.series.iter().flat_map(|s| s.points.iter().filter_map(|p| p.value)) {
            if a.is_finite() && b.is_finite() {
                (low, high) = (low.min(a), high.max(b));
            }
        }
        if let Some(most) = self.at_most.filter(|m| *m > low) {
            high = high.min(most);
        }
        // A limit is drawn when it is near what was measured; a far one would flatten every line.
        let reach = ((high - low) * 0.6).max(1.0);
        for t in &self.thresholds {
            if t.value > low - reach && t.value < high + reach {
                (low, high) = (low.min(t.value), high.max(t.value));
            }
        }
        (low, high)
    }

    fn draw(&self, s: &Sheet) -> Markup {
        let axis = Across { from: self.from, to: self.to, x0: s.x0, x1: s.x1 };
        let (low, high) = self.range();
        let (low, high, ticks, decimals) = nice(low, high, s.ticks);
        let small = s.text - 1.0;
        let top = s.text + if self.letters.is_empty() { 0.0 } else { 6.0 };
        let bottom = top + s.height;
        let y = |v: f64| bottom - (v.clamp(low, high) - low) / (high - low) * s.height;
        let axis_at = bottom + small + 5.0;
        let zone_at = axis_at + small + 4.0;
        let id = format!("{}-{}", self.name, if s.wide { "w" } else { "t" });
        html! {
            svg class=(s.class) viewBox=(format!("0 0 {} {:.0}", s.width, zone_at + 6.0)) role="img" aria-label=(self.words()) {
                defs {
                    pattern id=(format!("{id}-gap")) width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                        line class="hatch-line" x1="0" y1="0" x2="0" y2="5" {}
                    }
                }
                @for (a, b) in &self.dark {
                    @if let Some((xa, xb)) = axis.part(*a, *b) {
                        rect class="darkness" x=(n(xa)) y=(n(top)) width=(n(xb - xa)) height=(n(s.height)) {}
                    }
                }
                @for (i, v) in ticks.iter().enumerate() {
                    line class="grid" x1=(n(s.x0)) x2=(n(s.x1)) y1=(n(y(*v))) y2=(n(y(*v))) {}
                    text class="small end" x=(n(s.x0 - 6.0)) y=(n(y(*v) + 4.0)) {
                        (say::number(*v, decimals))
                        @if i + 1 == ticks.len() && s.wide && !self.unit.is_empty() { " " (self.unit) }
                    }
                }
                @if !s.wide && !self.unit.is_empty() { text class="small" x="2" y=(n(small)) { (self.unit) } }
                @for (a, b) in &self.gaps {
                    @if let Some((xa, xb)) = axis.part(*a, *b) {
                        rect class="unseen" fill=(format!("url(#{id}-gap)")) x=(n(xa)) y=(n(top)) width=(n((xb - xa).max(2.0))) height=(n(s.height)) {
                            title { "not watched from " (say::clock_s(*a, &self.zone)) " to " (say::clock_s(*b, &self.zone)) }
                        }
                    }
                }
                @for (at, _) in self.letters.iter().filter(|l| axis.holds(l.0)) {
                    line class="thread" x1=(n(axis.x(*at))) x2=(n(axis.x(*at))) y1=(n(top)) y2=(n(bottom)) {}
                }
                @let mut places = self.letters.iter().filter(|l| axis.holds(l.0)).map(|l| (axis.x(l.0), l.1.as_str())).collect::<Vec<_>>();
                @let () = places.sort_by(|a, b| a.0.total_cmp(&b.0));
                @for (x, text) in super::spread::group(&places, s.text) {
                    text class="strong mid" x=(n(x)) y=(n(top - 4.0)) { (text) }
                }
                @for t in self.thresholds.iter().filter(|t| (low..=high).contains(&t.value)) {
                    line class="limit" x1=(n(s.x0)) x2=(n(s.x1)) y1=(n(y(t.value))) y2=(n(y(t.value))) {}
                    text class="small halo" x=(n(s.x0 + 4.0)) y=(n((y(t.value) - 3.0).max(top + small))) { (t.label) }
                }
                @for line in &self.series {
                    @for run in runs(&line.points, &self.gaps) {
                        (draw_run(run, line.stroke, &axis, &y))
                    }
                }
                @if let Some(now) = self.now.filter(|t| axis.holds(*t)) {
                    line class="now" x1=(n(axis.x(now))) x2=(n(axis.x(now))) y1=(n(top)) y2=(n(bottom)) {}
                }
                (self.labels(s, &axis, &y, top, bottom))
                line class="grid" x1=(n(s.x0)) x2=(n(s.x1)) y1=(n(bottom)) y2=(n(bottom)) {}
                @for (x, label) in axis.ticks(&self.zone, s.room) {
                    line class="grid" x1=(n(x)) x2=(n(x)) y1=(n(bottom)) y2=(n(bottom + 4.0)) {}
                    text class="small mid" x=(n(x)) y=(n(axis_at)) { (label) }
                }
                text class="small mid" x=(n((s.x0 + s.x1) / 2.0)) y=(n(zone_at)) {
                    "local time (" (say::zone_over(self.from, self.to, &self.zone)) ")"
                }
            }
        }
    }

    /// Labels in a column at the right, each as near to the end of its line as the others allow.
    fn labels(&self, s: &Sheet, axis: &Across, y: &impl Fn(f64) -> f64, top: f64, bottom: f64) -> Markup {
        let ends: Vec<(&Series, UnixMs, f64)> = self
            .series
            .iter()
            .filter_map(|l| l.points.iter().rev().find_map(|p| p.value.map(|v| (l, p.at, v.1))))
            .filter(|e| e.2.is_finite())
            .collect();
        let Some(last) = ends.iter().map(|e| e.1).max() else { return html! {} };
        let x = axis.x(last) + 7.0;
        let small = s.text - 1.0;
        let lines = if s.wide { 1.0 } else { 2.0 };
        let wanted: Vec<f64> = ends.iter().map(|e| y(e.2) + 4.0).collect();
        let places = spread(&wanted, small * 1.15 * lines + 1.0, top + small - 4.0, bottom - (lines - 1.0) * small);
        html! {
            @for ((line, at, v), place) in ends.iter().zip(places) {
                // A line that ended well before the others says until when it ran.
                @let early = (last - *at).0 > (self.to.0 - self.from.0) / 40;
                @let value = line.decimals.map(|d| format!("{} {}", say::number(*v, d), self.unit)).unwrap_or_default();
                @let tail = if early { format!("until {}", say::clock(*at, &self.zone)) } else { value.trim_end().to_string() };
                @if axis.x(*at) + 3.0 < x {
                    line class="horizon" x1=(n(axis.x(last) + 1.0)) x2=(n(x - 1.5)) y1=(n(if early { place - 4.0 } else { y(*v) })) y2=(n(place - 4.0)) {}
                }
                @if s.wide {
                    text class="small halo" x=(n(x)) y=(n(place)) { (fit(&format!("{} {tail}", line.label), small, s.width - x - 2.0)) }
                } @else {
                    text class="small halo" x=(n(x)) y=(n(place)) { (fit(&line.label, small, s.width - x - 2.0)) }
                    text class="small strong halo" x=(n(x)) y=(n(place + small * 1.1)) { (tail) }
                }
            }
        }
    }

    /// The plot in words: from where to where each line went.
    fn words(&self) -> String {
        let mut out = vec![self.about.clone()];
        for s in &self.series {
            let known = || s.points.iter().filter_map(|p| p.value);
            let d = s.decimals.unwrap_or(1);
            let (Some(first), Some(last)) = (known().next(), known().next_back()) else {
                out.push(format!("{}: nothing measured.", say::sentence_start(&s.label)));
                continue;
            };
            let low = known().map(|v| v.0).fold(f64::INFINITY, f64::min);
            let high = known().map(|v| v.2).fold(f64::NEG_INFINITY, f64::max);
            out.push(format!(
                "{} from {} to {} {}, lowest {}, highest {}.",
                say::sentence_start(&s.label),
                say::number(first.1, d),
                say::number(last.1, d),
                self.unit,
                say::number(low, d),
                say::number(high, d)
            ));
        }
        out.join(" ").replace(" ,", ",")
    }
}

/// Stretches of neighbouring points. A point without value, a gap of the agent, or a hole much longer than the usual step
/// ends a run: a line drawn across would claim what nobody saw.
fn runs<'a>(points: &'a [Point], gaps: &[(UnixMs, UnixMs)]) -> Vec<&'a [Point]> {
    let mut steps: Vec<i64> = points.windows(2).map(|w| (w[1].at - w[0].at).0).collect();
    steps.sort_unstable();
    let hole = steps.get(steps.len() / 2).copied().unwrap_or(0).saturating_mul(5) / 2;
    let good = |p: &Point| {
        p.value.is_some_and(|v| v.0.is_finite() && v.1.is_finite() && v.2.is_finite())
            && !gaps.iter().any(|g| g.0 < p.at && p.at < g.1)
    };
    let mut out = vec![];
    let mut start = 0;
    for i in 0..points.len() {
        if !good(&points[i]) {
            if start < i {
                out.push(&points[start..i]);
            }
            start = i + 1;
        } else if i > start {
            let (a, b) = (points[i - 1].at, points[i].at);
            if (b - a).0 > hole || gaps.iter().any(|g| g.0 < b && g.1 > a) {
                out.push(&points[start..i]);
                start = i;
            }
        }
    }
    if start < points.len() {
        out.push(&points[start..]);
    }
    out
}

fn draw_run(run: &[Point], stroke: Stroke, axis: &Across, y: &impl Fn(f64) -> f64) -> Markup {
    let known: Vec<(f64, (f64, f64, f64))> = run.iter().filter_map(|p| p.value.map(|v| (axis.x(p.at), v))).collect();
    let thick = known.iter().any(|(_, (a, _, b))| y(*a) - y(*b) > 0.6);
    html! {
        @if let [(x, v)] = known.as_slice() {
            circle class="point" cx=(n(*x)) cy=(n(y(v.1))) r="2" {}
        } @else {
            @if thick {
                @let over: Vec<String> = known.iter().map(|(x, v)| format!("{},{}", n(*x), n(y(v.2)))).collect();
                @let back: Vec<String> = known.iter().rev().map(|(x, v)| format!("{},{}", n(*x), n(y(v.0)))).collect();
                polygon class="band" points=(format!("{} {}", over.join(" "), back.join(" "))) {}
            }
            @let mean: Vec<String> = known.iter().map(|(x, v)| format!("{},{}", n(*x), n(y(v.1)))).collect();
            polyline class=(stroke.class()) points=(mean.join(" ")) {}
        }
    }
}

/// A coordinate with one decimal, without needless zeros.
fn n(v: f64) -> String {
    let t = format!("{v:.1}");
    t.strip_suffix(".0").map(String::from).unwrap_or(t)
}

#[cfg(test)]
pub(crate) mod tests;
