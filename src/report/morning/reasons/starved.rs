//! The processor was starved: programs waited for it, perhaps for one that draws without graphics hardware.

use super::{Look, Reason, Scene, Weight, new};
use crate::model::FaultKind;
use crate::report::say;

/// The advice on drawing in software, as it stands at [`crate::probe::graphics::ADVICE`], for the one program meant here.
const DRAW_LESS: &str = "let it draw less or close its display: cap a sky display at 12 to 15 frames a second, leave out stars fainter \
than magnitude 5, satellites and atmosphere effects, show a still picture in place of a moving three-dimensional view \
(common practice, no source)";

/// Pressure stall, in per cent of time in which something waited for the processor, from which programs miss deadlines.
const STALL: f64 = 25.0;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    if matches!(s.incident.kind, FaultKind::Power | FaultKind::Storage) {
        return None;
    }
    let stall = s.before("pressure.cpu");
    let load = s.before("load.cpu");
    let stalled = stall.is_some_and(|f| f.mean > STALL || f.max > 2.0 * STALL);
    let busy = load.is_some_and(|f| f.mean > 90.0);
    if !stalled && !busy {
        return None;
    }
    let mut by_cpu = s.all_before("program", Some("cpu"));
    by_cpu.retain(|(_, f)| f.mean >= 1.0);
    by_cpu.sort_by(|a, b| b.1.mean.total_cmp(&a.1.mean));
    let top: Vec<String> = by_cpu
        .iter()
        .take(2)
        .map(|(n, f)| format!("{} {} %", s.rows.settings.title(n), say::number(f.mean, 0)))
        .collect();
    let drawing = by_cpu.iter().take(3).find_map(|(n, _)| {
        s.before(n.thing().quantity("software-drawing").as_str())
            .filter(|f| f.max >= 0.5)
            .map(|_| s.rows.settings.title(n))
    });
    let heaviest = by_cpu.first().map(|(n, _)| s.rows.settings.title(n));
    let look = Look {
        place: drawing.clone().or(heaviest).unwrap_or("the processor of the field PC".into()),
        reason: "the processor was starved".into(),
        evidence: String::new(),
        how: if drawing.is_some() {
            DRAW_LESS
        } else {
            "close what is not needed at night, move updates and copies to the day, or slow the heaviest program down"
        }
        .into(),
        caution: None,
    };
    // A busy processor makes programs miss deadlines; it seldom sends a device or a router away.
    let program_first = s.incident.kind == FaultKind::Program;
    let weight = if stalled && program_first { Weight::PointsTo } else { Weight::MayBe };
    let mut r = new("processor", "the processor was starved", weight, look);
    if let Some(f) = stall {
        let words = format!("something waited for the processor {} % of the time", say::number(f.mean, 0));
        let peak = format!("{words}, {} % at the peak", say::number(f.max, 0));
        if stalled { r.evidence_for.push(peak) } else { r.evidence_against.push(words) }
    }
    if let Some(f) = load {
        let words = format!("the processor was {} % busy", say::number(f.mean, 0));
        if busy {
            r.evidence_for.push(words);
        } else if f.mean < 60.0 {
            r.evidence_against.push(words);
        }
    }
    if let Some(f) = s.stood_out("pressure.cpu", true).or(s.stood_out("load.cpu", true)) {
        r.evidence_for.push(format!("this was {}", super::super::scene::rank_words(f)));
    }
    if !top.is_empty() {
        r.evidence_for.push(format!("heaviest: {}", say::list(&top)));
    }
    if let Some(d) = drawing {
        r.evidence_for.push(format!("{d} was drawing without graphics hardware"));
    }
    if !program_first {
        r.evidence_against.push(format!("what failed first was of kind {}, not a program", s.incident.kind.word()));
    }
    Some(r)
}
