//! Did the remedy help: hard nights before against hard nights with it.
//!
//! | step | where |
//! | --- | --- |
//! | hard hours, told only by what the remedy cannot touch; a level of the box translated to the outside without heater | `hard` |
//! | trouble nights among hard nights, with and without the last three before: a test that holds when looked at every morning | [`super::anytime`] |
//! | beside it: Fisher's exact test, exact rate ratio, posterior probability under Jeffreys' gamma prior (½, 0) | `judge` |
//! | threshold chosen anew inside every permutation for what was entered afterwards | `judge` |
//! | warnings and words | `words` |

mod hard;
mod judge;
mod result;
#[cfg(test)]
mod tests;
mod words;

pub use result::{HardSource, HardWhenRefused, Origin, RemedyJudgement, RemedyVerdict, Stretch, Translation};
pub use words::BY_LOT;

use super::causes::{Causes, Progress};
use super::season::Season;
use super::thermal::{self, ThermalFit};
use crate::model::command::HardWhen;
use crate::model::rows::{ChangeRow, RemedyRow};
use crate::model::{Span, UnixMs};

/// How the judging is done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Seed of all random numbers.
    pub seed: u64,
    /// Number of permutations for what is judged with hindsight.
    pub permutations: usize,
}

impl Default for Options {
    fn default() -> Options {
        Options { seed: 1, permutations: 2000 }
    }
}

/// Judges every remedy of the season, then every recorded change as a rival (changes between the same two nights together).
/// `causes`: what the faults go with over the whole season, for a warning where that is not what tells hard hours. `thermal`: the
/// fitted box, where there is one.
pub fn judge(
    season: &Season,
    causes: &Causes,
    thermal: Option<&ThermalFit>,
    options: &Options,
    progress: Progress<'_>,
) -> Vec<RemedyJudgement> {
    let case = judge::Case { season, causes, thermal, options };
    let changes = changes(season);
    let all: Vec<(&RemedyRow, Origin)> = season
        .remedies
        .iter()
        .map(|r| (r, Origin::Remedy))
        .chain(changes.iter().map(|c| (c, Origin::Change)))
        .collect();
    all.iter()
        .enumerate()
        .map(|(i, (r, origin))| {
            let rivals = judge::rivals(season, r);
            let out = judge::one(&case, r, *origin, rivals);
            progress(i + 1, all.len());
            out
        })
        .collect()
}

/// Recorded changes as if they were remedies, all of the time between two usable nights as one. Changes before the first night or after
/// the last say nothing. Entered by the machine when they happened, but nobody said beforehand that they would help: hindsight.
fn changes(season: &Season) -> Vec<RemedyRow> {
    let usable = season.usable();
    let mut groups: Vec<(usize, Vec<&ChangeRow>)> = Vec::new();
    for c in &season.changes {
        let next = usable.iter().filter(|&&n| season.nights[n].from < c.at).count();
        if next == 0 || next == usable.len() {
            continue;
        }
        match groups.last_mut() {
            Some((n, g)) if *n == next => g.push(c),
            _ => groups.push((next, vec![c])),
        }
    }
    groups
        .into_iter()
        .map(|(_, g)| {
            let since = g.iter().map(|c| c.at).max().unwrap_or_default();
            let text = |c: &&ChangeRow| {
                if c.old.is_empty() {
                    format!("{} {}", c.what, c.new)
                } else {
                    format!("{} {} → {}", c.what, c.old, c.new)
                }
            };
            RemedyRow {
                id: 0,
                name: g.iter().map(text).collect::<Vec<_>>().join("; "),
                added: since,
                since,
                until: None,
                only_nights: Vec::new(),
                hard_when: None,
                record_before: Span::ZERO,
                hindsight: true,
            }
        })
        .collect()
}

/// The rule for hard hours to freeze when a remedy is added now: chosen from the nights before `since` alone, so that it is the same
/// whenever it is asked for; none where nothing beyond the remedy's reach goes with the faults yet (then all hours count).
/// `boxes`: the box while it was known together with the outside; of these, too, only what fell into those nights has a say. `seed`: of
/// the errors of its thermal fit.
pub fn choose_hard(season: &Season, since: UnixMs, boxes: &[thermal::means::Stretch], seed: u64) -> Option<HardWhen> {
    let before: Vec<usize> = season.usable().into_iter().filter(|&n| season.nights[n].from < since).collect();
    let first = season.nights.first()?.from;
    let known: Vec<_> = boxes.iter().filter(|b| (first..since).contains(&b.from)).cloned().collect();
    let fit = thermal::fit_season(&known, seed).ok();
    hard::choose(season, &before, fit.as_ref()).when
}

/// Whether a stated rule for hard hours may be used with a remedy since `since`.
///
/// # Errors
/// A signal without readings, or one (not beyond reach) whose nightly mean shifted when the remedy began.
pub fn check_hard(season: &Season, rule: &HardWhen, since: UnixMs) -> Result<(), HardWhenRefused> {
    let (before, after): (Vec<usize>, Vec<usize>) =
        season.usable().into_iter().partition(|&n| season.nights[n].from < since);
    hard::check(season, rule, &before, &after)
}
