//! The JSON API. Times are integer milliseconds since 1970 (UTC), values are in the signals' stored units.

pub mod alarms;
pub mod happened;
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
use serde::Serialize;

/// What came of a wish.
#[derive(Debug, Serialize)]
pub struct Said {
    said: String,
}

/// The longest stretch that one request may ask for: ten years.
pub const LONGEST: Span = Span::hours(24 * 3660);

/// `from` and `to`; by default the stretch `by_default` up to `now`.
fn stretch(p: &mut Params, now: UnixMs, by_default: Span) -> Result<(UnixMs, UnixMs), Problem> {
    let (from, to) = (p.time("from")?, p.time("to")?);
    // An instant that is just now belongs to the answer.
    let to = to.unwrap_or_else(|| UnixMs((now.0 + 1).max(from.map_or(0, |f| f.0 + 1)).clamp(1, LATEST_MS)));
    let from = from.unwrap_or(UnixMs((to - by_default).0.max(0)));
    if from >= to {
        return Err(Problem::parameter("from", format!("`from` ({}) must lie before `to` ({})", from.0, to.0)));
    }
    if to - from > LONGEST {
        return Err(Problem::parameter("from", "`from` and `to` may lie at most ten years apart"));
    }
    Ok((from, to))
}
