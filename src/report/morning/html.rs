//! The report as one HTML file: no script, nothing fetched, readable on a phone, on A4 and Letter paper in black and white,
//! and in a dim red look for eyes used to the dark.

use super::model::{Class, IncidentPart, Look, MorningReport, NightState};
use super::opening::{date_words, where_it_went};
use super::text;
use crate::model::Unit;
use crate::report::picture::{draw_tall, draw_wide};
use crate::report::say;
use crate::report::sheet::{marked_invented, to_file};
use maud::{Markup, html};

/// The whole file.
pub fn to_html(r: &MorningReport) -> String {
    let night = format!("night of {}", date_words(&r.night.date));
    let title = if r.field.is_empty() { night.clone() } else { format!("{}, {night}", r.field) };
    let body = html! {
        (opening(r))
        @if r.state != NightState::Nothing {
            (to_look_at(r))
            section {
                h2 { "The night" }
                (draw_wide(&r.picture)) (draw_tall(&r.picture))
                @if let Some(s) = where_it_went(&r.totals) { p { (s) } }
            }
            (happened(r))
            (plots(r))
            (watched(r))
            (alarms(r))
            (signals(r))
            (cautions(r))
        }
        footer { p { (text::footer(r)) } }
    };
    to_file(&title, [&r.field, &marked_invented(night, r.invented)], &body)
}

/// Words with commands between backticks.
fn with_commands(text: &str) -> Markup {
    html! { @for (n, part) in text.split('`').enumerate() { @if n % 2 == 1 { code { (part) } } @else { (part) } } }
}

fn opening(r: &MorningReport) -> Markup {
    // The sentence that names faults is what the eye should find first.
    let lead = r.opening.iter().position(|s| s.contains("fault")).filter(|_| r.totals.faults > 0);
    html! {
        @match lead {
            Some(n) => {
                h1.bad { (r.opening[n]) }
                p.opening { (r.opening.iter().enumerate().filter(|(i, _)| *i != n).map(|(_, s)| s.as_str()).collect::<Vec<_>>().join(" ")) }
            }
            None => {
                h1 { (r.opening.first().map(String::as_str).unwrap_or_default()) }
                @if r.opening.len() > 1 { p.opening { (r.opening[1..].join(" ")) } }
            }
        }
    }
}

fn to_look_at(r: &MorningReport) -> Markup {
    html! {
        section.today {
            h2 { "To look at today" }
            @if r.to_look_at.is_empty() { p { (text::nothing_to_do(r)) } }
            @else {
                ol { @for Look { place, reason, evidence, how, caution } in &r.to_look_at {
                    li {
                        p { strong { (say::sentence_start(place)) } ": " (reason) "." }
                        p.soft { (evidence) "." }
                        p { (with_commands(&say::sentence_start(how))) "." }
                        @if let Some(c) = caution { p.caution { strong { "Care: " } (c) } }
                    }
                } }
            }
        }
    }
}

fn happened(r: &MorningReport) -> Markup {
    html! {
        section {
            h2 { "What happened" }
            @if r.incidents.is_empty() { p { "No incident." } }
            @for i in &r.incidents { (incident(r, i)) }
        }
    }
}

