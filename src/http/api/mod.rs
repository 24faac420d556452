//! The JSON API. Times are integer milliseconds since 1970 (UTC), values are in the signals' stored units.

pub mod alarms;
pub mod happened;
pub mod imports;
pub mod incidents;
pub mod metrics;
pub mod openapi;
pub mod remedies;
pub mod session;
pub mod signals;
pub mod summary;
pub mod views;

use crate::http::extract::{LATEST_MS, Params};
use crate::http::problem::Problem;
use crate::model::{Span, UnixMs};
use serde::{Deserialize, Deserializer, Serialize};

/// What came of a wish.
#[derive(Debug, Serialize)]
pub struct Said {
    said: String,
}

/// `from` and `to`; by default the stretch `by_default` up to `now`. An empty stretch is no error: it holds nothing.
fn stretch(p: &mut Params, now: UnixMs, by_default: Span) -> Result<(UnixMs, UnixMs), Problem> {
    let (from, to) = (p.time("from")?, p.time("to")?);
    // An instant that is just now belongs to the answer.
    let to = to.unwrap_or(UnixMs((now.0 + 1).clamp(1, LATEST_MS)));
    let from = from.unwrap_or(UnixMs((to - by_default).0.max(0)));
    Ok((from, to.max(from)))
}

/// A whole number in JSON, which may also be written as `60.0` or `6e1` (RFC 8259 knows numbers, not integers).
fn whole<'de, D: Deserializer<'de>>(d: D) -> Result<i64, D::Error> {
    let n = serde_json::Number::deserialize(d)?;
    let exact = |f: f64| (f.fract() == 0.0 && f.abs() <= 9_007_199_254_740_992.0).then_some(f as i64);
    n.as_i64()
        .or_else(|| n.as_f64().and_then(exact))
        .ok_or_else(|| serde::de::Error::custom(format!("`{n}` is no whole number in range")))
}

fn maybe_whole<'de, D: Deserializer<'de>>(d: D) -> Result<Option<i64>, D::Error> {
    #[derive(Deserialize)]
    struct Whole(#[serde(deserialize_with = "whole")] i64);
    Ok(Option::<Whole>::deserialize(d)?.map(|w| w.0))
}
