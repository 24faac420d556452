//! The report as one HTML file: no script, nothing fetched, readable on a phone, on paper in black and white, and in a dim red look.

use super::model::SeasonReport;
use super::picture::{draw_tall, draw_wide};
use super::text;
use super::words::{self, Group};
use crate::analysis::remedy::{Origin, RemedyJudgement};
use crate::analysis::season::NightKind;
use crate::report::say::{number, sentence_start, zoned};
use crate::report::sheet::{marked_invented, to_file};
use maud::{Markup, html};

/// The whole file.
pub fn to_html(r: &SeasonReport) -> String {
    let title = if r.field.is_empty() { "many nights".to_string() } else { format!("{}, many nights", r.field) };
    let empty = r.nights.iter().all(|n| n.kind == NightKind::NoSession);
    let body = html! {
        h1 { (r.opening.first().map(String::as_str).unwrap_or_default()) }
        @for s in r.opening.iter().skip(1) { p.opening { (s) } }
        @for s in &r.basis { p.soft { (s) } }
        @if !empty {
            section {
                h2 { "The season" }
                (draw_wide(&r.picture)) (draw_tall(&r.picture))
            }
            (causes(r))
            (remedies(r))
            (the_box(r))
            section { h2 { "Time between faults" } p { (r.between.sentences.join(" ")) } }
            (faults(r))
            (nights(r))
            (changes(r))
            @if !r.cautions.is_empty() {
                section { h2 { "Cautions" } ul { @for c in &r.cautions { li { (c) } } } }
            }
            section.statistics {
                h2 { "For the statistician" }
                ul { @for s in &r.statistician { li { (s) } } }
            }
        }
        footer { p { (text::footer(r)) } }
    };
    to_file(&title, [&r.field, &marked_invented("many nights".into(), r.invented)], &body)
}

fn causes(r: &SeasonReport) -> Markup {
    html! {
        section {
            h2 { "What the faults go with" }
            @if let Some(why) = &r.causes.nothing { p { (why) } }
            @for Group { heading, told, named } in words::groups(r) {
                h4 { (heading) }
                @if !told.is_empty() {
                    ul { @for c in told { li { @if let Some(l) = words::lead(c) { em { (l) ": " } } (c.sentence) } } }
                }
                @if !named.is_empty() { p { (words::named(&named)) } }
            }
        }
    }
}

fn remedies(r: &SeasonReport) -> Markup {
    let of = |o: Origin| r.remedies.iter().filter(|j| j.origin == o).collect::<Vec<_>>();
    let (own, changes) = (of(Origin::Remedy), of(Origin::Change));
    html! {
        @if !own.is_empty() {
            section {
                h2 { "Did the remedy help" }
                @for j in own { (remedy(r, j)) }
                p.soft { (words::BY_LOT) }
            }
        }
        @if !changes.is_empty() {
            section {
                h2 { "Recorded changes, judged alike" }
                @for j in changes { (remedy(r, j)) }
            }
        }
    }
}

fn remedy(r: &SeasonReport, j: &RemedyJudgement) -> Markup {
    html! {
        h4 { (sentence_start(&j.name)) ", since " (text::day(r, j.since)) }
        p { strong { (sentence_start(&j.verdict.words())) } @if j.hindsight { ", judged with hindsight" } "." }
        ul { @for s in &j.sentences { li { (s) } } }
        @for w in &j.warnings { p.caution { (w) } }
    }
}

fn the_box(r: &SeasonReport) -> Markup {
    html! {
        @if let Some(b) = &r.the_box.report {
            section {
                h2 { "The box" }
                @for s in b.sentences(r.scale) { p { (s) } }
                @if let Some(h) = &r.the_box.heater { p.soft { (h) } }
            }
        }
    }
}

fn faults(r: &SeasonReport) -> Markup {
    let any = r.nights.iter().any(|n| !n.faults.is_empty());
    html! {
        @if any {
            section {
                h2 { "Faults" }
                @if let Some(k) = words::kinds(r) { p { (k) } }
                table.faults { tbody { @for f in r.nights.iter().flat_map(|n| &n.faults) {
                    tr {
                        td { strong { (f.letter) } }
                        td.num { (zoned(f.at, &r.zone).strftime("%-d %b, %H:%M")) }
                        td { (f.kind.word()) }
                        td { (f.what) }
                    }
                } } }
            }
        }
    }
}

fn nights(r: &SeasonReport) -> Markup {
    let shown = r.nights.iter().filter(|n| n.kind != NightKind::NoSession);
    let hours = |h: f64| number(h, 1);
    html! {
        section {
            h2 { "Nights" }
            table.nights {
                thead { tr { th { "evening" } th { "kind" } th { "dark, h" } th { "session, h" } th { "at risk, h" } th { "faults" } } }
                tbody { @for n in shown {
                    tr {
                        td.num { (n.date) }
                        td { (n.kind.word()) }
                        td.num { (n.dark_hours.map_or("–".into(), hours)) }
                        td.num { (hours(n.session_hours)) }
                        td.num { (hours(n.at_risk_hours)) }
                        td.num { (n.faults.len()) }
                    }
                } }
            }
        }
    }
}

fn changes(r: &SeasonReport) -> Markup {
    html! {
        @if !r.changes.is_empty() {
            section {
                h2 { "Changes on record" }
                ul { @for (at, words) in &r.changes { li { (text::day(r, *at)) ": " (words) } } }
            }
        }
    }
}
