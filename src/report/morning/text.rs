//! The report as plain text: at most 80 columns, no colour, good to read over a remote shell or in a mail.

mod incident;
mod picture;

pub(super) use incident::{
    FINDINGS, after, detail_words, facts, finding, mark, no_sign, reason_title, tag, together, unusual_words,
};

use super::model::{IncidentPart, Look, MorningReport, NightState};
use super::opening::{date_words, where_it_went};
use crate::model::{Span, Unit};
use crate::report::leadup::Around;
use crate::report::paper::{Paper, WIDTH};
use crate::report::say;
use incident::{happened, incident};
use picture::picture;

/// The report in words.
pub fn to_text(r: &MorningReport) -> String {
    let mut p = Paper::new();
    p.ends(&r.field, &format!("night of {}", date_words(&r.night.date)));
    p.line(&"=".repeat(WIDTH));
    if r.invented {
        p.line("INVENTED DATA: a rehearsal, not a real night.");
    }
    p.gap();
    p.para(&r.opening.join(" "));
    if r.state == NightState::Nothing {
        return p.finish();
    }
    look_at(&mut p, r);
    p.heading("The night");
    picture(&mut p, &r.picture);
    if let Some(s) = where_it_went(&r.totals) {
        p.gap();
        p.para(&s);
    }
    happened(&mut p, r);
    watched(&mut p, r);
    alarms(&mut p, r);
    signals(&mut p, r);
    if !r.cautions.is_empty() {
        p.heading("Cautions");
        for c in &r.cautions {
            p.hang("- ", "  ", c);
        }
    }
    p.gap();
    p.para(&footer(r));
    p.finish()
}

/// One incident alone, with the night it belongs to, and what is kept of the minutes around it.
pub fn incident_to_text(r: &MorningReport, i: &IncidentPart, around: Option<(&Around, bool)>) -> String {
    let mut p = Paper::new();
    p.ends(&format!("incident {}", i.id), &format!("night of {}", date_words(&r.night.date)));
    p.line(&"=".repeat(WIDTH));
    p.gap();
    incident(&mut p, r, i);
    let mut said = vec![];
    for c in i.reasons.iter().filter_map(|x| x.look.caution) {
        if !said.contains(&c) {
            p.gap();
            p.hang("Care: ", "      ", c);
            said.push(c);
        }
    }
    if let Some((around, all)) = around {
        crate::report::leadup::on_paper(&mut p, around, &r.zone, r.scale, all);
    }
    p.finish()
}

/// Made when, in which time.
pub(super) fn footer(r: &MorningReport) -> String {
    format!(
        "Written {} by tilldawn {}. Times are local ({}).",
        say::zoned(r.written, &r.zone).strftime("%-d %B %Y, %H:%M"),
        env!("CARGO_PKG_VERSION"),
        say::zone_over(r.night.from, r.night.to, &r.zone)
    )
}

fn look_at(p: &mut Paper, r: &MorningReport) {
    p.heading("To look at today");
    if r.to_look_at.is_empty() {
        p.para(nothing_to_do(r));
    }
    for (n, l) in r.to_look_at.iter().enumerate() {
        if n > 0 {
            p.gap();
        }
        let Look { place, reason, evidence, how, caution } = l;
        p.hang(&format!("{}. ", n + 1), "   ", &format!("{}: {reason}.", say::sentence_start(place)));
        p.hang("   Seen:  ", "          ", evidence);
        p.hang("   Check: ", "          ", &format!("{how}."));
        if let Some(c) = caution {
            p.hang("   Care:  ", "          ", c);
        }
    }
}

/// What is said when there is nothing to do.
pub(super) fn nothing_to_do(r: &MorningReport) -> &'static str {
    match r.state {
        NightState::Partly => "Nothing, as far as the night was watched.",
        NightState::Running => "Nothing so far.",
        _ => "Nothing.",
    }
}

