//! Readings: one value of one signal at one instant, or the fact that it could not be read and why.

use super::{SignalId, Stamp};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// One reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Which signal.
    pub signal: SignalId,
    /// When it was taken.
    pub at: Stamp,
    /// What was read.
    pub value: Value,
}

/// A value in the signal's unit, or why there is none.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A finite number, rounded to the signal's resolution.
    Known(f64),
    /// Could not be read.
    Unavailable(Why),
}

/// Why a value is not there: a code for machines and one plain phrase for people.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Why {
    /// The kind of reason.
    pub code: WhyCode,
    /// Said to the person, lower case, with the way out where there is one.
    pub text: Arc<str>,
}

/// Kinds of reasons for which a value is not there. The numbers are stored; never reuse one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum WhyCode {
    /// The source does not exist (unplugged, not on this machine).
    Absent = 1,
    /// No permission.
    Refused = 2,
    /// No answer within the deadline.
    TimedOut = 3,
    /// The source answered with something that is no number.
    Garbled = 4,
    /// A number outside the plausible range, or a known error value of the sensor.
    OutOfRange = 5,
    /// A jump larger than believable.
    Jumped = 6,
    /// The value has not changed for too long.
    Frozen = 7,
    /// Nothing has arrived for too long.
    Silent = 8,
    /// This system or kernel does not offer it.
    Unsupported = 9,
    /// Reading failed for another reason, named in the text.
    Failed = 10,
    /// The first measurement after start: a difference needs two.
    NotYet = 11,
}

impl WhyCode {
    /// From the stored number.
    pub fn from_number(n: u8) -> Option<WhyCode> {
        use WhyCode::*;
        [Absent, Refused, TimedOut, Garbled, OutOfRange, Jumped, Frozen, Silent, Unsupported, Failed, NotYet]
            .into_iter()
            .find(|c| *c as u8 == n)
    }
}

impl Why {
    /// A reason with its words.
    pub fn new(code: WhyCode, text: impl Into<Arc<str>>) -> Why {
        Why { code, text: text.into() }
    }

    /// The reason behind an input/output error on `what`.
    pub fn from_io(what: &str, e: &std::io::Error) -> Why {
        use std::io::ErrorKind as K;
        let code = match e.kind() {
            K::NotFound => WhyCode::Absent,
            K::PermissionDenied => WhyCode::Refused,
            K::TimedOut | K::WouldBlock => WhyCode::TimedOut,
            K::InvalidData => WhyCode::Garbled,
            K::Unsupported => WhyCode::Unsupported,
            _ => WhyCode::Failed,
        };
        Why::new(code, format!("{what}: {e}"))
    }
}

impl Value {
    /// The number, if there is one.
    pub fn known(&self) -> Option<f64> {
        match self {
            Value::Known(v) => Some(*v),
            Value::Unavailable(_) => None,
        }
    }
    /// The reason, if there is no number.
    pub fn why(&self) -> Option<&Why> {
        match self {
            Value::Known(_) => None,
            Value::Unavailable(w) => Some(w),
        }
    }
}

impl Reading {
    /// A reading with a value.
    pub fn known(signal: SignalId, at: Stamp, value: f64) -> Reading {
        Reading { signal, at, value: Value::Known(value) }
    }
    /// A reading that could not be taken.
    pub fn unavailable(signal: SignalId, at: Stamp, why: Why) -> Reading {
        Reading { signal, at, value: Value::Unavailable(why) }
    }
}
