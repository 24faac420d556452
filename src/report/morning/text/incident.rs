//! What happened, incident by incident, in words.

use super::super::happened::mark_words;
use super::super::model::{Before, Class, IncidentPart, MorningReport, Reason, Weight};
use super::super::scene::rank_words;
use super::super::unusual::{Finding, Unusual};
use crate::model::Span;
use crate::model::incident::Belongs;
use crate::report::paper::Paper;
use crate::report::say;

/// Findings listed for one fault.
pub(in crate::report::morning) const FINDINGS: usize = 5;

pub(super) fn happened(p: &mut Paper, r: &MorningReport) {
    p.heading("What happened");
    if r.incidents.is_empty() {
        p.para("No incident.");
    }
    for (n, i) in r.incidents.iter().enumerate() {
        if n > 0 {
            p.gap();
        }
        incident(p, r, i);
    }
}

/// One incident.
pub(super) fn incident(p: &mut Paper, r: &MorningReport, i: &IncidentPart) {
    let head = format!("{}  ", i.letter);
    let rest = " ".repeat(head.len());
    p.hang(&head, &rest, &format!("{}{}", i.headline, tag(i)));
    if i.cascade.len() > 1 {
        let rows: Vec<[String; 4]> = i
            .cascade
            .iter()
            .enumerate()
            .map(|(k, s)| {
                [
                    say::clock_s(s.at, &r.zone),
                    if k == 0 { "failed first".into() } else { after(s.offset) },
                    s.title.clone(),
                    s.did.clone(),
                ]
            })
            .collect();
        p.columns(rest.len(), [8, 14, 18, 80], &rows);
        p.hang(&rest, &rest, &together(i));
        if !i.order_certain {
            p.hang(&rest, &rest, "Order not certain: two of these fell inside one sampling step.");
        }
    }
    if !i.cost_words.is_empty() {
        p.hang(&rest, &rest, &i.cost_words);
    }
    for m in &i.marks {
        p.hang(&rest, &rest, &mark(r, m));
    }
    if let Some(b) = &i.before {
        before(p, r, b, &rest);
        reasons(p, i, &rest);
    }
    if i.detailed && i.class == Class::Fault {
        p.hang(&rest, &rest, &detail_words(i));
    }
}

/// Where the minutes around it are shown.
pub(in crate::report::morning) fn detail_words(i: &IncidentPart) -> String {
    format!("Ten minutes before and five after, in detail: `tilldawn incident {}`.", i.id)
}

/// A mark in words.
pub(in crate::report::morning) fn mark(r: &MorningReport, m: &crate::model::Mark) -> String {
    let when = say::zoned(m.at.wall, &r.zone).strftime("%-d %B %H:%M");
    let words = if m.words.is_empty() { String::new() } else { format!(": \"{}\"", m.words) };
    match m.kind {
        Some(k) => format!("Marked as {} on {when}{words}.", mark_words(k)),
        None => format!("Mark taken back on {when}{words}."),
    }
}

/// A few words behind the headline of what is no fault.
pub(in crate::report::morning) fn tag(i: &IncidentPart) -> &'static str {
    match i.class {
        Class::OutsideSession => " (outside any session: not counted)",
        Class::Marked => " (marked: not counted as a fault)",
        _ => "",
    }
}

/// `+ 1.4 s`; `− 0.4 s` for what came before the first failure without being one itself.
pub(in crate::report::morning) fn after(offset: Span) -> String {
    if offset < Span::ZERO { format!("− {}", say::lag(Span(-offset.0))) } else { format!("+ {}", say::lag(offset)) }
}

/// Why the parts of a cascade are held to belong together.
pub(in crate::report::morning) fn together(i: &IncidentPart) -> String {
    let mut near: Vec<&str> = vec![];
    for s in i.cascade.iter().filter(|s| s.belongs == Belongs::NearInTime) {
        if !near.contains(&s.title.as_str()) {
            near.push(&s.title);
        }
    }
    let leans = i.cascade.iter().any(|s| s.belongs == Belongs::LeansOn);
    match (near.is_empty(), leans) {
        (true, _) => "They belong together by what leans on what, as configured.".into(),
        (false, false) => "They belong together by nearness in time only.".into(),
        (false, true) => {
            let verb = if near.len() == 1 { "belongs" } else { "belong" };
            let who = say::sentence_start(&say::list(&near));
            format!("{who} {verb} here by nearness in time only; the rest by what leans on what, as configured.")
        }
    }
}

