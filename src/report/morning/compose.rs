//! From rows to report. Pure: equal rows give equal reports.

use super::cost::Account;
use super::model::{Class, IncidentPart, MorningReport, NightState, SessionLine, Totals};
use super::rows::NightRows;
use super::{drawing, happened, opening, pictures, today, watched};
use crate::model::Span;
use crate::night::intervals;

/// The report of a night.
pub fn compose(rows: &NightRows) -> MorningReport {
    let account = Account::of(rows);
    let incidents = happened::happened(rows, &account);
    let alarms = watched::alarms(rows, &incidents);
    let gaps = watched::gaps(rows);
    let totals = totals(rows, &account, &incidents);
    let state = if rows.is_empty() {
        NightState::Nothing
    } else if rows.running() {
        NightState::Running
    } else if totals.not_watched >= Span::mins(1) {
        NightState::Partly
    } else {
        NightState::Whole
    };
    let to_look_at = today::to_look_at(rows, &incidents, &alarms, &gaps);
    let mut cautions: Vec<&'static str> = to_look_at.iter().filter_map(|l| l.caution).collect();
    for c in incidents.iter().flat_map(|i| &i.reasons).filter_map(|r| r.look.caution) {
        cautions.push(c);
    }
    let mut said = vec![];
    cautions.retain(|c| {
        let new = !said.contains(c);
        said.push(*c);
        new
    });
    MorningReport {
        field: rows.settings.field.clone(),
        invented: rows.invented,
        night: rows.night.clone(),
        zone: rows.settings.time_zone(),
        scale: rows.settings.scale,
        written: rows.written,
        state,
        opening: opening::opening(rows, state, &totals, &incidents),
        to_look_at,
        totals,
        sessions: rows
            .sessions
            .iter()
            .map(|s| SessionLine {
                id: s.id,
                from: s.started.wall,
                to: s.ended.map(|e| e.wall),
                why: s.why,
                end_why: s.end_why,
            })
            .collect(),
        picture: pictures::night(rows, &alarms),
        plots: pictures::plots(rows, &incidents),
        watched: watched::watched(rows, &alarms),
        signals: watched::signals(rows),
        changes: watched::changes(rows),
        drawing: drawing::drawing(rows),
        quiet: rows.quiet.as_ref().map(|q| q.0.clone()),
        incidents,
        gaps,
        alarms,
        cautions,
    }
}

fn totals(rows: &NightRows, account: &Account, incidents: &[IncidentPart]) -> Totals {
    let (light, dark_in_session) = (account.light, account.dark_session);
    let frames = account.frames.as_ref().map(Vec::len);
    let count = |c: Class| incidents.iter().filter(|i| i.class == c).count();
    let paced = incidents.iter().any(|i| i.class == Class::Fault && i.cost.frames_missing.is_some());
    Totals {
        dark: rows.settings.site.map(|_| intervals::total(&rows.night.dark)),
        session: intervals::total(&rows.session_stretches()),
        dark_in_session,
        light_frames: frames,
        light: frames.map(|_| light),
        yield_share: (light > Span::ZERO && dark_in_session > Span::ZERO)
            .then(|| light.as_secs_f64() / dark_in_session.as_secs_f64()),
        faults: count(Class::Fault),
        harmless: count(Class::Harmless),
        pauses: count(Class::Pause),
        marked: count(Class::Marked),
        dark_lost: account.costs.dark_lost,
        frames_missing: paced.then_some(account.costs.frames_missing),
        paused: account.costs.paused,
        between: frames.map(|_| account.between()),
        not_watched: watched::not_watched(rows),
        dark_not_watched: account.costs.not_watched,
    }
}