fn watched(p: &mut Paper, r: &MorningReport) {
    if !r.watched.is_empty() {
        p.heading("What was watched");
        let rows: Vec<[String; 2]> = r.watched.iter().map(|w| [w.title.clone(), w.words.clone()]).collect();
        p.columns(0, [28, 80], &rows);
    }
    if !r.drawing.is_empty() {
        p.heading("Drawing without graphics hardware");
        r.drawing.iter().for_each(|s| p.para(s));
    }
    if !r.gaps.is_empty() {
        p.heading("Not watched");
        for g in &r.gaps {
            p.para(&gap(r, g));
        }
    }
    if !r.changes.is_empty() {
        p.heading(&changed_heading(r));
        for c in &r.changes {
            p.para(&format!("{}  {}", say::zoned(c.at, &r.zone).strftime("%-d %B %H:%M"), c.words));
        }
    }
}

/// Since when changes are told.
pub(super) fn changed_heading(r: &MorningReport) -> String {
    match &r.quiet {
        Some(date) => format!("Changed since the last quiet night, {}", super::quiet_words(date)),
        None => "Changed shortly before".into(),
    }
}

/// A gap in one line.
pub(super) fn gap(r: &MorningReport, g: &super::model::GapLine) -> String {
    let in_session = match g.in_session {
        Span::ZERO => ", outside any session".into(),
        s if s + Span::secs(1) >= g.to - g.from => String::new(),
        s => format!(", {s} of it in session"),
    };
    format!(
        "{} to {} ({}): {}{in_session}",
        say::clock_s(g.from, &r.zone),
        say::clock_s(g.to, &r.zone),
        g.to - g.from,
        g.words
    )
}

fn alarms(p: &mut Paper, r: &MorningReport) {
    if r.alarms.is_empty() {
        return;
    }
    p.heading("Alarms");
    let rows: Vec<[String; 4]> = r
        .alarms
        .iter()
        .map(|a| {
            let lasted = a.to.map_or("stands".into(), |t| (t - a.from).to_string());
            [
                alarm_from(r, a),
                lasted,
                a.priority.word().into(),
                format!("{}{}", a.text, a.letter.as_ref().map(|l| format!(" ({l})")).unwrap_or_default()),
            ]
        })
        .collect();
    p.columns(0, [12, 13, 6, 80], &rows);
}

/// A value of a signal's line: three digits that count, and no finer than the sensor.
pub(super) fn figure(r: &MorningReport, s: &super::model::SignalLine, v: f64) -> String {
    let coarse = if v == 0.0 { 0.0 } else { 10f64.powf(v.abs().log10().floor() - 2.0) };
    say::value(v, s.unit, s.resolution.max(coarse.min(0.1)), r.scale)
}

/// When an alarm began: the clock alone inside the night, with the day when it stands since longer.
pub(super) fn alarm_from(r: &MorningReport, a: &super::model::AlarmLine) -> String {
    if a.from >= r.night.from {
        say::clock_s(a.from, &r.zone)
    } else {
        say::zoned(a.from, &r.zone).strftime("%-d %b %H:%M").to_string()
    }
}

fn signals(p: &mut Paper, r: &MorningReport) {
    if r.signals.is_empty() {
        return;
    }
    p.heading("Signals: lowest, mean, highest");
    let rows: Vec<[String; 5]> = r
        .signals
        .iter()
        .map(|s| {
            let v = |x| figure(r, s, x);
            let gone = if s.unavailable > 0 { format!("{} not read", s.unavailable) } else { String::new() };
            match s.range {
                // Of a yes or no the share says more than three answers.
                Some((_, mean, _)) if s.unit == Unit::Truth => [
                    s.name.to_string(),
                    format!("yes {} %", say::number(mean * 100.0, 1)),
                    String::new(),
                    String::new(),
                    gone,
                ],
                Some((a, b, c)) => [s.name.to_string(), v(a), v(b), v(c), gone],
                None => [s.name.to_string(), "-".into(), "-".into(), "-".into(), gone],
            }
        })
        .collect();
    p.columns(0, [30, 12, 12, 12, 20], &rows);
}