fn before(p: &mut Paper, r: &MorningReport, b: &Before, rest: &str) {
    let (bullet, more) = (format!("{rest}- "), format!("{rest}  "));
    p.hang(rest, rest, "The ten minutes before:");
    if let Some(why) = &b.why_not {
        p.hang(&bullet, &more, &format!("nothing is ranked: {why}"));
    } else if let Some(u) = &b.unusual {
        p.hang(&bullet, &more, &unusual_words(u));
        for f in u.findings.iter().take(FINDINGS) {
            p.hang(&format!("{more}* "), &format!("{more}  "), &finding(r, f));
        }
    }
    for f in facts(b) {
        p.hang(&bullet, &more, &f);
    }
}

/// How much was searched and what stood out, in one sentence.
pub(in crate::report::morning) fn unusual_words(u: &Unusual) -> String {
    let nights = say::count(u.nights, "night");
    let what = match u.findings.len() {
        0 => "nothing stood out".to_string(),
        1 => "one stood out".into(),
        n if n > FINDINGS => format!("{n} stood out, the rarest {FINDINGS} are"),
        n => format!("{n} stood out"),
    };
    format!(
        "of {}, {what} against {} fault-free ten minutes at the same hour of a session on {nights}; ordinary ten minutes \
         show {} such",
        say::count(u.searched, "signal"),
        u.stretches,
        say::number(u.ordinary, 1)
    )
}

/// A finding in words: "processor pressure (peak) 82.0 %, usually 3.1 %: higher than in all 140".
pub(in crate::report::morning) fn finding(r: &MorningReport, f: &Finding) -> String {
    // Two digits that count are enough to compare by.
    let coarse = |x: f64| if x == 0.0 { 0.0 } else { 10f64.powf(x.abs().log10().floor() - 1.0) };
    let v = |x: f64| say::value(x, f.unit, f.resolution.max(coarse(x)), r.scale);
    let name = if f.what.is_empty() { f.signal.to_string() } else { f.what.clone() };
    let of = if f.peak { if f.high { " up to" } else { " down to" } } else { "" };
    format!("{name}{of} {}, usually {}: {}", v(f.value), v(f.typical), rank_words(f))
}

/// The plain facts, heaviest programs first.
pub(in crate::report::morning) fn facts(b: &Before) -> Vec<String> {
    let mut out = vec![];
    if !b.by_processor.is_empty() {
        let all: Vec<String> = b.by_processor.iter().map(|(t, v)| format!("{t} {} %", say::number(*v, 0))).collect();
        out.push(format!("heaviest by processor: {}", all.join(", ")));
    }
    if !b.by_memory.is_empty() {
        let all: Vec<String> = b.by_memory.iter().map(|(t, v)| format!("{t} {}", say::bytes(*v))).collect();
        out.push(format!("heaviest by memory: {}", all.join(", ")));
    }
    out.extend(b.facts.iter().cloned());
    out
}

fn reasons(p: &mut Paper, i: &IncidentPart, rest: &str) {
    let (bullet, more) = (format!("{rest}- "), format!("{rest}  "));
    if i.reasons.is_empty() {
        p.hang(rest, rest, &no_sign(i));
        return;
    }
    p.hang(rest, rest, if i.reasons.len() == 1 { "Likely reason:" } else { "Likely reasons:" });
    for x in &i.reasons {
        p.hang(&bullet, &more, &reason_title(x));
        for e in &x.evidence_for {
            p.hang(&format!("{more}for:     "), &format!("{more}         "), e);
        }
        for e in &x.evidence_against {
            p.hang(&format!("{more}against: "), &format!("{more}         "), e);
        }
    }
}

/// "No sign of a reason" is an answer; it lists what could have told and was not measured.
pub(in crate::report::morning) fn no_sign(i: &IncidentPart) -> String {
    if i.not_measured.is_empty() {
        "No sign of a reason in what was recorded.".into()
    } else {
        format!("No sign of a reason in what was recorded. Not measured: {}.", say::list(&i.not_measured))
    }
}

/// The reason and how firmly the record points to it.
pub(in crate::report::morning) fn reason_title(x: &Reason) -> String {
    match x.weight {
        Weight::PointsTo => format!("{} ({})", x.title, x.weight.words()),
        Weight::MayBe => format!("may be: {}", x.title),
    }
}
