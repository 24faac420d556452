//! The pictures of the night so far, drawn from the store at most once a minute (sooner after a transition) and shared by
//! all open pages.

use crate::http::app::App;
use crate::http::problem::Problem;
use crate::http::readers;
use crate::http::words::Show;
use crate::model::{Live, Name, Span, UnixMs};
use crate::night::night_of;
use crate::report::picture::{LinePlot, Point, Series, Stroke};
use crate::report::say;
use crate::store::{Reader, StoreError};
use maud::{Markup, html};
use std::sync::Arc;
use tokio::sync::Mutex;

/// Drawn anew after this long.
const STALE: Span = Span::mins(1);
/// Stretches of a line.
const POINTS: usize = 180;

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
            drawn.html = draw(app, now).await.into_string().into();
            drawn.at = Some(now);
            drawn.seq = live.seq;
        }
        drawn.html.clone()
    }
}

async fn draw(app: &App, now: UnixMs) -> Markup {
    if app.serving.store.is_none() {
        return html! {};
    }
    let config = app.config();
    let show = Show::of(&config);
    let drawn: Result<Markup, Problem> = readers::read(app, move |r| temperatures(r, &show, now)).await;
    drawn.unwrap_or_else(|p| html! { p.caution { "The night so far cannot be drawn: " (p.detail()) "." } })
}

/// Box, outside and dew point since the evening.
fn temperatures(r: &Reader, show: &Show, now: UnixMs) -> Result<Markup, StoreError> {
    let night = night_of(now, &show.zone);
    let from = night.from.max(UnixMs(now.0 - Span::hours(16).0));
    let mut series = vec![];
    for (name, label, stroke) in [
        ("temperature.box", "box", Stroke::Heavy),
        ("temperature.outside", "outside", Stroke::Plain),
        ("dew.point", "dew point", Stroke::Dashed),
    ] {
        let Some(id) = Name::new(name).ok().map(|n| r.signal_id(&n)).transpose()?.flatten() else { continue };
        let points: Vec<Point> = r
            .buckets(id, from, now, POINTS)?
            .into_iter()
            .map(|b| {
                let shown = |v| say::in_scale(v, crate::model::Unit::Celsius, show.scale);
                let value = (b.count > 0).then(|| (shown(b.min), shown(b.mean), shown(b.max)));
                Point { at: UnixMs(b.from.0 + (b.to - b.from).0 / 2), value }
            })
            .collect();
        if points.iter().any(|p| p.value.is_some()) {
            series.push(Series { label: label.into(), stroke, decimals: Some(1), points });
        }
    }
    if series.is_empty() {
        return Ok(html! {});
    }
    let plot = LinePlot {
        name: "temperatures".into(),
        about: "Temperatures of the night so far.".into(),
        from,
        to: now,
        zone: show.zone.clone(),
        unit: say::symbol(crate::model::Unit::Celsius, show.scale).into(),
        at_least: None,
        at_most: None,
        series,
        thresholds: vec![],
        dark: vec![],
        gaps: r.gaps(from, now)?.into_iter().map(|g| (g.from, g.to)).collect(),
        letters: vec![],
        now: None,
    };
    Ok(html! { h2 { "Temperatures" } (plot.draw_wide()) (plot.draw_tall()) })
}
