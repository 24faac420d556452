//! The report as plain text: at most 80 columns, no colour, good to read over a remote shell or in a mail.

use super::happened::mark_words;
use super::model::{Before, Class, IncidentPart, Look, MorningReport, NightState, Reason, Weight};
use super::opening::{date_words, where_it_went};
use super::scene::rank_words;
use super::unusual::Finding;
use crate::model::incident::Belongs;
use crate::model::{Span, Unit, UnixMs};
use crate::report::leadup::Around;
use crate::report::paper::{Paper, WIDTH, pad};
use crate::report::picture::{NightPicture, StretchKind};
use crate::report::say;

/// Findings listed for one fault.
pub(super) const FINDINGS: usize = 5;
/// Columns for the names in the picture.
const NAMES: usize = 17;

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

fn happened(p: &mut Paper, r: &MorningReport) {
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
pub(super) fn detail_words(i: &IncidentPart) -> String {
    format!("Ten minutes before and five after, in detail: `tilldawn incident {}`.", i.id)
}

/// A mark in words.
pub(super) fn mark(r: &MorningReport, m: &crate::model::Mark) -> String {
    let when = say::zoned(m.at.wall, &r.zone).strftime("%-d %B %H:%M");
    let words = if m.words.is_empty() { String::new() } else { format!(": \"{}\"", m.words) };
    match m.kind {
        Some(k) => format!("Marked as {} on {when}{words}.", mark_words(k)),
        None => format!("Mark taken back on {when}{words}."),
    }
}

/// A few words behind the headline of what is no fault.
pub(super) fn tag(i: &IncidentPart) -> &'static str {
    match i.class {
        Class::OutsideSession => " (outside any session: not counted)",
        Class::Marked => " (marked: not counted as a fault)",
        _ => "",
    }
}

/// `+ 1.4 s`; `− 0.4 s` for what came before the first failure without being one itself.
pub(super) fn after(offset: Span) -> String {
    if offset < Span::ZERO { format!("− {}", say::lag(Span(-offset.0))) } else { format!("+ {}", say::lag(offset)) }
}

/// Why the parts of a cascade are held to belong together.
pub(super) fn together(i: &IncidentPart) -> String {
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
pub(super) fn unusual_words(u: &super::unusual::Unusual) -> String {
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
pub(super) fn finding(r: &MorningReport, f: &Finding) -> String {
    // Two digits that count are enough to compare by.
    let coarse = |x: f64| if x == 0.0 { 0.0 } else { 10f64.powf(x.abs().log10().floor() - 1.0) };
    let v = |x: f64| say::value(x, f.unit, f.resolution.max(coarse(x)), r.scale);
    let name = if f.what.is_empty() { f.signal.to_string() } else { f.what.clone() };
    let of = if f.peak { if f.high { " up to" } else { " down to" } } else { "" };
    format!("{name}{of} {}, usually {}: {}", v(f.value), v(f.typical), rank_words(f))
}

/// The plain facts, heaviest programs first.
pub(super) fn facts(b: &Before) -> Vec<String> {
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
pub(super) fn no_sign(i: &IncidentPart) -> String {
    if i.not_measured.is_empty() {
        "No sign of a reason in what was recorded.".into()
    } else {
        format!("No sign of a reason in what was recorded. Not measured: {}.", say::list(&i.not_measured))
    }
}

/// The reason and how firmly the record points to it.
pub(super) fn reason_title(x: &Reason) -> String {
    match x.weight {
        Weight::PointsTo => format!("{} ({})", x.title, x.weight.words()),
        Weight::MayBe => format!("may be: {}", x.title),
    }
}

/// The night in characters: a lane for each thing, a column for each part of the night.
fn picture(p: &mut Paper, n: &NightPicture) {
    let columns = WIDTH - NAMES - 2;
    let whole = (n.to.0 - n.from.0).max(1);
    let start = |c: usize| UnixMs(n.from.0 + whole * c as i64 / columns as i64);
    let column =
        |at: UnixMs| (((at.0 - n.from.0) * columns as i64).div_euclid(whole)).clamp(0, columns as i64 - 1) as usize;
    let touches = |a: UnixMs, b: UnixMs, c: usize| a < start(c + 1) && b.max(UnixMs(a.0 + 1)) > start(c);
    let row = |name: &str, cells: String| format!("{}  {cells}", pad(&crate::report::paper::cut(name, NAMES), NAMES));
    let mut hours = vec![' '; columns + 6];
    let axis = (0..=(whole / 3_600_000 + 2)).map(|h| {
        let z = say::zoned(UnixMs(n.from.0 + h * 3_600_000), &n.zone);
        UnixMs(n.from.0 + h * 3_600_000 - i64::from(z.minute()) * 60_000 - i64::from(z.second()) * 1000)
    });
    let mut free = 0;
    for t in axis.filter(|t| *t >= n.from && *t <= n.to) {
        let c = column(t);
        if c >= free && c + 5 <= columns {
            for (k, ch) in say::clock(t, &n.zone).chars().enumerate() {
                hours[c + k] = ch;
            }
            free = c + 8;
        }
    }
    let text: String = hours.into_iter().take(columns).collect();
    p.line(&row("", text));
    if !n.letters.is_empty() {
        let mut letters = vec![' '; columns];
        for l in n.letters.iter().filter(|l| l.at >= n.from && l.at <= n.to) {
            let c = column(l.at);
            // Two in one column cannot both be shown; a fault wins.
            let first = l.text.chars().next().unwrap_or('?');
            if letters[c] == ' ' || first.is_uppercase() {
                letters[c] = first;
            }
        }
        p.line(&row("", letters.into_iter().collect()));
    }
    if !n.dark.is_empty() {
        let dark = |c| if n.dark.iter().any(|d| touches(d.0, d.1, c)) { '=' } else { ' ' };
        p.line(&row("dark", (0..columns).map(dark).collect()));
    }
    let mut used: Vec<StretchKind> = vec![];
    for lane in &n.lanes {
        let cell = |c: usize| {
            if n.now.is_some_and(|now| start(c) >= now) {
                return ' ';
            }
            if n.gaps.iter().any(|g| touches(g.0, g.1, c)) {
                return '?';
            }
            let worst = lane.stretches.iter().filter(|s| touches(s.from, s.to, c)).map(|s| s.kind).max();
            worst.map_or('-', sign)
        };
        used.extend(lane.stretches.iter().map(|s| s.kind));
        p.line(&row(&lane.title, (0..columns).map(cell).collect()));
    }
    used.sort();
    used.dedup();
    // No-break spaces keep each sign with its word.
    let mut key = vec!["-\u{a0}well".to_string()];
    // Kinds that share a sign share a place in the key.
    for k in used.iter().rev().filter(|k| **k != StretchKind::Paused || !used.contains(&StretchKind::Impaired)) {
        let word = if *k == StretchKind::Impaired { "impaired or paused" } else { k.word() };
        key.push(format!("{} {word}", sign(*k)).replace(' ', "\u{a0}"));
    }
    if !n.gaps.is_empty() {
        key.push("?\u{a0}not\u{a0}watched".into());
    }
    p.hang(&" ".repeat(NAMES + 2), &" ".repeat(NAMES + 2), &key.join("\u{a0}\u{a0} "));
}

fn sign(k: StretchKind) -> char {
    match k {
        StretchKind::Broken => '#',
        StretchKind::Impaired | StretchKind::Paused => '~',
        StretchKind::Harmless => 'o',
        StretchKind::Unknown => ':',
        StretchKind::NotInUse => '.',
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
