//! What drew without graphics hardware in the night, what it cost, and what to do about it.

use super::rows::{Measured, NightRows};
use crate::model::{Name, Span, UnixMs};
use crate::night::Interval;
use crate::night::intervals;
use crate::probe::graphics::{ADVICE, TOGETHER};
use crate::report::say;

/// Said, with the advice and nothing around it, where something drew in software; one sentence where it was looked for and
/// nothing did; nothing at all where nobody looked.
pub fn drawing(rows: &NightRows) -> Vec<String> {
    let sessions = rows.session_stretches();
    let whole = vec![(rows.night.from, rows.until())];
    let (window, in_session) = if sessions.is_empty() { (whole, "") } else { (sessions, " in session") };
    let inside = |from: UnixMs, to: UnixMs| intervals::overlap(&window, &[(from, to)]) > Span::ZERO;
    let mut drew: Vec<(f64, String)> = vec![];
    let mut unknown: Vec<String> = vec![];
    let known = |m: Option<&Measured>| m.is_some_and(|m| m.minutes.iter().any(|b| b.count > 0 && inside(b.from, b.to)));
    for (name, m) in rows.signals.iter().filter(|(n, _)| n.of_thing() == Some("software-drawing")) {
        let times: Vec<Interval> = m
            .minutes
            .iter()
            .filter(|b| b.count > 0 && b.max >= 0.5 && inside(b.from, b.to))
            .map(|b| (b.from, b.to))
            .collect();
        let title = rows.settings.title(&name.thing());
        if times.is_empty() {
            // It ran, and how it draws was never known.
            if !known(Some(m)) && known(rows.signals.get(&name.quantity("cpu"))) {
                unknown.push(title);
            }
            continue;
        }
        let lasting = say::rough(intervals::total(&intervals::tidy(&times)).max(Span::mins(1)));
        let share = mean_over(rows.signals.get(&name.quantity("drawing-cpu")), &times);
        let all = mean_over(rows.signals.get(&name.quantity("cpu")), &times);
        let cost = match (share, all) {
            (Some(s), _) if s > 0.0 => {
                format!("its drawing took at least {} % of one processor core", say::number(s, 0))
            }
            (_, Some(a)) => format!("it took {} % of one processor core, drawing and all", say::number(a, 0)),
            _ => "what it took of the processor is not known".into(),
        };
        let text =
            format!("{} drew without graphics hardware for {lasting}{in_session}; {cost}", say::sentence_start(&title));
        drew.push((share.or(all).unwrap_or(0.0), format!("{text}.")));
    }
    let unknown = match unknown.len() {
        0 => vec![],
        1 => vec![format!("How {} draws is not known.", unknown[0])],
        _ => vec![format!("How {} draw is not known.", say::list(&unknown))],
    };
    if drew.is_empty() {
        let looked = Name::new("graphics.software-programs").ok().and_then(|n| rows.signals.get(&n));
        let nothing = known(looked).then(|| "No program was seen to draw without graphics hardware.".to_string());
        return nothing.into_iter().chain(unknown).collect();
    }
    // The heaviest first.
    drew.sort_by(|a, b| b.0.total_cmp(&a.0));
    let several = if drew.len() > 1 { format!("; {TOGETHER}") } else { String::new() };
    let mut out: Vec<String> = drew.into_iter().map(|d| d.1).chain(unknown).collect();
    out.push(format!("Advice (common practice, no source): {ADVICE}{several}."));
    out
}

/// Mean of the known values in these stretches.
fn mean_over(m: Option<&Measured>, times: &[Interval]) -> Option<f64> {
    let inside = |from: UnixMs, to: UnixMs| intervals::overlap(times, &[(from, to)]) > Span::ZERO;
    let (mut sum, mut n) = (0.0, 0_u32);
    for b in m?.minutes.iter().filter(|b| b.count > 0 && inside(b.from, b.to)) {
        sum += b.mean * f64::from(b.count);
        n += b.count;
    }
    (n > 0).then(|| sum / f64::from(n))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::super::sample;
    use super::*;
    use crate::model::rows::Bucket;
    use crate::model::{SignalDef, Unit};
    use std::sync::Arc;

    fn put(rows: &mut NightRows, name: &str, unit: Unit, of: impl Fn(usize) -> Option<f64>) {
        let (from, _) = rows.session_stretches()[0];
        let name = Name::new(name).unwrap();
        let minutes = (0..120).filter_map(|i| {
            let v = of(i)?;
            let from = from + Span::mins(i as i64);
            Some(Bucket { from, to: from + Span::mins(1), min: v, mean: v, max: v, count: 2, unavailable: 0 })
        });
        let def = Arc::new(SignalDef::new(name.clone(), unit, 1.0, "x"));
        rows.signals.insert(name, Measured { def, minutes: minutes.collect() });
    }

    #[test]
    fn what_drew_what_it_cost_and_what_to_do() {
        let mut rows = sample::night();
        assert!(drawing(&rows).is_empty(), "nobody looked, so nothing is said");
        put(&mut rows, "graphics.software-programs", Unit::Count, |_| Some(0.0));
        assert_eq!(drawing(&rows), ["No program was seen to draw without graphics hardware."]);
        // It runs, and belongs to somebody else: not known is not the same as no.
        put(&mut rows, "program.mount.software-drawing", Unit::Truth, |_| None);
        put(&mut rows, "program.mount.cpu", Unit::Percent, |_| Some(3.0));
        assert_eq!(drawing(&rows)[1..], ["How mount program draws is not known."]);
        rows.signals.remove(&Name::new("program.mount.software-drawing").unwrap());
        put(&mut rows, "program.guiding.software-drawing", Unit::Truth, |i| Some(if i < 90 { 1.0 } else { 0.0 }));
        put(&mut rows, "program.guiding.drawing-cpu", Unit::Percent, |i| Some(if i < 90 { 143.0 } else { 0.0 }));
        let said = drawing(&rows);
        assert_eq!(
            said[0],
            "Guiding drew without graphics hardware for 1 h 30 min in session; its drawing took at least 143 % of one \
             processor core."
        );
        assert_eq!(said[1], format!("Advice (common practice, no source): {ADVICE}."));
        // Another one, not watched, whose drawing cannot be told apart.
        put(&mut rows, "program.old-view.software-drawing", Unit::Truth, |i| (i < 30).then_some(1.0));
        let said = drawing(&rows);
        assert_eq!(said.len(), 3);
        assert!(said[1].ends_with("for 30 min in session; what it took of the processor is not known."), "{}", said[1]);
        assert!(said[2].ends_with(&format!("; {TOGETHER}.")));
    }
}