/// One incident.
pub fn incident(r: &MorningReport, i: &IncidentPart) -> Markup {
    html! {
        article class=(if i.class == Class::Fault { "incident fault" } else { "incident" }) {
            h3 { span.mark { (i.letter) } " " (i.headline) (text::tag(i)) }
            @if i.cascade.len() > 1 {
                table.cascade {
                    thead { tr { th { "at" } th { "after" } th { "thing" } th { "what" } } }
                    tbody { @for (k, s) in i.cascade.iter().enumerate() {
                        tr {
                            td.num { (say::clock_s(s.at, &r.zone)) }
                            td.num { @if k == 0 { strong { "first" } } @else { (text::after(s.offset)) } }
                            td { (s.title) }
                            td { (s.did) }
                        }
                    } }
                }
                p.soft { (text::together(i)) @if !i.order_certain { " Order not certain: two of these fell inside one sampling step." } }
            }
            @if !i.cost_words.is_empty() { p { (i.cost_words) } }
            @for m in &i.marks { p { (text::mark(r, m)) } }
            @if i.detailed && i.class == Class::Fault { p.soft { (with_commands(&text::detail_words(i))) } }
            @if let Some(b) = &i.before {
                h4 { "Likely reasons" }
                @if i.reasons.is_empty() { p { (text::no_sign(i)) } }
                @else {
                    ul.reasons { @for x in &i.reasons {
                        li {
                            p { strong { (say::sentence_start(&text::reason_title(x))) } }
                            @if !x.evidence_for.is_empty() { p { em { "For: " } (x.evidence_for.join("; ")) "." } }
                            @if !x.evidence_against.is_empty() { p { em { "Against: " } (x.evidence_against.join("; ")) "." } }
                        }
                    } }
                }
                h4 { "The ten minutes before" }
                @if let Some(why) = &b.why_not { p { "Nothing is ranked: " (why) "." } }
                @else if let Some(u) = &b.unusual {
                    p { (say::sentence_start(&text::unusual_words(u))) "." }
                    @if !u.findings.is_empty() {
                        ul { @for f in u.findings.iter().take(text::FINDINGS) { li { (text::finding(r, f)) } } }
                    }
                }
                @let facts = text::facts(b);
                @if !facts.is_empty() { ul.facts { @for f in facts { li { (f) } } } }
            }
        }
    }
}

fn plots(r: &MorningReport) -> Markup {
    html! {
        @for (title, plot) in &r.plots {
            section.plot {
                h2 { (title) }
                (plot.draw_wide()) (plot.draw_tall())
            }
        }
    }
}

fn watched(r: &MorningReport) -> Markup {
    html! {
        @if !r.watched.is_empty() {
            section {
                h2 { "What was watched" }
                table { tbody { @for w in &r.watched { tr { td { (w.title) } td { (w.words) } } } } }
            }
        }
        @if !r.drawing.is_empty() {
            section {
                h2 { "Drawing without graphics hardware" }
                @for s in &r.drawing { p { (s) } }
            }
        }
        @if !r.gaps.is_empty() {
            section {
                h2 { "Not watched" }
                ul { @for g in &r.gaps { li { (text::gap(r, g)) } } }
            }
        }
        @if !r.changes.is_empty() {
            section {
                h2 { (text::changed_heading(r)) }
                ul { @for c in &r.changes { li { (say::zoned(c.at, &r.zone).strftime("%-d %B %H:%M")) ": " (c.words) } } }
            }
        }
    }
}

fn alarms(r: &MorningReport) -> Markup {
    html! {
        @if !r.alarms.is_empty() {
            section {
                h2 { "Alarms" }
                table.alarms {
                    thead { tr { th { "from" } th { "for" } th { "priority" } th { "what" } } }
                    tbody { @for a in &r.alarms {
                        tr {
                            td.num { (text::alarm_from(r, a)) }
                            td.num { @match a.to { Some(t) => (t - a.from), None => "stands" } }
                            td { (a.priority.word()) }
                            td { (a.text) @if let Some(l) = &a.letter { " (" (l) ")" } }
                        }
                    } }
                }
            }
        }
    }
}

fn signals(r: &MorningReport) -> Markup {
    html! {
        @if !r.signals.is_empty() {
            section {
                h2 { "Signals" }
                table.signals {
                    thead { tr { th { "signal" } th { "lowest" } th { "mean" } th { "highest" } } }
                    tbody { @for s in &r.signals {
                        @let v = |x| text::figure(r, s, x);
                        tr {
                            td { (s.name) @if s.unavailable > 0 { span.soft { " (" (s.unavailable) " not read)" } } }
                            @match s.range {
                                Some((_, mean, _)) if s.unit == Unit::Truth => { td.num { } td.num { "yes " (say::number(mean * 100.0, 1)) " %" } td.num { } }
                                Some((a, b, c)) => { td.num { (v(a)) } td.num { (v(b)) } td.num { (v(c)) } }
                                None => { td.num { "–" } td.num { "–" } td.num { "–" } }
                            }
                        }
                    } }
                }
            }
        }
    }
}

fn cautions(r: &MorningReport) -> Markup {
    html! {
        @if !r.cautions.is_empty() {
            section {
                h2 { "Cautions" }
                ul { @for c in &r.cautions { li { (c) } } }
            }
        }
    }
}
