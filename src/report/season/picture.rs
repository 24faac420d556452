//! The picture of the season: each night an upright bar from dusk to dawn on a clock axis, under the curve of darkness.
//!
//! Plain data here, drawn as SVG in [`draw`] and in characters by [`SeasonPicture::lines`]. Kinds of night differ by fill, so that
//! colour only repeats what the shape says.

mod draw;
mod lines;

pub use draw::{draw_tall, draw_wide};

use super::gather::Gathered;
use super::model::NightLine;
use crate::analysis::causes::{Causes, Direction};
use crate::analysis::season::NightKind;
use crate::model::{Name, Unit, UnixMs, zone_said};
use crate::night::Interval;
use crate::report::say;

/// Nights without a session in a row of which all are drawn; of longer rows one stands for the rest.
const EMPTY: usize = 2;

/// The picture.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SeasonPicture {
    /// Upper and lower end of the clock axis, hours after noon.
    pub hours: (f64, f64),
    /// The nights, in order.
    pub columns: Vec<Column>,
    /// Remedies and changes, in order.
    pub marks: Vec<Dated>,
    /// The signal beside it.
    pub strip: Option<Strip>,
    /// Whether dark hours are known.
    pub site: bool,
    /// Name of the zone.
    pub zone: String,
}

/// One night. All stretches are hours after noon.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// The evening's date.
    pub date: String,
    /// Its kind.
    pub kind: NightKind,
    /// Dark.
    pub dark: Vec<(f64, f64)>,
    /// In session.
    pub session: Vec<(f64, f64)>,
    /// In which it could have failed.
    pub at_risk: Vec<(f64, f64)>,
    /// In session, not watched.
    pub unseen: Vec<(f64, f64)>,
    /// Faults: when, letter, words.
    pub letters: Vec<(f64, String, String)>,
    /// Nights without a session that it stands for beside itself.
    pub skipped: usize,
    /// The signal: lowest, mean, highest; none where unknown.
    pub value: Option<(f64, f64, f64)>,
}

/// A remedy or a recorded change.
#[derive(Clone, Debug, PartialEq)]
pub struct Dated {
    /// Before which column its line stands; as many as there are columns: after the last.
    pub before: usize,
    /// Its number in the picture.
    pub number: usize,
    /// What and when.
    pub words: String,
    /// A remedy; else a change.
    pub remedy: bool,
}

/// The signal beside the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// What it is.
    pub title: String,
    /// Symbol of its unit, in the person's scale.
    pub unit: String,
    /// Threshold and on which side the faults came.
    pub threshold: Option<(f64, Direction)>,
}

/// Hours after noon of a night.
fn after_noon(t: UnixMs, noon: UnixMs) -> f64 {
    (t - noon).as_hours_f64()
}

