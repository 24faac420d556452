//! The report as plain text: at most 80 columns, no colour.

use super::model::SeasonReport;
use super::words::{self, Group};
use crate::analysis::remedy::Origin;
use crate::analysis::season::NightKind;
use crate::model::zone_said;
use crate::report::paper::{Paper, WIDTH};
use crate::report::say::zoned;

/// The report in words.
pub fn to_text(r: &SeasonReport) -> String {
    let mut p = Paper::new();
    p.ends(&r.field, "many nights");
    p.line(&"=".repeat(WIDTH));
    if r.invented {
        p.line("INVENTED DATA: a rehearsal, not real nights.");
    }
    p.gap();
    p.para(&r.opening.join(" "));
    if r.nights.iter().all(|n| n.kind == NightKind::NoSession) {
        return p.finish();
    }
    for b in &r.basis {
        p.gap();
        p.para(b);
    }
    p.heading("The season");
    for l in r.picture.lines(WIDTH) {
        p.line(&l);
    }
    p.gap();
    for k in r.picture.key() {
        p.para(&k);
    }
    faults(&mut p, r);
    causes(&mut p, r);
    remedies(&mut p, r);
    the_box(&mut p, r);
    p.heading("Time between faults");
    p.para(&r.between.sentences.join(" "));
    if !r.changes.is_empty() {
        p.heading("Changes on record");
        for (at, words) in &r.changes {
            p.hang("- ", "  ", &format!("{}: {words}", day(r, *at)));
        }
    }
    if !r.cautions.is_empty() {
        p.heading("Cautions");
        for c in &r.cautions {
            p.hang("- ", "  ", c);
        }
    }
    p.heading("For the statistician");
    for s in &r.statistician {
        p.hang("- ", "  ", s);
    }
    p.gap();
    p.para(&footer(r));
    p.finish()
}

/// Made when, in which time.
pub(super) fn footer(r: &SeasonReport) -> String {
    format!(
        "Written {} by tilldawn {}. Times are local ({}).",
        zoned(r.written, &r.zone).strftime("%-d %B %Y, %H:%M"),
        env!("CARGO_PKG_VERSION"),
        zone_said(&r.zone)
    )
}

/// A day in words.
pub(super) fn day(r: &SeasonReport, at: crate::model::UnixMs) -> String {
    zoned(at, &r.zone).strftime("%-d %B %Y").to_string()
}

fn faults(p: &mut Paper, r: &SeasonReport) {
    let rows: Vec<[String; 4]> = r
        .nights
        .iter()
        .flat_map(|n| &n.faults)
        .map(|f| {
            let at = zoned(f.at, &r.zone).strftime("%-d %b %H:%M").to_string();
            [f.letter.clone(), at, f.kind.word().into(), f.what.clone()]
        })
        .collect();
    if !rows.is_empty() {
        p.heading("Faults");
        p.columns(0, [4, 14, 8, 80], &rows);
        if let Some(k) = words::kinds(r) {
            p.gap();
            p.para(&k);
        }
    }
}

fn causes(p: &mut Paper, r: &SeasonReport) {
    p.heading("What the faults go with");
    if let Some(why) = &r.causes.nothing {
        p.para(why);
    }
    for (k, Group { heading, told, named }) in words::groups(r).into_iter().enumerate() {
        if k > 0 {
            p.gap();
        }
        p.line(&format!("{heading}:"));
        for c in told {
            let lead = words::lead(c).map_or(String::new(), |l| format!("{l}: "));
            p.hang("- ", "  ", &format!("{lead}{}", c.sentence));
        }
        if !named.is_empty() {
            p.hang("  ", "  ", &words::named(&named));
        }
    }
}

fn remedies(p: &mut Paper, r: &SeasonReport) {
    let mut first = true;
    for origin in [Origin::Remedy, Origin::Change] {
        let all: Vec<_> = r.remedies.iter().filter(|j| j.origin == origin).collect();
        if all.is_empty() {
            continue;
        }
        p.heading(if origin == Origin::Remedy { "Did the remedy help" } else { "Recorded changes, judged alike" });
        for j in &all {
            if !std::mem::take(&mut first) {
                p.gap();
            }
            p.para(&format!("“{}”, since {}: {}.", j.name, day(r, j.since), j.verdict.words()));
            for s in &j.sentences {
                p.hang("- ", "  ", s);
            }
            for w in &j.warnings {
                p.hang("! ", "  ", w);
            }
        }
        if origin == Origin::Remedy {
            p.gap();
            p.para(words::BY_LOT);
        }
    }
}

fn the_box(p: &mut Paper, r: &SeasonReport) {
    let Some(b) = &r.the_box.report else { return };
    p.heading("The box");
    for s in b.sentences(r.scale) {
        p.para(&s);
    }
    if let Some(h) = &r.the_box.heater {
        p.para(h);
    }
}
