//! What a part of an incident did, in the past tense: reports look back, alarms speak of the present.

use super::rows::NightRows;
use crate::model::EventKind;
use crate::model::incident::Member;

/// What it did, without its name: "ended (signal 9)", "left", "was out of reach".
pub fn did(rows: &NightRows, m: &Member) -> String {
    let title = rows.settings.title(&m.thing);
    // The engine's own words hold the reason in brackets.
    let bracket = m.text.find(" (").filter(|_| m.text.ends_with(')')).map_or("", |i| &m.text[i..]);
    let rule = m.alarm.and_then(|a| {
        let life = rows.alarms.iter().find(|l| l.steps.first().is_some_and(|s| s.alarm == a))?;
        life.steps.first().map(|s| s.rule.as_str())
    });
    use EventKind as E;
    match (m.event, rule) {
        (Some(E::ProgramEnded), _) | (None, Some("rule.program-ended")) => format!("ended{bracket}"),
        (Some(E::ProgramStopped), _) => "was stopped by a signal".into(),
        (Some(E::SignMissing), _) | (None, Some("rule.program-hangs")) => format!("hung{bracket}"),
        (Some(E::DeviceLeft), _) | (None, Some("rule.device-gone")) => "left".into(),
        (Some(E::ContactBreak), _) => "lost contact".into(),
        (Some(E::LinkDown), _) | (None, Some("rule.link-down")) if m.thing.kind() == "interface" => "went down".into(),
        (Some(E::LinkDown), _) | (None, Some("rule.link-down")) => "was out of reach".into(),
        _ => {
            let text = m.text.trim_end_matches('.');
            match text.strip_prefix(title.as_str()).map(str::trim_start) {
                Some(rest) if !rest.is_empty() => rest.to_string(),
                _ if text.is_empty() => "failed".into(),
                _ => text.to_string(),
            }
        }
    }
}

/// The whole sentence: "mount program ended (signal 9)".
pub fn sentence(rows: &NightRows, m: &Member) -> String {
    let title = rows.settings.title(&m.thing);
    let did = did(rows, m);
    let text = m.text.trim_end_matches('.');
    // Words that speak of something else than the thing ("no light frame for 20 min") stand alone.
    if did == text && !text.is_empty() { did } else { format!("{title} {did}") }
}
