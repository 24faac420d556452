//! Gathers the rows of a night from the store. The only part of the report that touches it.

use super::before::earliest;
use super::rows::{EarlierNight, LEAD, Measured, NightFrame, NightRows};
use super::unusual::wanted;
use crate::model::leadup::Part;
use crate::model::rows::{AlarmLife, IncidentRow};
use crate::model::{EventKind, Name, SignalDef, SignalId, Span, UnixMs};
use crate::night::{self, Interval, Night, Site, intervals, night_of};
use crate::report::settings::Settings;
use crate::store::{Reader, StoreError};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Earlier nights whose ten-minute stretches are compared: enough for "1 of 140", few enough to be read at once.
const COMPARED: usize = 30;
/// Earlier nights whose extremes are compared.
const REMEMBERED: usize = 120;
/// How far back earlier nights are looked for.
const BACK: Span = Span::hours(24 * 400);
/// Changes this long before the night's end are told.
const CHANGES: Span = Span::hours(72 + 24);

/// Changes longer ago are not told, however long ago the last quiet night was.
const CHANGES_MOST: Span = Span::hours(24 * 60);

/// How much is gathered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// What happened, without signals and earlier nights: enough for the picture of the night.
    Happenings,
    /// Everything.
    Full,
}

/// The night's frame: darkness and the curve of the Sun where there is a site.
pub fn frame(night: &Night, settings: &Settings) -> NightFrame {
    let mut out = NightFrame { date: night.to_string(), from: night.from, to: night.to, ..NightFrame::default() };
    let site = settings.site.and_then(|(n, e, m)| Site::new(n, e, m, settings.time_zone()).ok());
    if let Some(site) = site {
        let t = night::twilight(&site, night.from, night.to);
        (out.sunset, out.sunrise) = (t.sunset(), t.sunrise());
        out.dark = night::dark_hours(&site, night, settings.dark_below);
        out.sun = night::sun::altitude_curve(&site, night.from, night.to, 600_000);
    }
    out
}

/// The settings as they were kept with the record before an instant; none if the agent kept none.
///
/// # Errors
/// When the store cannot be read.
pub fn kept_settings(reader: &Reader, before: UnixMs) -> Result<Option<Settings>, StoreError> {
    let loaded = reader.events(UnixMs(0), before, &[EventKind::ConfigLoaded])?;
    Ok(loaded.iter().rev().find_map(|e| e.detail.get(super::super::settings::KEPT_AS).and_then(Settings::from_json)))
}

/// Gathers the rows of `night`, as they stand at `written`.
///
/// # Errors
/// When the store cannot be read.
pub fn gather(
    reader: &Reader,
    night: &Night,
    settings: Settings,
    written: UnixMs,
    depth: Depth,
) -> Result<NightRows, StoreError> {
    let _still = reader.snapshot()?;
    let (from, to) = night.interval();
    let incidents: Vec<IncidentRow> =
        reader.incidents(from, to)?.into_iter().filter(|r| night.contains(r.incident.opened.wall)).collect();
    // An alarm that stands since days is told once, on the night that it began, and as long as it stands.
    let alarms: Vec<AlarmLife> = reader.alarms(from, to)?;
    let full = depth == Depth::Full;
    let mut rows = NightRows {
        night: frame(night, &settings),
        written,
        invented: reader.is_invented()?,
        sessions: reader.sessions(from, to)?,
        events: reader.events(from, to, &[])?,
        gaps: reader.gaps(from, to.min(written))?,
        runs: reader.runs()?.into_iter().filter(|r| r.started < to).collect(),
        changes: if full { reader.changes(to - CHANGES, to)? } else { vec![] },
        quiet: None,
        detailed: vec![],
        incidents,
        alarms,
        signals: BTreeMap::new(),
        earlier: vec![],
        settings,
    };
    if rows.settings.field.is_empty() {
        rows.settings.field = reader.meta("field")?.unwrap_or_default();
    }
    if !full {
        return Ok(rows);
    }
    let all: Vec<(SignalId, SignalDef)> = reader.signals()?;
    let mut ids: BTreeMap<Name, SignalId> = BTreeMap::new();
    for (id, def) in all {
        let minutes = reader.minutes(id, from, to)?;
        if minutes.is_empty() {
            continue;
        }
        ids.insert(def.name.clone(), id);
        rows.signals.insert(def.name.clone(), Measured { def: Arc::new(def), minutes });
    }
    rows.earlier = earlier(reader, &rows, &ids)?;
    for r in &rows.incidents {
        if reader.leadup(r.incident.id, Part::Before.word())?.is_some() {
            rows.detailed.push(r.incident.id);
        }
    }
    // Latest first.
    rows.quiet = rows.earlier.iter().find(|n| n.quiet()).and_then(|n| Some((n.date.clone(), n.sessions.first()?.0)));
    if let Some((_, since)) = rows.quiet.as_ref().filter(|q| q.1 < to - CHANGES) {
        rows.changes = reader.changes((*since).max(to - CHANGES_MOST), to)?;
    }
    Ok(rows)
}

