//! Cold: below this site's learned or set limit, or colder than any fault-free night.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::FaultKind;

/// Below this number of quiet nights, "colder than any of them" says nothing and is not said.
pub(in super::super) const LEAST_NIGHTS: usize = 8;

/// Box or outside temperature before the fault against every quiet night's lowest: value, quiet nights known, as cold.
pub(in super::super) fn against_quiet_nights(s: &Scene, signal: &str) -> Option<(f64, usize, usize)> {
    let now = s.before(signal)?.min;
    let name = crate::model::Name::new(signal).ok()?;
    let resolution = s.rows.signal(signal).map_or(0.1, |m| m.def.resolution);
    let lowest: Vec<f64> =
        s.rows.earlier.iter().filter(|n| n.quiet()).filter_map(|n| n.extremes.get(&name)).map(|e| e.0).collect();
    let as_cold = lowest.iter().filter(|v| **v < now + resolution).count();
    Some((now, lowest.len(), as_cold))
}

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    if matches!(s.incident.kind, FaultKind::Storage | FaultKind::Heat) {
        return None;
    }
    let limit = s.rows.settings.box_cold;
    let inside = s.before("temperature.box");
    let below = inside.zip(limit).filter(|(f, l)| f.min < *l);
    let (mut colder, mut known) = (vec![], vec![]);
    for (signal, words) in [("temperature.box", "the box"), ("temperature.outside", "outside")] {
        if let Some((now, nights, as_cold)) = against_quiet_nights(s, signal) {
            if nights >= LEAST_NIGHTS && as_cold == 0 {
                colder.push(format!("{words} {}: colder than any of {nights} quiet nights", s.celsius(now)));
            } else if as_cold > 0 {
                known.push(format!("{words} was as cold ({}) on {as_cold} of {nights} quiet nights", s.celsius(now)));
            }
        }
    }
    if below.is_none() && colder.is_empty() {
        return None;
    }
    let look = Look {
        place: format!("plugs and supply of {} in the cold", s.title()),
        reason: "it was unusually cold".into(),
        evidence: String::new(),
        how: "reseat the plugs; note the temperature at the next fault; a remedy tried on some cold nights and left out on \
              others shows whether it helps"
            .into(),
        caution: Some(caution::HEATING),
    };
    let mut r = new("cold", "cold", Weight::MayBe, look);
    if let Some((f, l)) = below {
        r.evidence_for.push(format!("the box was at {}, below its limit of {}", s.celsius(f.min), s.celsius(l)));
    }
    r.evidence_for.extend(colder);
    r.evidence_against.extend(known);
    if below.is_none() && limit.is_some() {
        r.evidence_against.push("the box stayed above its limit".into());
    }
    r.evidence_against.push("the coldest hours are also the latest: one night cannot tell the two apart".into());
    Some(r)
}
