//! What is said about causes, as plain data. Field names are the stable keys of the report's JSON.

use super::evidence::Evidence;
use crate::analysis::season::Rank;
use crate::model::{FaultKind, Name, Unit};
use serde::{Serialize, Serializer};

/// On which side of the threshold the faults came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Small values go with faults.
    Below,
    /// Large values go with faults.
    Above,
}

/// Which figure of a night stands for it in the logistic fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NightFigure {
    /// Smallest reading before the first fault.
    Minimum,
    /// Mean of the readings before the first fault.
    Mean,
    /// Largest reading before the first fault.
    Maximum,
}

/// The judgement on one signal and kind of fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
pub enum Verdict {
    /// The faults go with it, corrected for the search and with the season held fast.
    #[serde(rename = "goes with faults")]
    GoesWithFaults,
    /// It goes with faults, but so does a signal that moved with it: one of them, it cannot be said which.
    #[serde(rename = "inseparable")]
    Inseparable,
    /// Only nights changed about over the whole season speak for it; within blocks of the season nothing does.
    #[serde(rename = "cannot be told apart from the season")]
    Season,
    /// Something, but not enough for the search that was made; or a signal of the second rank.
    #[serde(rename = "worth watching")]
    WorthWatching,
    /// A threefold rate on either side is excluded.
    #[serde(rename = "no sign")]
    NoSign,
    /// Too few nights, or too little variation, to find even a twelvefold rate more often than not, or to exclude a threefold one.
    #[serde(rename = "not enough nights")]
    NotEnoughNights,
}

impl Verdict {
    /// The words said to people and written in JSON.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::GoesWithFaults => "goes with faults",
            Verdict::Inseparable => "inseparable",
            Verdict::Season => "cannot be told apart from the season",
            Verdict::WorthWatching => "worth watching",
            Verdict::NoSign => "no sign",
            Verdict::NotEnoughNights => "not enough nights",
        }
    }

    /// Whether the signal is blamed (alone or with those that moved with it).
    pub fn blames(self) -> bool {
        matches!(self, Verdict::GoesWithFaults | Verdict::Inseparable)
    }
}

/// A rate of faults with 95 % limits (Garwood 1936, widened where faults came in bursts). Not numbers (null) where there were
/// no at-risk hours.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HourlyRate {
    /// Faults per at-risk hour.
    pub per_hour: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
    /// Faults.
    pub faults: usize,
    /// At-risk hours.
    pub hours: f64,
}

/// A ratio of rates with 95 % limits: exact, conditional on the total, widened where faults came in bursts. Infinite values
/// are null in JSON.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RateRatio {
    /// Estimate; not a number where neither side had a fault.
    pub estimate: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Probability of a trouble night against the night's figure: logit p = intercept + slope · figure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct NightModel {
    /// Firth-penalised intercept.
    pub intercept: f64,
    /// Firth-penalised slope, per unit of the signal.
    pub slope: f64,
    /// Maximum-likelihood intercept; none where it does not exist.
    pub intercept_unpenalised: Option<f64>,
    /// Maximum-likelihood slope; none where it does not exist.
    pub slope_unpenalised: Option<f64>,
    /// Level at which half the nights have trouble, by the maximum-likelihood fit where it exists, else by the penalised one.
    /// None for a level line.
    pub half_point: Option<f64>,
    /// Lower 95 % limit by the profile likelihood; none where open.
    pub half_point_low: Option<f64>,
    /// Upper limit; none where open.
    pub half_point_high: Option<f64>,
    /// Nights in the fit.
    pub nights: usize,
}

/// Nights on either side of the threshold. A night counts as beyond when it had at least a stated share of its at-risk hours there.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct NightCounts {
    /// Nights that went beyond the threshold.
    pub beyond: usize,
    /// Those of them with trouble.
    pub beyond_trouble: usize,
    /// Nights that stayed within.
    pub within: usize,
    /// Those of them with trouble.
    pub within_trouble: usize,
}