/// Earlier nights, latest first; their minutes only over the hours that some fault of this night is compared with.
fn earlier(reader: &Reader, rows: &NightRows, ids: &BTreeMap<Name, SignalId>) -> Result<Vec<EarlierNight>, StoreError> {
    let offsets: Vec<Span> = rows
        .incidents
        .iter()
        .filter(|r| r.incident.is_fault())
        .filter_map(|r| {
            let at = earliest(&r.incident);
            rows.session_start(at).map(|s| super::rows::lead(at).0 - s)
        })
        .collect();
    if offsets.is_empty() {
        return Ok(vec![]);
    }
    let zone = rows.settings.time_zone();
    let (from, to) = (rows.night.from - BACK, rows.night.from);
    let mut nights: BTreeMap<UnixMs, EarlierNight> = BTreeMap::new();
    for s in reader.sessions(from, to)? {
        let Some(end) = s.ended.map(|e| e.wall) else { continue };
        if end <= s.started.wall || s.started.wall >= to {
            continue;
        }
        let n = night_of(s.started.wall, &zone);
        let entry =
            nights.entry(n.from).or_insert_with(|| EarlierNight { date: n.to_string(), ..EarlierNight::default() });
        entry.sessions.push((s.started.wall, end));
    }
    while nights.len() > REMEMBERED {
        nights.pop_first();
    }
    let Some((first, _)) = nights.first_key_value().map(|(k, v)| (*k, v.sessions.len())) else { return Ok(vec![]) };
    let faults: Vec<Interval> = reader
        .incidents(first, to)?
        .iter()
        .filter(|r| r.incident.is_fault())
        .map(|r| (r.incident.opened.wall, r.incident.closed.map_or(to, |c| c.wall)))
        .collect();
    let gaps: Vec<Interval> = reader.gaps(first, to)?.iter().map(|g| (g.from, g.to)).collect();
    let mut out: Vec<EarlierNight> = nights.into_values().rev().collect();
    for (k, n) in out.iter_mut().enumerate() {
        let touches = |i: &&Interval| n.sessions.iter().any(|s| i.0 < s.1 && i.1 > s.0);
        n.faults = faults.iter().filter(touches).copied().collect();
        n.gaps = gaps.iter().filter(touches).copied().collect();
        for signal in ["temperature.box", "temperature.outside"].iter().filter_map(|t| Name::new(t).ok()) {
            let Some(id) = ids.get(&signal) else { continue };
            let mut range: Option<(f64, f64)> = None;
            for s in &n.sessions {
                for b in reader.buckets(*id, s.0, s.1, 1)?.iter().filter(|b| b.count > 0) {
                    range = Some(range.map_or((b.min, b.max), |(a, c)| (a.min(b.min), c.max(b.max))));
                }
            }
            n.extremes.extend(range.map(|r| (signal, r)));
        }
        if k >= COMPARED {
            continue;
        }
        let windows: Vec<Interval> = n.sessions.iter().flat_map(|s| offsets.iter().map(|o| wanted(*s, *o))).collect();
        let windows = intervals::tidy(&windows);
        for (name, id) in ids {
            let mut minutes = vec![];
            for w in &windows {
                minutes.extend(reader.minutes(*id, super::rows::minute_start(w.0), w.1)?);
            }
            if !minutes.is_empty() {
                n.minutes.insert(name.clone(), minutes);
            }
        }
    }
    Ok(out)
}

/// Which night a person means: `last` is the latest with a session, else the latest with any reading, else the one that is.
///
/// # Errors
/// When the store cannot be read, or the words name no date.
pub fn which_night(reader: &Reader, words: &str, settings: &Settings, now: UnixMs) -> Result<Night, GatherError> {
    let zone = settings.time_zone();
    if words == "last" {
        let latest = reader.sessions(now - BACK, now + LEAD)?.into_iter().map(|s| s.started.wall).max();
        let seen = reader.runs()?.iter().map(|r| r.last_seen.max(r.started)).max();
        return Ok(night_of(latest.or(seen).unwrap_or(now).min(now), &zone));
    }
    let date = match words {
        "tonight" => return Ok(night_of(now, &zone)),
        w => w.parse().map_err(|_| GatherError::NoDate(w.into()))?,
    };
    Ok(night::night_on(date, &zone))
}

/// Why no rows could be gathered.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// The words name no date.
    #[error("`{0}` is no night: expected the evening's date, such as `2026-01-12`, or `last` or `tonight`")]
    NoDate(String),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}
