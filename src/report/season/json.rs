//! The report as JSON. Names are stable; more may be added. Instants are UTC in RFC 3339, temperatures in °C whatever the person reads
//! on paper; a figure that does not exist is null.

use super::model::{NightLine, SeasonReport};
use crate::analysis::remedy::RemedyJudgement;
use crate::model::zone_name;
use crate::report::say::rfc3339;
use serde_json::{Map, Value, json};

/// Name and version of the layout; the number grows when a name changes its meaning or goes.
pub const LAYOUT: &str = "tilldawn-many-nights-1";

/// The report as one JSON object.
pub fn to_json(r: &SeasonReport) -> Value {
    let causes: Vec<Value> = r.causes.causes.iter().map(|c| serde_json::to_value(c).unwrap_or_default()).collect();
    json!({
        "layout": LAYOUT,
        "field": r.field,
        "invented": r.invented,
        "written": rfc3339(r.written),
        "zone": zone_name(&r.zone),
        "sentences": r.opening,
        "rests_on": r.basis,
        "nights": r.nights.iter().map(night).collect::<Vec<_>>(),
        "causes": causes,
        "counted": serde_json::to_value(&r.causes.counted).unwrap_or_default(),
        "nothing_to_test": r.causes.nothing,
        "remedies": r.remedies.iter().map(remedy).collect::<Vec<_>>(),
        "thermal": r.the_box.thermal.as_ref().map(|t| serde_json::to_value(t).unwrap_or_default()),
        "thermal_missing_because": r.the_box.no_fit,
        "dew": r.the_box.report.as_ref().and_then(|b| b.dew).map(|d| serde_json::to_value(d).unwrap_or_default()),
        "between_faults": {
            "faults": r.between.faults,
            "at_risk_hours": hours(r.between.hours),
            "mean_hours": r.between.mean.and_then(|m| m.mean).map(number),
            "low": r.between.mean.map(|m| number(m.limits.low)),
            "high": r.between.mean.map(|m| number(m.limits.high)),
            "trend_p_value": r.between.laplace.map(|t| number(t.two_sided)),
            "trend_p_value_gaps": r.between.reversals.map(|t| number(t.two_sided)),
        },
        "changes": r.changes.iter().map(|(at, words)| json!({"at": rfc3339(*at), "words": words})).collect::<Vec<_>>(),
        "statistics": serde_json::to_value(&r.causes.statistics).unwrap_or_default(),
        "cautions": r.cautions,
    })
}

/// Hours to the hundred-thousandth, which is finer than a second.
fn hours(v: f64) -> Value {
    number((v * 1e5).round() / 1e5)
}

/// Infinite and unknown figures are null. An empty sum is −0 in the standard library: no reader wants to see that sign.
fn number(v: f64) -> Value {
    serde_json::Number::from_f64(v + 0.0).map_or(Value::Null, Value::Number)
}

fn night(n: &NightLine) -> Value {
    let minimum: Map<String, Value> = n.minimum.iter().map(|(s, v)| (s.to_string(), number(*v))).collect();
    let faults = n
        .faults
        .iter()
        .map(|f| json!({"letter": f.letter, "at": rfc3339(f.at), "kind": f.kind.word(), "what": f.what}));
    json!({
        "night": n.date,
        "kind": n.kind.word(),
        "dark_hours": n.dark_hours.map(hours),
        "session_hours": hours(n.session_hours),
        "at_risk_hours": hours(n.at_risk_hours),
        "incidents": n.incidents,
        "faults": n.faults.len(),
        "minimum": minimum,
        "fault_list": faults.collect::<Vec<_>>(),
        "hours_with_readings_stand_for_the_session": n.imported,
    })
}

fn remedy(j: &RemedyJudgement) -> Value {
    let mut v = serde_json::to_value(j).unwrap_or_default();
    if let Some(o) = v.as_object_mut() {
        o.insert("since".into(), rfc3339(j.since).into());
    }
    v
}
