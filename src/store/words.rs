//! Stored words of enumerations: the same snake_case that is served as JSON.

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// The stored word.
pub fn word<T: Serialize>(v: T) -> String {
    match serde_json::to_value(v) {
        Ok(Value::String(s)) => s,
        _ => String::new(),
    }
}

/// From the stored word.
pub fn from_word<T: DeserializeOwned>(w: &str) -> Option<T> {
    serde_json::from_value(Value::String(w.into())).ok()
}