/// The picture of a gathered season. `shown`: the signal beside it.
pub fn of(g: &Gathered, nights: &[NightLine], shown: &Option<Name>, causes: &Causes) -> SeasonPicture {
    let signal = shown.as_ref().and_then(|n| g.season.signal(n));
    let unit = signal.map_or(Unit::None, |s| g.season.signals[s].unit);
    let scaled = |v: f64| say::in_scale(v, unit, g.settings.scale);
    let mut columns: Vec<Column> = vec![];
    let mut empty = 0;
    // Which night each column begins with, for the dated lines.
    let mut begins: Vec<UnixMs> = vec![];
    for ((n, s), line) in g.season.nights.iter().zip(&g.spans).zip(nights) {
        empty = if n.kind == NightKind::NoSession { empty + 1 } else { 0 };
        if empty > EMPTY
            && let Some(last) = columns.last_mut()
        {
            last.skipped += 1;
            continue;
        }
        let part = |all: &[Interval]| all.iter().map(|i| (after_noon(i.0, s.from), after_noon(i.1, s.from))).collect();
        let letters = line.faults.iter().map(|f| {
            let words = format!(
                "{}, {}",
                say::zoned(f.at, g.zone.as_ref().unwrap_or(&jiff::tz::TimeZone::UTC)).strftime("%H:%M"),
                f.what
            );
            (after_noon(f.at, s.from), f.letter.clone(), words)
        });
        let figures = signal.and_then(|k| n.figures.get(k).copied().flatten()).filter(|_| n.usable());
        begins.push(s.from);
        columns.push(Column {
            date: n.date.clone(),
            kind: n.kind,
            dark: part(&s.dark),
            session: part(&s.sessions),
            at_risk: part(&s.at_risk),
            unseen: part(&s.unseen),
            letters: letters.collect(),
            skipped: 0,
            value: figures.map(|f| (scaled(f.minimum), scaled(f.mean), scaled(f.maximum))),
        });
    }
    // Nights before the first and after the last with a session say nothing.
    while columns.last().is_some_and(|c| c.kind == NightKind::NoSession) {
        columns.pop();
        begins.pop();
    }
    let lead = columns.iter().take_while(|c| c.kind == NightKind::NoSession).count();
    columns.drain(..lead);
    begins.drain(..lead);
    let zone = g.zone.clone().unwrap_or(jiff::tz::TimeZone::UTC);
    let when = |t: UnixMs| say::zoned(t, &zone).strftime("%-d %B").to_string();
    let place = |t: UnixMs| begins.iter().position(|b| *b + crate::model::Span::hours(24) > t).unwrap_or(begins.len());
    let mut marks: Vec<(UnixMs, bool, String)> = g
        .season
        .remedies
        .iter()
        .flat_map(|r| {
            let until = r.until.map(|u| (u, true, format!("{} taken away, {}", r.name, when(u))));
            [Some((r.since, true, format!("{}, since {}", r.name, when(r.since)))), until]
        })
        .flatten()
        .collect();
    marks.extend(changes(g, &begins, &when));
    marks.sort_by_key(|m| m.0);
    let marks = marks
        .into_iter()
        .enumerate()
        .map(|(k, (t, remedy, words))| Dated { before: place(t), number: k + 1, words, remedy })
        .collect();
    let threshold = shown.as_ref().and_then(|n| {
        let c = causes.causes.iter().find(|c| c.signal == *n && c.kind.is_none() && c.verdict.blames())?;
        Some((scaled(c.threshold?), c.direction))
    });
    let strip = signal.filter(|_| columns.iter().any(|c| c.value.is_some())).map(|k| Strip {
        title: g.season.signals[k].what.clone(),
        unit: say::symbol(unit, g.settings.scale).into(),
        threshold,
    });
    SeasonPicture { hours: axis(&columns), columns, marks, strip, site: g.site, zone: zone_said(&zone) }
}

/// Recorded changes as dated lines; those that were first met on the same night share one.
fn changes(g: &Gathered, begins: &[UnixMs], when: &dyn Fn(UnixMs) -> String) -> Vec<(UnixMs, bool, String)> {
    let met = |t: UnixMs| begins.iter().filter(|b| **b <= t).count();
    let all: Vec<_> = g.season.changes.iter().collect();
    all.chunk_by(|a, b| met(a.at) == met(b.at))
        .map(|same| {
            let first = crate::report::morning::change_words(&g.settings, same[0]);
            let more = match same.len() - 1 {
                0 => String::new(),
                1 => " and 1 change more".into(),
                n => format!(" and {n} changes more"),
            };
            (same[0].at, false, format!("{first}{more}, {}", when(same[0].at)))
        })
        .collect()
}

/// The clock axis: from dusk to dawn over all nights, in whole hours.
fn axis(columns: &[Column]) -> (f64, f64) {
    let all = columns.iter().flat_map(|c| c.dark.iter().chain(&c.session));
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), i| (a.min(i.0), b.max(i.1)));
    if low < high { (low.floor().max(0.0), high.ceil().min(25.0)) } else { (0.0, 24.0) }
}

/// A clock label: hours after noon as `18:00`.
fn clock(after: f64) -> String {
    format!("{:02}:00", ((after.round() as i64) + 12).rem_euclid(24))
}

/// The picture in words, for those who cannot see it.
pub fn describe(p: &SeasonPicture) -> String {
    let of = |k: NightKind| p.columns.iter().filter(|c| c.kind == k).count();
    let faults: usize = p.columns.iter().map(|c| c.letters.len()).sum();
    let mut out = format!(
        "The season, one upright bar a night: trouble on {}, quiet on {}, not watched {}; {}.",
        say::count(of(NightKind::Trouble), "night"),
        say::count(of(NightKind::Quiet), "night"),
        say::count(of(NightKind::NotWatched), "night"),
        say::count(faults, "fault")
    );
    for c in p.columns.iter().filter(|c| !c.letters.is_empty()) {
        let all: Vec<String> = c.letters.iter().map(|(_, l, w)| format!("{l} at {w}")).collect();
        out += &format!(" Night of {}: {}.", c.date, all.join("; "));
    }
    for m in &p.marks {
        out += &format!(" {}.", say::sentence_start(&m.words));
    }
    out
}
