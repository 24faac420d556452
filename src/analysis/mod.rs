//! Statistics of nights, thermal model, dew, remedies. Pure: seeds are arguments, equal input gives equal output.
//!
//! One topic a file; every function names its source and its edge cases, and gives a typed error
//! ([`AnalysisError`]) for input that it cannot answer. Knows no SQL, file, clock, thread or async.
//!
//! | question | where |
//! | --- | --- |
//! | trouble against a level, maximum likelihood: coefficients, separation, half point with delta, Fieller and profile limits | [`logistic`] |
//! | the same, finite also when nights are perfectly separated | [`firth`] |
//! | 2×2 tables: Fisher, mid-p, odds ratio with exact limits, Boschloo, Barnard | [`fisher`] |
//! | rates: Garwood limits, zero faults, two rates, rate ratio, E-test, observed against expected | [`poisson`] |
//! | shares: Clopper–Pearson, Wilson, mid-p, Jeffreys, exact test | [`binomial`] |
//! | posterior of a rate, probability that one rate is below another | [`gamma_poisson`] |
//! | limits as data, sets of a quotient | [`limits`] |
//! | tails and quantiles; root search | [`special`], [`roots`] |

pub mod binomial;
pub mod error;
pub mod firth;
pub mod fisher;
pub mod gamma_poisson;
pub mod limits;
pub mod logistic;
pub mod poisson;
pub mod roots;
pub mod season;
pub mod slicing;
pub mod special;

pub use error::{AnalysisError, Result};
pub use limits::{ConfidenceSet, Limits};
