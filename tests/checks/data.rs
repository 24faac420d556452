//! Reads the excerpts of published values under `tests/data/checks/`; each entry keeps the text of its source.

use serde_json::Value;

/// One entry of an excerpt.
pub struct Entry(Value);

/// All entries of `tests/data/checks/<file>.json` whose name starts with `prefix`; at least one.
pub fn entries(file: &str, prefix: &str) -> Vec<Entry> {
    let path = format!("{}/tests/data/checks/{file}.json", env!("CARGO_MANIFEST_DIR"));
    let all: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    let found: Vec<Entry> = all["checks"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|e| e["id"].as_str().unwrap().starts_with(prefix))
        .map(|e| Entry(e.clone()))
        .collect();
    assert!(!found.is_empty(), "no entry {prefix} in {path}");
    for e in &found {
        assert!(e.0["source"].as_str().is_some_and(|s| !s.is_empty()), "{} has no source", e.id());
    }
    found
}

/// The one entry with this name.
pub fn entry(file: &str, id: &str) -> Entry {
    entries(file, id).into_iter().find(|e| e.id() == id).unwrap()
}

impl Entry {
    pub fn id(&self) -> &str {
        self.0["id"].as_str().unwrap()
    }
    pub fn input(&self) -> &Value {
        &self.0["inputs"]
    }
    pub fn tolerance(&self) -> &Value {
        &self.0["tolerance"]
    }
    pub fn expected(&self) -> &Value {
        &self.0["expected"]
    }
}

/// A number, where "Infinity" stands for an infinite one.
pub fn num(v: &Value) -> f64 {
    match v {
        Value::String(s) if s == "Infinity" => f64::INFINITY,
        _ => v.as_f64().unwrap_or_else(|| panic!("`{v}` is not a number")),
    }
}

/// A list of numbers.
pub fn nums(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(num).collect()
}

/// A whole number.
pub fn count(v: &Value) -> u64 {
    let x = num(v);
    assert!(x >= 0.0 && x.fract() == 0.0, "`{v}` is not a count");
    x as u64
}

/// Agreement within `abs` or `rel`, whichever is wider; equal infinities agree.
#[track_caller]
pub fn close(what: &str, got: f64, want: f64, rel: f64, abs: f64) {
    let agrees = got == want || (got - want).abs() <= abs.max(rel * want.abs());
    assert!(agrees, "{what}: got {got}, published {want} (difference {:e})", got - want);
}
