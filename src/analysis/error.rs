//! The one error type of this room, and the checks of arguments that every topic shares.

use thiserror::Error;

/// Why a figure cannot be given. The text names the thing, the reason and the way out.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum AnalysisError {
    /// A number is NaN or infinite.
    #[error("{what} holds `{value}` at position {position}: expected a finite number; leave such rows out first")]
    NotFinite {
        /// What was given.
        what: &'static str,
        /// The offending value.
        value: f64,
        /// Where it stands, counted from 0.
        position: usize,
    },
    /// Two lists that belong together differ in length.
    #[error("{what} have {left} and {right} entries: expected one of each for every observation")]
    Lengths {
        /// Which lists.
        what: &'static str,
        /// Length of the first.
        left: usize,
        /// Length of the second.
        right: usize,
    },
    /// There is too little to compute from.
    #[error("{what}: {have} given, at least {need} needed")]
    TooFew {
        /// What there is too little of.
        what: &'static str,
        /// How many there are.
        have: usize,
        /// How many are needed.
        need: usize,
    },
    /// A value lies outside what the formula is defined for.
    #[error("{what} is `{value}`: expected {expected}")]
    Range {
        /// What was given.
        what: &'static str,
        /// The offending value.
        value: f64,
        /// What is allowed.
        expected: &'static str,
    },
    /// The data do not vary, so nothing can be fitted to them.
    #[error("{what} does not vary: nothing can be fitted; wait for nights that differ in it")]
    NoVariation {
        /// What is constant.
        what: &'static str,
    },
    /// The data do not tell it.
    #[error("{what} cannot be told from these data: {why}")]
    Undetermined {
        /// What was sought.
        what: &'static str,
        /// Why not, and what would help.
        why: &'static str,
    },
    /// A search did not settle. Not expected for finite input; it is an error, never a silent guess.
    #[error("the search for {what} did not settle; report this with the data that caused it")]
    NoConvergence {
        /// What was sought.
        what: &'static str,
    },
}

/// Result of this room.
pub type Result<T> = std::result::Result<T, AnalysisError>;

/// All of `values` are finite.
pub(crate) fn finite(what: &'static str, values: &[f64]) -> Result<()> {
    match values.iter().position(|v| !v.is_finite()) {
        Some(position) => Err(AnalysisError::NotFinite { what, value: values[position], position }),
        None => Ok(()),
    }
}

/// `value` is finite.
pub(crate) fn finite_one(what: &'static str, value: f64) -> Result<f64> {
    finite(what, &[value]).map(|()| value)
}

/// `value` is finite and above zero.
pub(crate) fn positive(what: &'static str, value: f64) -> Result<f64> {
    finite_one(what, value)?;
    if value > 0.0 { Ok(value) } else { Err(AnalysisError::Range { what, value, expected: "a number above 0" }) }
}

/// `value` is finite and not below zero.
pub(crate) fn not_negative(what: &'static str, value: f64) -> Result<f64> {
    finite_one(what, value)?;
    if value >= 0.0 { Ok(value) } else { Err(AnalysisError::Range { what, value, expected: "a number not below 0" }) }
}

/// A confidence level strictly between 0 and 1; gives back alpha, its complement.
pub(crate) fn alpha(confidence: f64) -> Result<f64> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(1.0 - confidence)
    } else {
        Err(AnalysisError::Range {
            what: "confidence",
            value: confidence,
            expected: "a share between 0 and 1, as 0.95",
        })
    }
}

/// Both lists have the same length; gives it back.
pub(crate) fn same_length<A, B>(what: &'static str, a: &[A], b: &[B]) -> Result<usize> {
    if a.len() == b.len() { Ok(a.len()) } else { Err(AnalysisError::Lengths { what, left: a.len(), right: b.len() }) }
}

/// At least `need` of something.
pub(crate) fn at_least(what: &'static str, have: usize, need: usize) -> Result<()> {
    if have < need { Err(AnalysisError::TooFew { what, have, need }) } else { Ok(()) }
}
