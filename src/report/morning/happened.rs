//! What happened: each incident with what failed first, the cascade behind it, its cost, and why.

use super::before::{before, earliest};
use super::cost::Account;
use super::model::{Class, Cost, IncidentPart, Step};
use super::reasons;
use super::rows::NightRows;
use super::said;
use super::scene::Scene;
use super::unusual::unusual;
use crate::model::rows::IncidentRow;
use crate::model::{Incident, MarkKind, Span};
use crate::report::picture::letter_text;
use crate::report::say;

/// Faults whose time before is told in full. A night with more has one story, told often enough.
const IN_FULL: usize = 12;

/// Every incident of the night, in order, with its cost.
pub fn happened(rows: &NightRows, account: &Account) -> Vec<IncidentPart> {
    let mut in_full = 0;
    rows.incidents
        .iter()
        .enumerate()
        .map(|(n, row)| {
            let mut part = plain(rows, row, n, account.cost(row.incident.id));
            if part.class == Class::Fault && in_full < IN_FULL {
                in_full += 1;
                explain(rows, &row.incident, &mut part);
            }
            part
        })
        .collect()
}

/// The same without looking for reasons and without costs: enough for the picture.
pub fn happened_plainly(rows: &NightRows) -> Vec<IncidentPart> {
    rows.incidents.iter().enumerate().map(|(n, row)| plain(rows, row, n, Cost::default())).collect()
}

/// What an incident counts as.
pub fn class(i: &Incident) -> Class {
    if i.mark.as_ref().is_some_and(|m| m.kind.is_some()) {
        Class::Marked
    } else if i.pause_only {
        Class::Pause
    } else if i.harmless {
        Class::Harmless
    } else if i.session.is_none() {
        Class::OutsideSession
    } else {
        Class::Fault
    }
}

/// The word for a mark.
pub fn mark_words(kind: MarkKind) -> &'static str {
    match kind {
        MarkKind::MyDoing => "my doing",
        MarkKind::Cloud => "cloud",
        MarkKind::Test => "a test",
        MarkKind::NotAFault => "not a fault",
    }
}

fn plain(rows: &NightRows, row: &IncidentRow, n: usize, cost: Cost) -> IncidentPart {
    let i = &row.incident;
    let class = class(i);
    let first = i.members.first().map_or(i.opened.wall, |m| m.at.wall);
    let cascade: Vec<Step> = i
        .members
        .iter()
        .map(|m| Step {
            thing: m.thing.clone(),
            title: rows.settings.title(&m.thing),
            at: m.at.wall,
            within: m.within,
            offset: m.at.wall - first,
            until: m.until.map(|u| u.wall),
            belongs: m.belongs,
            did: said::did(rows, m),
            text: said::sentence(rows, m),
        })
        .collect();
    IncidentPart {
        id: i.id,
        letter: letter_text(n, class != Class::Fault),
        class,
        kind: i.kind,
        opened: i.opened.wall,
        closed: i.closed.map(|c| c.wall),
        headline: headline(rows, i, class, &cascade),
        order_certain: i.order_certain,
        cost,
        cost_words: if class == Class::Fault { cost_words(rows, &cost) } else { String::new() },
        marks: row.marks.clone(),
        before: None,
        reasons: vec![],
        not_measured: vec![],
        detailed: rows.detailed.contains(&i.id),
        cascade,
    }
}

fn explain(rows: &NightRows, i: &Incident, part: &mut IncidentPart) {
    let at = earliest(i);
    let found = unusual(rows, at);
    let scene = Scene { rows, incident: i, at, unusual: found.as_ref() };
    part.before = Some(before(&scene));
    part.reasons = reasons::likely(&scene);
    if part.reasons.is_empty() {
        part.not_measured = reasons::not_measured(&scene);
    }
}

fn headline(rows: &NightRows, i: &Incident, class: Class, cascade: &[Step]) -> String {
    let at = say::clock_s(i.opened.wall, &rows.settings.time_zone());
    let lasted = i.closed.map(|c| c.wall - i.opened.wall);
    let first = cascade.first().map_or_else(|| format!("something of kind {}", i.kind.word()), |s| s.text.clone());
    let first = say::sentence_start(first.trim_end_matches('.'));
    let mut others: Vec<&str> = vec![];
    for s in cascade.iter().skip(1) {
        if !others.contains(&s.title.as_str()) && cascade.first().is_some_and(|f| f.title != s.title) {
            others.push(&s.title);
        }
    }
    // A long cascade is told in full further down.
    let followed = match others.len() {
        0 => String::new(),
        1..=3 => format!("; {} followed", say::list(&others)),
        n => format!("; {} and {} more followed", others[..2].join(", "), n - 2),
    };
    match (class, lasted) {
        (Class::Pause, Some(l)) => {
            format!(
                "Light frames paused at {at} for {l}; nothing was broken, so the reason was not seen (cloud, another target, the end of the plan?)."
            )
        }
        (Class::Pause, None) => {
            format!("Light frames have paused since {at}; nothing is broken, so the reason is not seen.")
        }
        (Class::Harmless, Some(l)) => format!("{first} at {at} for {l}; nothing was lost by it."),
        (_, Some(l)) if l >= Span::secs(1) => format!("{first} at {at}{followed}; all well again after {l}."),
        (_, Some(_)) => format!("{first} at {at}{followed}."),
        (_, None) => format!("{first} at {at}{followed}; not well again since."),
    }
}

/// "It cost 48 min of darkness and about 9 light frames; frames flowed again after 52 min."
fn cost_words(rows: &NightRows, c: &Cost) -> String {
    let dark_known = rows.settings.site.is_some();
    let mut parts = vec![];
    if c.dark_lost > Span::ZERO {
        parts.push(format!("{} of {}", say::rough(c.dark_lost), if dark_known { "darkness" } else { "the session" }));
    }
    if let Some(n) = c.frames_missing.filter(|n| *n > 0) {
        parts.push(format!("about {}", say::count(n as usize, "light frame")));
    }
    let mut out = if parts.is_empty() {
        if dark_known { "It cost no dark time in session.".into() } else { "It cost no session time.".to_string() }
    } else {
        format!("It cost {}.", say::list(&parts))
    };
    if let Some(back) = c.until_frames {
        out.push_str(&format!(" Light frames flowed again after {}.", say::rough(back)));
    }
    if c.not_watched >= Span::secs(1) {
        out.push_str(&format!(" Not watched: {} of it.", say::rough(c.not_watched)));
    }
    out
}
