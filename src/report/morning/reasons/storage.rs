//! A disk was full, or failed.

use super::{Look, Reason, Scene, Weight, new};
use crate::model::{EventKind, FaultKind, Span};
use crate::report::say;
use serde_json::Value;

/// Below this share of free room, in per cent, writers begin to be refused.
const LITTLE: f64 = 1.0;

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let errors = s.kernel_lines(&["io_error"], Span::mins(5), Span::secs(10));
    let full = s
        .all_before("disk", Some("free-share"))
        .into_iter()
        .filter(|(_, f)| f.min < LITTLE)
        .min_by(|a, b| a.1.min.total_cmp(&b.1.min));
    let inodes = s
        .all_before("disk", Some("inodes-free-share"))
        .into_iter()
        .filter(|(_, f)| f.min < LITTLE)
        .min_by(|a, b| a.1.min.total_cmp(&b.1.min));
    // What file system and driver counted, and a disk that turned read-only.
    let told = s
        .events(EventKind::Changed, Span::mins(10), Span::secs(30))
        .filter(|e| {
            let what = e.detail.get("what").and_then(Value::as_str).unwrap_or("");
            what.starts_with("disk.") && (what.ends_with(" mode") || what.contains(" errors of the "))
        })
        .collect::<Vec<_>>();
    if errors.is_empty() && full.is_none() && inodes.is_none() && told.is_empty() {
        return None;
    }
    let disk = full.or(inodes).map(|(n, _)| s.rows.settings.title(n));
    let (title, how) = if full.is_some() || inodes.is_some() {
        ("a disk was full", "move last night's frames off it, and see that tonight's will fit")
    } else {
        (
            "a disk failed to read or write",
            "copy what matters off it first; then check its cable, and read its own health record (SMART)",
        )
    };
    let look = Look {
        place: disk.clone().unwrap_or("the disk that the kernel names".into()),
        reason: title.into(),
        evidence: String::new(),
        how: how.into(),
        caution: None,
    };
    let firm = s.incident.kind == FaultKind::Storage || !errors.is_empty() || !told.is_empty();
    let mut r = new("storage", title, if firm { Weight::PointsTo } else { Weight::MayBe }, look);
    if let Some((n, f)) = full {
        r.evidence_for.push(format!("{} had {} % left", s.rows.settings.title(n), say::number(f.min, 1)));
    }
    if let Some((n, f)) = inodes {
        let left = say::number(f.min, 1);
        r.evidence_for.push(format!("{} had room for only {left} % of its number of files", s.rows.settings.title(n)));
    }
    for e in told.iter().take(3) {
        r.evidence_for.push(format!("{} (seen at {})", e.text, s.clock(e.at.wall)));
    }
    if let Some(e) = errors.first() {
        r.evidence_for.push(format!("the kernel's log has an input/output error at {}", s.clock(e.at.wall)));
    }
    if full.is_none() && inodes.is_none() && !s.all_before("disk", Some("free-share")).is_empty() {
        r.evidence_against.push("every watched disk had room".into());
    }
    Some(r)
}
