//! Heat: the processor was throttled, or the box was above its limit.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::{FaultKind, Span};

/// From here, °C, small processors slow down or stop. From memory; the kernel's own throttling line is the better evidence.
const HOT_PART: f64 = 90.0;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let throttled = s.kernel_lines(&["throttle"], Span::mins(30), Span::secs(10));
    let limit = s.rows.settings.box_hot;
    let inside = s.before("temperature.box");
    let hot_box = inside.zip(limit).filter(|(f, l)| f.max > *l);
    let (from, to) = s.lead();
    let hot_part = s
        .rows
        .signals
        .iter()
        .filter(|(n, m)| n.kind() == "temperature" && m.def.place == "component")
        .filter_map(|(n, _)| s.over(n.as_str(), from, to).map(|f| (n, f.max)))
        .max_by(|a, b| a.1.total_cmp(&b.1));
    let too_hot_part = hot_part.filter(|p| p.1 > HOT_PART);
    if throttled.is_empty() && hot_box.is_none() && too_hot_part.is_none() && s.incident.kind != FaultKind::Heat {
        return None;
    }
    let look = Look {
        place: "air and sun around the box".into(),
        reason: "it was too hot".into(),
        evidence: String::new(),
        how: "free the air holes and the fan from dust, shade the box, and switch off heating that is not needed"
            .into(),
        caution: Some(caution::HOT),
    };
    let firm = !throttled.is_empty() || hot_box.is_some();
    let mut r = new("heat", "it was too hot", if firm { Weight::PointsTo } else { Weight::MayBe }, look);
    if let Some(e) = throttled.first() {
        r.evidence_for.push(format!("the kernel slowed the processor for heat at {}", s.clock(e.at.wall)));
    }
    if let Some((f, l)) = hot_box {
        r.evidence_for.push(format!("the box reached {}, above its limit of {}", s.celsius(f.max), s.celsius(l)));
    } else if let Some(f) = inside {
        r.evidence_against.push(format!("the box was at {} at the most", s.celsius(f.max)));
    }
    if let Some((n, v)) = hot_part {
        let words = format!("{} reached {}", s.rows.settings.title(n), s.celsius(v));
        if too_hot_part.is_some() { r.evidence_for.push(words) } else { r.evidence_against.push(words) }
    }
    Some(r)
}
