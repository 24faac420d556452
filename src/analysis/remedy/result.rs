//! What is said about a remedy, as plain data. Field names are the stable keys of the report's JSON.

use crate::analysis::causes::RateRatio;
use crate::model::command::HardWhen;
use crate::model::{Name, Unit, UnixMs};
use serde::{Serialize, Serializer};

/// Hard nights and hours on one side of the remedy.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Stretch {
    /// Nights with hard at-risk hours.
    pub hard_nights: usize,
    /// Those with a fault in hard hours.
    pub trouble_nights: usize,
    /// Hard at-risk hours.
    pub hours: f64,
    /// Faults in them.
    pub faults: usize,
}

/// The judgement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RemedyVerdict {
    /// Fewer trouble nights, by a test that holds when looked at every morning, with and without the last nights before.
    Helped,
    /// Enough hard nights to have seen a cure, and none was seen.
    NoSign,
    /// About so many more hard nights are needed if all stay quiet; none where even many would not do.
    TooEarly(Option<usize>),
    /// More trouble nights than before, by the same test turned round.
    MadeWorse,
    /// There was no fault in hard hours before: nothing to compare.
    NothingToCompare,
}

impl RemedyVerdict {
    /// The words said to people and written in JSON.
    pub fn words(self) -> String {
        match self {
            RemedyVerdict::Helped => "helped".into(),
            RemedyVerdict::NoSign => "no sign that it helped".into(),
            RemedyVerdict::TooEarly(Some(1)) => "too early to say (about 1 more hard night, if it stays quiet)".into(),
            RemedyVerdict::TooEarly(Some(n)) => {
                format!("too early to say (about {n} more hard nights, if all stay quiet)")
            }
            RemedyVerdict::TooEarly(None) => "too early to say".into(),
            RemedyVerdict::MadeWorse => "made it worse".into(),
            RemedyVerdict::NothingToCompare => "nothing to compare".into(),
        }
    }
}

impl Serialize for RemedyVerdict {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.words())
    }
}

/// Where the rule for hard hours came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum HardSource {
    /// Stated by the person when the remedy was added.
    Stated,
    /// Chosen by the program from the nights before.
    Chosen,
    /// A level found in the box, translated to the outside by the thermal model without heater.
    Translated,
    /// Nothing told hard hours from others: all hours count.
    AllHours,
}

/// A level in the box and the outside level that belongs to it without heater.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Translation {
    /// Box level in °C.
    pub box_level: f64,
    /// Outside level in °C.
    pub outside: f64,
    /// Lower 95 % limit of that.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// What was done: a remedy, or a recorded change that may have done it instead.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// A remedy that the person wrote down.
    Remedy,
    /// A recorded change of software, ports, drivers or settings.
    Change,
}

/// The judgement on one remedy.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RemedyJudgement {
    /// What was changed.
    pub name: String,
    /// Remedy or recorded change.
    pub origin: Origin,
    /// From when on.
    pub since: UnixMs,
    /// Judged with hindsight: entered after nights of its own time had passed.
    pub hindsight: bool,
    /// Hard nights before it.
    pub before: Stretch,
    /// The same without the last three nights before `since`: a remedy is bought after a bad run.
    pub before_without_last: Stretch,
    /// Hard nights with it.
    pub after: Stretch,
    /// The rule for hard hours in words: `temperature.outside < 1.0`; `all hours` where there is none.
    pub hard_when: String,
    /// The same as data.
    pub hard_rule: Option<HardWhen>,
    /// What the rule looks at, in words, and its unit.
    #[serde(skip)]
    pub hard_signal: Option<(String, Unit)>,
    /// Where the rule came from.
    pub hard_source: HardSource,
    /// Hard hours that make a hard night (a fault in a hard hour makes one too): half of what the middle one before had, at most 2.
    pub hard_night_hours: f64,
    /// How a level found in the box was translated.
    pub translated: Option<Translation>,
    /// Faults per hard hour, after over before.
    pub rate_ratio: RateRatio,
    /// Fixed exact test of trouble nights among hard nights (one-sided Fisher; by permutation for hindsight): fewer after.
    pub p_value: f64,
    /// A p value that holds however often one looks, with and without the last three nights before (the larger of both): the chance
    /// that the mixture of likelihood ratios ever gets so large, raised by 5/3 because nights are less alike than the test supposes.
    pub p_value_any_time: f64,
    /// Probability that the rate in hard hours is lower now, under the stated gamma prior; none without hours on both sides.
    pub probability_fewer: Option<f64>,
    /// Hard nights still needed for `helped`, if all stay quiet; none where it is decided or even many would not do.
    pub nights_still_needed: Option<usize>,
    /// Other recorded changes or remedies near this one that may have done it.
    pub rivals: Vec<String>,
    /// The judgement.
    pub verdict: RemedyVerdict,
    /// Plain sentences, counts of nights first.
    pub sentences: Vec<String>,
    /// Plain warnings: the nights after were easier, another change came at the same time, …
    pub warnings: Vec<String>,
}

/// Why a stated rule for hard hours is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum HardWhenRefused {
    /// There is no such signal.
    #[error("there are no readings of `{0}`: name a signal that is recorded, such as temperature.outside")]
    Unknown(Name),
    /// The remedy may have changed the signal itself.
    #[error(
        "the mean of `{signal}` went from {before:.1} to {after:.1} when the remedy began: hard hours must be told by something \
         that the remedy cannot touch, such as temperature.outside; say --anyway to use it nevertheless"
    )]
    Shifted {
        /// The signal.
        signal: Name,
        /// Mean before.
        before: f64,
        /// Mean after.
        after: f64,
    },
}