/// The judgement on one signal for one kind of fault.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cause {
    /// The signal; [`SINCE_START`](super::super::season::SINCE_START) and
    /// [`SEASON_DAY`](super::super::season::SEASON_DAY) are among them.
    pub signal: Name,
    /// What it is, one plain phrase.
    pub what: String,
    /// Its unit.
    pub unit: Unit,
    /// In which rank it was tested.
    pub rank: Rank,
    /// Kind of fault; none (`"all"` in JSON) for all together.
    #[serde(serialize_with = "kind_or_all")]
    pub kind: Option<FaultKind>,
    /// Which hours and faults it was judged on.
    pub evidence: Evidence,
    /// Which figure of the night the night model uses.
    pub figure: NightFigure,
    /// The bad side.
    pub direction: Direction,
    /// Best threshold, in the signal's unit; none where the signal did not vary.
    pub threshold: Option<f64>,
    /// p by changing nights about freely over the whole season.
    pub p_value: f64,
    /// p by changing nights about within remedy periods and season blocks.
    pub p_value_blocked: f64,
    /// p by changing nights about over the whole season, in proportion to the fitted trend of the rate.
    pub p_value_trend: f64,
    /// What is compared with 0.05, the largest of three: the free one corrected for the search over thresholds, signals and kinds of
    /// its rank; the blocked one and the one with the trend taken out, each corrected for all that the free way found.
    pub p_value_adjusted: f64,
    /// Corrected p of the free way alone, with two standard errors of a share of so many permutations added.
    pub p_adjusted_free: f64,
    /// Corrected p of the blocked way alone, likewise.
    pub p_adjusted_blocked: f64,
    /// Probability with which a twelvefold rate beyond a threshold that 30 % of the hours pass would have been found.
    pub power_twelvefold: f64,
    /// Rate beyond the threshold (on its bad side).
    pub rate_beyond: HourlyRate,
    /// Rate within it.
    pub rate_within: HourlyRate,
    /// Rate beyond over rate within.
    pub rate_ratio: RateRatio,
    /// Logistic fit of trouble on the night's figure; none where a night model cannot be fitted (one outcome only, no variation,
    /// or a signal that is the same every night).
    pub night_model: Option<NightModel>,
    /// Signals that moved together with it so far that the nights cannot tell which of them it is.
    pub inseparable_from: Vec<Name>,
    /// The same in words.
    #[serde(skip)]
    pub moved_with: Vec<String>,
    /// The judgement.
    pub verdict: Verdict,
    /// Nights on either side.
    pub nights: NightCounts,
    /// Kelvin, per cent, … said with this sentence: counts of nights first.
    pub sentence: String,
}

/// How often a kind of fault came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct KindCount {
    /// The kind.
    pub kind: FaultKind,
    /// Faults.
    pub faults: usize,
    /// Nights with such a fault.
    pub nights: usize,
    /// Four or more faults: tested by itself. Fewer: only counted.
    pub tested: bool,
}

/// For the statistician.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Statistics {
    /// Seed of the permutations.
    pub seed: u64,
    /// Number of permutations, the observed order not among them.
    pub permutations: usize,
    /// Nights that counted.
    pub nights: usize,
    /// Those with trouble.
    pub trouble_nights: usize,
    /// Faults that counted.
    pub faults: usize,
    /// At-risk hours.
    pub at_risk_hours: f64,
    /// Periods between remedies.
    pub periods: usize,
    /// Season blocks.
    pub blocks: usize,
    /// Rate at the end of the season over that at its beginning, by the fitted trend.
    pub trend: f64,
    /// Smallest p value that these nights can give at all.
    pub smallest_p: f64,
    /// Probability of finding a twelvefold rate beyond a threshold that a third of the hours pass, with these nights and faults.
    pub power_twelvefold: f64,
    /// Faults came in bursts: intervals of rates are from resampled nights where those are wider.
    pub bursts: bool,
    /// Signals left out because they did not vary or were unknown on most nights.
    pub left_out: Vec<Name>,
}

/// The answer.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Causes {
    /// One for each signal and tested kind: blamed ones first, then by p value.
    pub causes: Vec<Cause>,
    /// Every kind that came, most frequent first.
    pub counted: Vec<KindCount>,
    /// Figures about the whole.
    pub statistics: Statistics,
    /// What is said when nothing can be tested at all (no fault, no quiet night); none otherwise.
    pub nothing: Option<String>,
}

fn kind_or_all<S: Serializer>(kind: &Option<FaultKind>, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_str(kind.map_or("all", FaultKind::word))
}
