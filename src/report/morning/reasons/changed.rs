//! Something was changed shortly before: software, a port, a driver, a setting.

use super::{Look, Reason, Scene, Weight, new};
use crate::model::Span;
use crate::report::say;

/// A change this long before a fault is worth a thought; longer ago only if no night since the last quiet one was without it.
const LATELY: Span = Span::hours(72);

pub(super) fn reason(s: &Scene) -> Option<Reason> {
    let first = s.first()?;
    let mut leans: Vec<&str> = s.rows.settings.leans_on(&first.thing).iter().map(|n| n.as_str()).collect();
    leans.push(first.thing.as_str());
    let touches = |what: &str| {
        leans.iter().any(|n| what == *n || what.strip_prefix(n).is_some_and(|rest| rest.starts_with([' ', '.', ':'])))
            || what.starts_with("kernel")
    };
    let change = s
        .rows
        .changes
        .iter()
        .filter(|c| c.at < s.at && touches(&c.what) && !c.what.starts_with("disk."))
        .filter(|c| s.at - c.at < LATELY || s.rows.quiet.as_ref().is_some_and(|q| c.at > q.1))
        .max_by_key(|c| (!c.what.starts_with("kernel"), c.at))?;
    let words = super::super::change_words(&s.rows.settings, change);
    let when = say::zoned(change.at, &s.rows.settings.time_zone()).strftime("%-d %B").to_string();
    let look = Look {
        place: words.clone(),
        reason: "it was changed shortly before".into(),
        evidence: String::new(),
        how: "undo the change for some nights and see whether the fault stays away".into(),
        caution: None,
    };
    let mut r = new("changed", "something was changed shortly before", Weight::MayBe, look);
    r.evidence_for.push(format!("{words} on {when}, {} before the fault", s.at - change.at));
    if let Some((date, _)) = s.rows.quiet.as_ref().filter(|q| change.at > q.1) {
        r.evidence_for.push(format!("the last quiet night, {}, was before it", super::super::quiet_words(date)));
    }
    let quiet =
        s.rows.earlier.iter().filter(|n| n.quiet() && n.sessions.first().is_some_and(|x| x.0 >= change.at)).count();
    if quiet > 0 {
        r.evidence_against.push(format!("{} since then", say::count(quiet, "quiet night")));
    }
    Some(r)
}
