//! The program itself: how it ended, where the kernel tells it.

use super::{Look, Reason, Scene, Weight, caution, new};
use crate::model::{EventKind, Span};
use serde_json::Value;

/// Signals by which the kernel ends a program for its own mistake: illegal instruction, trap, abort, bus error, arithmetic,
/// bad address, bad system call (POSIX `<signal.h>`, Linux numbers).
const OWN_MISTAKES: &[i64] = &[4, 5, 6, 7, 8, 11, 31];

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let first = s.first().filter(|m| m.thing.kind() == "program")?;
    let title = s.title();
    let look = |reason: &str, how: String| Look {
        place: title.clone(),
        reason: reason.into(),
        evidence: String::new(),
        how,
        caution: Some(caution::MOVEMENT),
    };
    let log = format!("read its own log around {}", s.clock(first.at.wall));
    let stopped = s.events(EventKind::ProgramStopped, Span::mins(1), Span::mins(5)).find(|e| e.thing == first.thing);
    if let Some(e) = stopped {
        let how = format!("see who or what stopped it (a terminal, a debugger, a power-saving tool); {log}");
        let mut r =
            new("stopped", "it was stopped by a signal", Weight::PointsTo, look("it was stopped by a signal", how));
        r.evidence_for.push(format!("the kernel showed {title} as stopped at {}", s.clock(e.at.wall)));
        return Some(r);
    }
    let end = s.events(EventKind::ProgramEnded, Span::secs(1), Span::mins(1)).find(|e| e.thing == first.thing)?;
    let number = |key: &str| end.detail.get(key).and_then(Value::as_i64);
    let core = end.detail.get("core").and_then(Value::as_bool).unwrap_or(false);
    // A line that names another process tells nothing of this one.
    let same =
        |e: &&crate::model::Event| e.detail.get("pid").is_none_or(|p| end.detail.get("pid").is_none_or(|q| p == q));
    let crash = s.kernel_lines(&["crash"], Span::secs(10), Span::secs(10)).into_iter().find(same);
    let (code, words, how, evidence) = match (number("signal"), number("code")) {
        (Some(n), _) if OWN_MISTAKES.contains(&n) => (
            "program_crashed",
            "a mistake inside the program itself",
            format!("{log}; see whether a newer or an older version behaves; report it to its makers with the time"),
            format!("the kernel ended {title} for its own mistake (signal {n})"),
        ),
        (Some(n), _) => (
            "program_killed",
            "something ended it from outside",
            format!("see who or what sent the signal: a script, a watchdog, a remote session that closed; {log}"),
            format!("{title} was ended by signal {n}"),
        ),
        (None, Some(c)) if c != 0 => (
            "program_gave_up",
            "the program gave up by itself",
            format!("{log}: a program that ends itself usually says why"),
            format!("{title} ended by itself with code {c}"),
        ),
        _ if crash.is_some() || end.detail.get("how").and_then(Value::as_str) == Some("crashed") => (
            "program_crashed",
            "a mistake inside the program itself",
            format!("{log}; see whether a newer or an older version behaves"),
            format!("{title} ended"),
        ),
        _ => return None,
    };
    let mut r = new(code, words, Weight::MayBe, look(words, how));
    r.evidence_for.push(evidence);
    if core {
        r.evidence_for.push("the kernel wrote a core file".into());
    }
    if let Some(from) = end.detail.get("known_from").and_then(Value::as_str) {
        r.evidence_for.push(format!("how it ended is known from {from}"));
    }
    if let Some(e) = crash {
        r.weight = Weight::PointsTo;
        r.evidence_for.push(format!("the kernel's log has its crash at {}", s.clock(e.at.wall)));
    }
    if let Some(up) = end.detail.get("uptime_s").and_then(Value::as_f64).filter(|u| *u > 0.0) {
        let up = Span((up * 1000.0) as i64);
        let words = format!("it had run for {up}");
        if up < Span::mins(5) { r.evidence_for.push(words) } else { r.evidence_against.push(words) }
    }
    Some(r)
}
