//! Signals: what is measured, and one signal in buckets of minimum, mean and maximum.

use super::stretch;
use super::views::ReadingView;
use crate::config::nearest;
use crate::http::app::App;
use crate::http::extract::{Named, Params};
use crate::http::problem::{Kind, Problem};
use crate::http::readers;
use crate::model::{Name, SignalDef, SignalId, Signals, Span, Unit, UnixMs};
use axum::Json;
use axum::extract::State;
use serde::Serialize;
use std::collections::HashMap;

/// Most buckets in one answer.
pub const MOST_POINTS: i64 = 4000;
/// Buckets when nothing is said.
const POINTS: i64 = 500;

/// What a signal is, with its latest reading.
#[derive(Debug, Serialize)]
pub struct SignalView {
    name: Name,
    unit: &'static str,
    symbol: &'static str,
    resolution: f64,
    low: Option<f64>,
    high: Option<f64>,
    what: String,
    place: String,
    latest: Option<ReadingView>,
}

impl SignalView {
    fn of(def: &SignalDef, latest: Option<ReadingView>) -> SignalView {
        // The whole number line is no statement about a signal.
        let bound = |v: f64| (v.abs() < f64::MAX).then_some(v);
        SignalView {
            name: def.name.clone(),
            unit: def.unit.code(),
            symbol: def.unit.symbol(),
            resolution: def.resolution,
            low: bound(def.low),
            high: bound(def.high),
            what: def.what.clone(),
            place: def.place.clone(),
            latest,
        }
    }
}

/// All signals.
#[derive(Debug, Serialize)]
pub struct AllSignals {
    signals: Vec<SignalView>,
}

/// `GET /api/v1/signals`
pub async fn all(State(app): State<App>, p: Params) -> Result<Json<AllSignals>, Problem> {
    p.finish()?;
    let live = app.live();
    let mut latest: HashMap<SignalId, ReadingView> =
        live.latest.iter().map(|(id, at, v)| (*id, ReadingView::of(*at, v))).collect();
    let signals = app.serving.signals.all();
    Ok(Json(AllSignals { signals: signals.iter().map(|(id, d)| SignalView::of(d, latest.remove(id))).collect() }))
}

/// One bucket; the three figures are null when nothing was known in it.
#[derive(Debug, Serialize)]
struct BucketView {
    from: UnixMs,
    to: UnixMs,
    min: Option<f64>,
    mean: Option<f64>,
    max: Option<f64>,
    count: u32,
    unavailable: u32,
}

/// A signal over a stretch.
#[derive(Debug, Serialize)]
pub struct Course {
    name: Name,
    unit: &'static str,
    from: UnixMs,
    to: UnixMs,
    buckets: Vec<BucketView>,
}

/// `GET /api/v1/signals/{name}?from&to&points`
pub async fn one(State(app): State<App>, Named(name): Named, mut p: Params) -> Result<Json<Course>, Problem> {
    let points = p.whole("points", 1..=MOST_POINTS)?.unwrap_or(POINTS);
    let (from, to) = stretch(&mut p, app.now(), Span::hours(24))?;
    p.finish()?;
    let unit = unit_of(&app.serving.signals, &name)?;
    // A bucket is at least a millisecond long.
    let points = points.min((to - from).0).unsigned_abs() as usize;
    let wanted = name.clone();
    let rows = readers::read(&app, move |r| match r.signal_id(&wanted)? {
        Some(id) => r.buckets(id, from, to, points),
        // Known to the agent, but nothing of it is written yet.
        None => Ok(vec![]),
    })
    .await?;
    let known = |v: f64| v.is_finite().then_some(v);
    let buckets = rows.into_iter().map(|b| BucketView {
        from: b.from,
        to: b.to,
        min: known(b.min),
        mean: known(b.mean),
        max: known(b.max),
        count: b.count,
        unavailable: b.unavailable,
    });
    Ok(Json(Course { name, unit: unit.code(), from, to, buckets: buckets.collect() }))
}

fn unit_of(signals: &Signals, name: &Name) -> Result<Unit, Problem> {
    if let Some(def) = signals.id(name).and_then(|id| signals.def(id)) {
        return Ok(def.unit);
    }
    let all = signals.all();
    let near = nearest(name.as_str(), all.iter().map(|(_, d)| d.name.as_str()));
    let near = near.map_or_else(|| "`/api/v1/signals` lists them".into(), |n| format!("did you mean `{n}`?"));
    Err(Problem::new(Kind::NotFound, format!("there is no signal `{name}`; {near}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_name_is_named() {
        let e = unit_of(&crate::http::testing::signals(), &Name::new("temperature.bok").unwrap()).unwrap_err();
        assert!(e.detail().contains("`temperature.box`"), "{}", e.detail());
    }
}
