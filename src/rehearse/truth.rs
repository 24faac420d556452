//! What is true in an invented season: the weather, what makes the chain fail, and what a remedy really does.
//!
//! Plain data, shared by the tables for the calibration and by the invented nights that run through the real engine. The
//! garden ("orchard pier") is our own invention; no number here was measured anywhere.

use serde::{Deserialize, Serialize};

/// What makes the faults more frequent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Driver {
    /// Nothing: the rate is the same always.
    Nothing,
    /// Box air colder than the level.
    ColdBox,
    /// Share of time in which something waited for the processor above the level.
    Starved,
    /// Received radio level below the level.
    WeakRadio,
    /// Available memory below the level.
    ShortMemory,
    /// More hours since the session began than the level.
    Late,
}

/// When a remedy begins, in an invented season.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Onset {
    /// From this usable night on (counted from 0).
    Night(usize),
    /// The evening after the run of three nights with the most faults, but not in the first or last quarter.
    AfterWorstRun,
}

/// A remedy and what it really does.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TrueRemedy {
    /// When it begins.
    pub onset: Onset,
    /// The rate of faults is multiplied by this from then on (1: useless).
    pub rate_factor: f64,
    /// Kelvin by which the nights after are warmer outside (the remedy has no part in it).
    pub warmer_after: f64,
    /// Kelvin that it adds to the box.
    pub heats: f64,
}

/// Everything that is true in an invented season.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct World {
    /// Usable nights.
    pub nights: usize,
    /// What makes faults more frequent.
    pub driver: Driver,
    /// By how much the rate is multiplied beyond the level.
    pub factor: f64,
    /// Share of the at-risk hours that lie beyond the level (the level is set from this).
    pub share_beyond: f64,
    /// Faults to expect in the whole season before any remedy (the base rate is set from this).
    pub faults: f64,
    /// Only seasons with this many faults, both ends included, are kept; others are drawn anew.
    pub faults_between: (usize, usize),
    /// Probability that a fault costs the rest of the night.
    pub lost: f64,
    /// Mean number of further faults that a fault draws after itself, within two hours or so.
    pub burst: f64,
    /// Kelvin per day by which the season cools (negative: warms).
    pub cooling: f64,
    /// Growth of the logarithm of the rate per day (a contact that wears out).
    pub wear: f64,
    /// Standard deviation of a night's own log rate.
    pub night_spread: f64,
    /// Correlation of that from one usable night to the next.
    pub night_memory: f64,
    /// Standard deviation of the weather from day to day, kelvin.
    pub weather_spread: f64,
    /// Correlation of the weather from one day to the next.
    pub weather_memory: f64,
    /// Mean outside temperature at dusk of the first night, °C.
    pub outside: f64,
    /// Kelvin by which the outside falls from dusk to the end of night, on average.
    pub night_fall: f64,
    /// Spread of that fall and of the start of the session (0: every night alike, cold and late cannot be told apart).
    pub night_variety: f64,
    /// Kelvin that the running chain adds to the box. A dead chain adds nothing.
    pub chain_heat: f64,
    /// The remedy, if any.
    pub remedy: Option<TrueRemedy>,
    /// How many signals without any meaning are measured beside the real ones.
    pub idle_signals: usize,
}

/// The cases that can be rehearsed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Case {
    /// A contact that fails in the cold.
    ColdContact,
    /// Drawing in software starves the processor.
    StarvedProcessor,
    /// The radio is weak.
    WeakRadio,
    /// A program eats the memory.
    MemoryLeak,
    /// Faults without any cause among the signals.
    NoCause,
    /// Every night cools alike, so that cold and late are the same hours.
    ColdAndLate,
    /// The season cools while a contact wears out; the cold has no part in it.
    CoolingWear,
    /// Faults come in bursts, without a cause among the signals.
    Bursts,
    /// The box cools because the chain died; the cold has no part in it.
    CoolsAfterDeath,
    /// Some weeks are worse than others, without a cause among the signals.
    BadWeeks,
    /// A remedy that works.
    RemedyWorks,
    /// A remedy that does nothing, but met warm nights.
    RemedyMetWarmNights,
    /// A useless remedy, bought after the worst run.
    UselessRemedy,
}

impl Case {
    /// Every case.
    pub const ALL: [Case; 13] = [
        Case::ColdContact,
        Case::StarvedProcessor,
        Case::WeakRadio,
        Case::MemoryLeak,
        Case::NoCause,
        Case::ColdAndLate,
        Case::CoolingWear,
        Case::Bursts,
        Case::CoolsAfterDeath,
        Case::BadWeeks,
        Case::RemedyWorks,
        Case::RemedyMetWarmNights,
        Case::UselessRemedy,
    ];

