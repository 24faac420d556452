//! The pictures of the night so far, drawn from the store at most once a minute (sooner after a transition) and shared by
//! all open pages.

use super::letter::quoted;
use super::marks;
use crate::http::app::App;
use crate::http::problem::Problem;
use crate::http::readers;
use crate::model::{Live, Name, Span, Unit, UnixMs};
use crate::night::night_of;
use crate::report::morning;
use crate::report::picture::{self, LinePlot, NightPicture, Point, Series, Stroke, Threshold};
use crate::report::say;
use crate::report::settings::Settings;
use crate::store::{Reader, StoreError};
use maud::{Markup, html};
use std::sync::Arc;
use tokio::sync::Mutex;

/// Drawn anew after this long.
const STALE: Span = Span::mins(1);
/// Stretches of a line over the whole width.
const POINTS: i64 = 180;

/// The latest drawing.
#[derive(Debug, Default)]
pub struct Pictures(Mutex<Drawn>);

#[derive(Debug, Default)]
struct Drawn {
    at: Option<UnixMs>,
    seq: i64,
    html: Arc<str>,
}

impl Pictures {
    /// The pictures, drawn anew if they are out of date. A store that cannot be read is said in their place.
    pub async fn fresh(&self, app: &App, live: &Live) -> Arc<str> {
        // Whoever comes while another draws waits for that drawing.
        let mut drawn = self.0.lock().await;
        let now = app.now();
        let stale = drawn.at.is_none_or(|at| !(Span::ZERO..STALE).contains(&(now - at)));
        if stale || drawn.seq != live.seq {
            drawn.html = draw(app, live, now).await.into_string().into();
            drawn.at = Some(now);
            drawn.seq = live.seq;
        }
        drawn.html.clone()
    }

    /// Lets them be drawn anew: something was said of what they show.
    pub async fn forget(&self) {
        self.0.lock().await.at = None;
    }
}

async fn draw(app: &App, live: &Live, now: UnixMs) -> Markup {
    if app.serving.store.is_none() {
        return html! {};
    }
    let settings = Settings::here(&app.config());
    let watched_since = live.agent_started.wall;
    let drawn: Result<Markup, Problem> =
        readers::read(app, move |r| night_so_far(r, settings, watched_since, now)).await;
    drawn.unwrap_or_else(|p| {
        html! { h2 { "The night so far" } p.caution { "It cannot be drawn: " (quoted(p.detail())) "." } }
    })
}

fn night_so_far(r: &Reader, settings: Settings, watched_since: UnixMs, now: UnixMs) -> Result<Markup, StoreError> {
    let night = night_of(now, &settings.time_zone());
    let mut p = morning::picture(r, &night, settings.clone(), now)?;
    if p.sun.is_empty() {
        // No site, no dusk and no dawn: what has been, rather than a day of which most has not come yet.
        p.from =
            p.from.max(watched_since.min(now - Span::mins(20))).max(now - Span::hours(16)).min(now - Span::mins(20));
        p.to = now;
    }
    if now <= p.from {
        return Ok(html! {
            h2 { "The night so far" }
            p { "It has not begun; its picture starts at " (say::clock(p.from, &p.zone)) "." }
        });
    }
    p.now = Some(now);
    let incidents = p.letters.iter().map(|l| r.incident(l.incident)).collect::<Result<Vec<_>, _>>()?;
    let plot = temperatures(r, &settings, &p, now)?;
    Ok(html! {
        h2 { "The night so far" }
        (picture::draw_wide(&p))
        (picture::draw_tall(&p))
        @if !p.letters.is_empty() {
            ul.letters { @for (l, i) in p.letters.iter().zip(&incidents) { li {
                @match i {
                    Some(i) => { (marks::line(&i.incident, &l.text, &say::clock(l.at, &p.zone), "/")) }
                    None => p { strong { (l.text) } " " (say::clock(l.at, &p.zone)) " " (quoted(&l.what)) }
                }
            } } }
        }
        @if !plot.series.is_empty() { h2 { "Temperatures" } (plot.draw_wide()) (plot.draw_tall()) }
    })
}

/// Box, outside and dew point over the hours of the picture.
fn temperatures(r: &Reader, s: &Settings, p: &NightPicture, now: UnixMs) -> Result<LinePlot, StoreError> {
    let shown = |v| say::in_scale(v, Unit::Celsius, s.scale);
    let end = now.min(p.to).max(p.from + Span(1));
    // The lines end now, and their points lie as close as they would over the whole width.
    let points = (POINTS * (end - p.from).0 / (p.to - p.from).0.max(1)).clamp(1, POINTS);
    let mut series = vec![];
    for (name, label, stroke) in [
        ("temperature.box", "box", Stroke::Heavy),
        ("temperature.outside", "outside", Stroke::Plain),
        ("dew.point", "dew point", Stroke::Dashed),
    ] {
        let Some(id) = Name::new(name).ok().map(|n| r.signal_id(&n)).transpose()?.flatten() else { continue };
        let points: Vec<Point> = r
            .buckets(id, p.from, end, points.unsigned_abs() as usize)?
            .into_iter()
            .map(|b| Point {
                at: UnixMs(b.from.0 + (b.to - b.from).0 / 2),
                value: (b.count > 0).then(|| (shown(b.min), shown(b.mean), shown(b.max))),
            })
            .collect();
        if points.iter().any(|p| p.value.is_some()) {
            series.push(Series { label: label.into(), stroke, decimals: Some(1), points });
        }
    }
    // A limit is drawn only where the line comes near it; else it would flatten everything.
    let near = |v: f64, above: bool| {
        let values =
            series.iter().filter(|l: &&Series| l.label == "box").flat_map(|l| &l.points).filter_map(|p| p.value);
        let mut values = values.map(|(low, _, high)| if above { high } else { low });
        values.any(|x| if above { x > shown(v) - 6.0 } else { x < shown(v) + 6.0 })
    };
    let limit = |v: Option<f64>, above: bool, words: &str| {
        v.filter(|v| near(*v, above)).map(|v| Threshold {
            value: shown(v),
            label: format!("{words} {}", say::value(v, Unit::Celsius, 1.0, s.scale)),
        })
    };
    let thresholds = [limit(s.box_hot, true, "too hot above"), limit(s.box_cold, false, "cold below")]
        .into_iter()
        .flatten()
        .collect();
    Ok(LinePlot {
        name: "temperatures".into(),
        about: "Temperatures of the night so far.".into(),
        from: p.from,
        to: p.to,
        zone: p.zone.clone(),
        unit: say::symbol(Unit::Celsius, s.scale).into(),
        at_least: None,
        at_most: None,
        series,
        thresholds,
        dark: p.dark.clone(),
        gaps: p.gaps.clone(),
        letters: p.letters.iter().map(|l| (l.at, l.text.clone())).collect(),
        now: p.now,
    })
}
