//! What is frozen when a remedy is written down: the rule for hard hours, the length of the record before it, and whether it is judged
//! with hindsight.

use super::gather::{self, Gathered, Wish};
use crate::analysis::remedy::{self, HardWhenRefused};
use crate::analysis::season::SINCE_START;
use crate::analysis::thermal::{ThermalFit, fit_season};
use crate::model::command::{HardWhen, RemedyWish};
use crate::model::{Span, UnixMs};
use crate::night::night_of;
use crate::report::settings::Settings;
use crate::store::{Reader, StoreError};

/// Seed of everything that is drawn in the report, so that one store gives one answer.
pub const SEED: u64 = 1;

/// What was frozen.
#[derive(Clone, Debug, PartialEq)]
pub struct Frozen {
    /// The rule for hard hours; none where nothing known tells them from others.
    pub hard_when: Option<HardWhen>,
    /// Whether the program chose it.
    pub chosen: bool,
    /// Length of the record before the remedy.
    pub record_before: Span,
    /// Written down after nights of its own time had passed.
    pub hindsight: bool,
}

/// Why nothing was frozen.
#[derive(Debug, thiserror::Error)]
pub enum FreezeError {
    /// The stated rule for hard hours.
    #[error(transparent)]
    Refused(#[from] HardWhenRefused),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Freezes. A stated rule is looked at first, unless it is to be used `anyway`. With hindsight no rule is chosen: it is chosen anew
/// inside every permutation when the remedy is judged.
///
/// # Errors
/// A stated rule on a signal without readings, or on one that shifted when the remedy began; a store that cannot be read.
pub fn freeze(
    reader: &Reader,
    settings: Settings,
    wish: &RemedyWish,
    anyway: bool,
    now: UnixMs,
) -> Result<Frozen, FreezeError> {
    let g = gather::gather(reader, settings, &Wish::default(), now, &|_, _| ())?;
    let zone = g.zone.clone().unwrap_or(jiff::tz::TimeZone::UTC);
    let hindsight = night_of(wish.since, &zone).to <= now;
    let first = g.spans.iter().zip(&g.season.nights).find(|(_, n)| n.usable()).map(|(s, _)| s.from);
    let record_before = first.map_or(Span::ZERO, |f| Span((wish.since - f).0.max(0)));
    let (hard_when, chosen) = match &wish.hard_when {
        Some(rule) => {
            // The clock is beyond the reach of every remedy.
            if !anyway && rule.signal.as_str() != SINCE_START {
                remedy::check_hard(&g.season, rule, wish.since)?;
            }
            (Some(rule.clone()), false)
        }
        None if hindsight => (None, false),
        None => {
            let rule = remedy::choose_hard(&g.season, wish.since, &g.air.boxes, SEED);
            let chosen = rule.is_some();
            (rule, chosen)
        }
    };
    Ok(Frozen { hard_when, chosen, record_before, hindsight })
}

/// The thermal model of the season's box.
///
/// # Errors
/// Why there is none, in words.
pub fn thermal(g: &Gathered) -> Result<ThermalFit, String> {
    if g.air.from.is_none() {
        return Err("box and outside temperature are not both recorded".into());
    }
    if g.air.boxes.is_empty() {
        return Err("box and outside temperature were never known together for long enough".into());
    }
    fit_season(&g.air.boxes, SEED).map_err(|e| e.to_string())
}
