//! Statistics of nights, thermal model, dew, remedies. Pure: seeds are arguments, equal input gives equal output.
//!
//! One topic a file; every function names its source and its edge cases, and gives a typed error
//! ([`AnalysisError`]) for input that it cannot answer. Knows no SQL, file, clock, thread or async.
//!
//! | question | where |
//! | --- | --- |
//! | trouble against a level, maximum likelihood: coefficients, separation, half point with delta, Fieller and profile limits | [`logistic`] |
//! | what both share: the line, its half point | [`line`] |
//! | the same, finite also when nights are perfectly separated | [`firth`] |
//! | 2×2 tables: Fisher, mid-p, odds ratio with exact limits, Boschloo, Barnard | [`fisher`] |
//! | rates: Garwood limits, zero faults, two rates, rate ratio, E-test, observed against expected | [`poisson`] |
//! | shares: Clopper–Pearson, Wilson, mid-p, Jeffreys, exact test | [`binomial`] |
//! | posterior of a rate, probability that one rate is below another | [`gamma_poisson`] |
//! | time until a fault with unfinished nights: Kaplan–Meier, median, log-rank; mean time between faults | [`survival`] |
//! | do faults come faster or slower: Laplace, power law, reversals | [`trend`] |
//! | saturation pressure, dew and frost point, humidity after warming, margin to dew | [`dew`] |
//! | thermal model of the box: responses, fits, prediction | [`thermal`] |
//! | the box in the season report: figures, sentences, cautions | [`box_report`] |
//! | unevenness of a link (RFC 3550); percentiles with losses (RFC 2330, RFC 2681) | [`jitter`], [`percentile`] |
//! | what the faults go with, over many nights | [`season`], [`slicing`], [`permute`], [`scan`], [`stepdown`], [`causes`] |
//! | did the remedy help | [`anytime`], [`remedy`] |
//! | common levels of radio signals and temperature grades, for wording | [`levels`] |
//! | tables and lists that were recorded elsewhere; a clock that ran off | [`recorded`] |
//! | limits as data, sets of a quotient | [`limits`] |
//! | tails and quantiles; root search | [`special`], [`roots`] |

pub mod anytime;
mod average;
pub mod binomial;
pub mod box_report;
pub mod causes;
pub mod dew;
pub mod draw;
pub mod error;
pub mod firth;
pub mod fisher;
pub mod gamma_poisson;
pub mod jitter;
pub mod levels;
pub mod limits;
pub mod line;
pub mod logistic;
pub mod maxsel;
pub mod percentile;
pub mod permute;
pub mod poisson;
mod profile;
pub mod recorded;
pub mod remedy;
pub mod roots;
pub mod scan;
pub mod season;
pub mod slicing;
pub mod special;
pub mod stepdown;
pub mod survival;
pub mod thermal;
pub mod trend;

pub use error::{AnalysisError, Result};
pub use limits::{ConfidenceSet, Limits};
