//! Memory was exhausted: the kernel's counter of kills rose, or little was left.

use super::{Look, Reason, Scene, Weight, new};
use crate::model::{EventKind, Span};
use crate::report::say;

/// Below this share of available memory, in per cent, a program may be refused what it asks for.
const LITTLE: f64 = 5.0;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let (from, _) = s.lead();
    let killed = s.events(EventKind::MemoryKill, Span::mins(2), Span::secs(10)).next();
    let line = s.kernel_lines(&["out_of_memory"], Span::mins(2), Span::secs(10)).into_iter().next();
    // The counter is read once a cycle, so it is looked at until a minute past the fault.
    let rise = s.over("memory.kills", from, s.at + Span::mins(2)).map_or(0.0, |f| f.max - f.min);
    let available = s.before("memory.available-share");
    let little = available.is_some_and(|a| a.min < LITTLE);
    let firm = killed.is_some() || line.is_some() || rise >= 1.0;
    if !firm && !little {
        return None;
    }
    let heaviest = s
        .all_before("program", Some("memory"))
        .into_iter()
        .max_by(|a, b| a.1.mean.total_cmp(&b.1.mean))
        .map(|(n, f)| (s.rows.settings.title(n), f.mean));
    let look = Look {
        place: heaviest.as_ref().map_or("memory of the field PC".into(), |h| format!("memory taken by {}", h.0)),
        reason: "memory was exhausted".into(),
        evidence: String::new(),
        how: "see which program grows through the night in the memory lines of this report; restart it before dusk, close \
              what is not needed, or give the PC more memory or a swap file"
            .into(),
        caution: None,
    };
    let weight = if firm { Weight::PointsTo } else { Weight::MayBe };
    let mut r = new("memory", "memory was exhausted", weight, look);
    if rise >= 1.0 {
        r.evidence_for.push(format!("the kernel's counter of programs killed for memory rose by {rise:.0}"));
    } else if let Some(e) = killed {
        r.evidence_for.push(format!("the kernel killed a program for memory at {}", s.clock(e.at.wall)));
    }
    if let Some(e) = line {
        r.evidence_for.push(format!("the kernel's log says so at {}", s.clock(e.at.wall)));
    }
    if let Some(a) = available {
        let words = format!("{} % of memory was available at the least", say::number(a.min, 0));
        if little { r.evidence_for.push(words) } else { r.evidence_against.push(words) }
    }
    if let Some((title, bytes)) = heaviest {
        r.evidence_for.push(format!("{title} held {}, more than any other watched program", say::bytes(bytes)));
    }
    if !firm && s.was_measured("memory.kills") {
        r.evidence_against.push("the kernel killed no program for memory".into());
    }
    Some(r)
}