    /// The word for the command line.
    pub fn word(self) -> &'static str {
        match self {
            Case::ColdContact => "cold-contact",
            Case::StarvedProcessor => "starved-processor",
            Case::WeakRadio => "weak-radio",
            Case::MemoryLeak => "memory-leak",
            Case::NoCause => "no-cause",
            Case::ColdAndLate => "cold-and-late",
            Case::CoolingWear => "cooling-wear",
            Case::Bursts => "bursts",
            Case::CoolsAfterDeath => "cools-after-death",
            Case::BadWeeks => "bad-weeks",
            Case::RemedyWorks => "remedy-works",
            Case::RemedyMetWarmNights => "remedy-met-warm-nights",
            Case::UselessRemedy => "useless-remedy",
        }
    }

    /// From its word.
    pub fn from_word(w: &str) -> Option<Case> {
        Case::ALL.into_iter().find(|c| c.word() == w)
    }

    /// What is true in this case, with about `faults` faults in `nights` nights.
    pub fn world(self, nights: usize, faults: f64) -> World {
        let base = World {
            nights,
            driver: Driver::Nothing,
            factor: 12.0,
            share_beyond: 0.3,
            faults,
            faults_between: (1, usize::MAX),
            lost: 0.35,
            burst: 0.0,
            cooling: 0.0,
            wear: 0.0,
            night_spread: 0.0,
            night_memory: 0.0,
            weather_spread: 4.0,
            weather_memory: 0.7,
            outside: 2.0,
            night_fall: 5.0,
            night_variety: 1.0,
            chain_heat: 9.0,
            remedy: None,
            idle_signals: 12,
        };
        let half = nights / 2;
        let remedy = |rate_factor, warmer_after, heats| {
            Some(TrueRemedy { onset: Onset::Night(half), rate_factor, warmer_after, heats })
        };
        match self {
            Case::ColdContact => World { driver: Driver::ColdBox, ..base },
            Case::StarvedProcessor => World { driver: Driver::Starved, ..base },
            Case::WeakRadio => World { driver: Driver::WeakRadio, ..base },
            Case::MemoryLeak => World { driver: Driver::ShortMemory, ..base },
            Case::NoCause => base,
            Case::ColdAndLate => {
                World { driver: Driver::ColdBox, night_variety: 0.0, weather_spread: 0.3, night_fall: 9.0, ..base }
            }
            // A four-fold rate at the end of the season, which is 12 K colder by then.
            Case::CoolingWear => World { cooling: 6.0 / nights as f64, wear: 0.7 / nights as f64, ..base },
            Case::Bursts => World { burst: 1.2, lost: 0.1, ..base },
            Case::CoolsAfterDeath => World { lost: 0.1, burst: 0.8, chain_heat: 14.0, ..base },
            Case::BadWeeks => World { night_spread: 1.0, night_memory: 0.6, ..base },
            Case::RemedyWorks => {
                World { driver: Driver::ColdBox, share_beyond: 0.6, remedy: remedy(0.1, 0.0, 8.0), ..base }
            }
            Case::RemedyMetWarmNights => {
                World { driver: Driver::ColdBox, share_beyond: 0.4, remedy: remedy(1.0, 7.0, 0.0), ..base }
            }
            Case::UselessRemedy => World {
                driver: Driver::ColdBox,
                share_beyond: 0.6,
                remedy: Some(TrueRemedy {
                    onset: Onset::AfterWorstRun,
                    rate_factor: 1.0,
                    warmer_after: 0.0,
                    heats: 0.0,
                }),
                ..base
            },
        }
    }
}

impl Driver {
    /// Name of the signal that it is measured by; none for no driver.
    pub fn signal(self) -> Option<&'static str> {
        match self {
            Driver::Nothing => None,
            Driver::ColdBox => Some("temperature.box"),
            Driver::Starved => Some("pressure.cpu"),
            Driver::WeakRadio => Some("interface.wlan0.signal"),
            Driver::ShortMemory => Some("memory.available-share"),
            Driver::Late => Some(crate::analysis::season::SINCE_START),
        }
    }

    /// Whether small values are the bad ones.
    pub fn below(self) -> bool {
        matches!(self, Driver::ColdBox | Driver::WeakRadio | Driver::ShortMemory)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_come_back() {
        for c in Case::ALL {
            assert_eq!(Case::from_word(c.word()), Some(c));
        }
    }
}
