//! Gathers a season from the store: nights with their sessions, faults and at-risk time, and every signal cut to them. The only part
//! of the report that touches the store.

use super::air::{Air, Box};
use super::imported::Imported;
use super::signals::{self, Chosen};
use crate::analysis::season::{Night, Season};
use crate::analysis::slicing::{HOLD, NightPlan, STEP, cut, lay_in};
use crate::engine::cost::{Frame, costs};
use crate::model::rows::{Bucket, GapRow, IncidentRow, RunRow};
use crate::model::{EventKind, FaultKind, Incident, Name, Session, SignalId, Span, UnixMs};
use crate::night::{self, Interval, Site, intervals, night_of, night_on, nights_between};
use crate::report::morning::cost::light_frames;
use crate::report::morning::what_changed;
use crate::report::settings::Settings;
use crate::store::{Reader, StoreError};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::collections::{BTreeMap, BTreeSet};

/// Nights in a row beyond which only those that hold something are kept.
const UNBROKEN: usize = 800;
/// A run of the agent must touch a night for so long that it can say that there was no session.
const LOOKED: Span = Span::hours(1);
/// A night counts as watched when at least this share of its session was.
const WATCHED: f64 = 0.5;

/// What is wanted of the store.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// Only nights from this evening on.
    pub since: Option<Date>,
    /// Signals that the person named beforehand.
    pub suspects: Vec<Name>,
    /// Zone by whose noon nights are parted; none: the site's, else that of the latest import, else UTC.
    pub zone: Option<TimeZone>,
}

/// What the picture and the tables know of a night beside the analysis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NightSpan {
    /// Noon before.
    pub from: UnixMs,
    /// Noon after.
    pub to: UnixMs,
    /// Dark stretches; empty without a site.
    pub dark: Vec<Interval>,
    /// Sessions.
    pub sessions: Vec<Interval>,
    /// Time in which it could have failed.
    pub at_risk: Vec<Interval>,
    /// In session, not watched.
    pub unseen: Vec<Interval>,
    /// The hours with readings stand for the session.
    pub imported: bool,
}

/// A season as it lies in the store.
#[derive(Clone, Debug, Default)]
pub struct Gathered {
    /// For the analysis.
    pub season: Season,
    /// Beside each night of it.
    pub spans: Vec<NightSpan>,
    /// Names, scale, limits.
    pub settings: Settings,
    /// Zone of local times.
    pub zone: Option<TimeZone>,
    /// Whether dark hours are known.
    pub site: bool,
    /// The readings are a rehearsal's.
    pub invented: bool,
    /// Nights of which the hours with readings stand for the session.
    pub imported_nights: usize,
    /// Faults that lie outside every hour with readings or session.
    pub outside_faults: usize,
    /// Longest time for which an imported reading stands.
    pub holds: Span,
    /// Air in and around the box.
    pub air: Air,
    /// Why the latest part could not be read, if it could not.
    pub incomplete: Option<String>,
}

/// Gathers.
///
/// # Errors
/// When the store cannot be read.
pub fn gather(
    reader: &Reader,
    settings: Settings,
    wish: &Wish,
    written: UnixMs,
    progress: &dyn Fn(usize, usize),
) -> Result<Gathered, StoreError> {
    let _still = reader.snapshot()?;
    let imports = reader.imports()?;
    let imported = Imported::from_notes(&imports);
    let zone = zone(&settings, wish, &imported);
    let site = settings.site.and_then(|(n, e, m)| Site::new(n, e, m, zone.clone()).ok());
    let mut out = Gathered {
        invented: reader.is_invented()?,
        site: site.is_some(),
        holds: imported.holds,
        incomplete: reader.incomplete().map(str::to_string),
        zone: Some(zone.clone()),
        ..Gathered::default()
    };
    let all_faults = reader.imported_faults(UnixMs(0), UnixMs(i64::MAX))?;
    let sessions = reader.sessions(UnixMs(0), UnixMs(i64::MAX))?;
    let faults_at = all_faults.iter().map(|f| f.from);
    let sessions_at = sessions.iter().flat_map(|s| [s.started.wall, s.ended.map_or(s.started.wall, |e| e.wall)]);
    let known = reader.first_and_last()?.into_iter().flat_map(|(a, b)| [a, b]).chain(sessions_at).chain(faults_at);
    let ends = known.fold(None, |e: Option<(UnixMs, UnixMs)>, t| Some(e.map_or((t, t), |(a, b)| (a.min(t), b.max(t)))));
    let Some((mut first, last)) = ends else { return Ok(Gathered { settings, ..out }) };
    if let Some(d) = wish.since {
        first = first.max(night_on(d, &zone).from);
    }
    let mut nights = nights_between(first, last + Span(1), &zone);
    let (Some(from), Some(to)) = (nights.first().map(|n| n.from), nights.last().map(|n| n.to)) else {
        return Ok(Gathered { settings, ..out });
    };
    let runs = reader.runs()?;
    let rows = Rows {
        incidents: reader.incidents(from, to)?.into_iter().filter(|r| r.incident.opened.wall >= from).collect(),
        gaps: reader.gaps(from, to)?,
        frames: light_frames(&reader.events(from, to, &[EventKind::FrameArrived])?),
        frames_watched: settings.things.iter().any(|t| t.name.kind() == "frames"),
        runs,
        sessions,
        written,
    };
    // Every signal's minutes over the whole season, one signal at a time.
    let chosen = signals::choose(&reader.signals()?, &wish.suspects);
    let presence = presence(reader, &nights, &rows, &imported, from, to)?;
    if nights.len() > UNBROKEN {
        let faulty: BTreeSet<Date> = all_faults.iter().map(|f| night_of(f.from, &zone).date).collect();
        nights.retain(|n| presence.contains_key(&n.date) || faulty.contains(&n.date) || rows.has_session(n));
    }
    let first_date = nights.first().map(|n| n.date).unwrap_or_default();
    for n in &nights {
        let dark = site.as_ref().map(|s| night::dark_hours(s, n, settings.dark_below));
        let own: Vec<_> = all_faults.iter().filter(|f| n.contains(f.from)).cloned().collect();
        let (plan, span) = rows.night(n, first_date, dark, own, presence.get(&n.date), &mut out.outside_faults);
        out.imported_nights += usize::from(span.imported);
        out.season.nights.push(cut(plan, STEP));
        out.spans.push(span);
    }
    lay_all_in(reader, &chosen, &mut out, (from, to), progress)?;
    out.season.signals = chosen.into_iter().map(|c| c.signal).collect();
    out.season.remedies = reader.remedies()?;
    out.season.changes = reader.changes(from, to)?;
    out.season.changes.iter_mut().for_each(|c| c.what = what_changed(&settings, &c.what));
    out.air.fill(reader, &out.season, &out.spans)?;
    out.settings = settings;
    if out.settings.field.is_empty() {
        out.settings.field = reader.meta("field")?.unwrap_or_default();
    }
    Ok(out)
}

/// The zone by whose noon the nights of a store are parted, as [`gather`] takes it where no other is wished.
///
/// # Errors
/// When the store cannot be read.
pub fn zone_of(reader: &Reader, settings: &Settings) -> Result<TimeZone, StoreError> {
    Ok(zone(settings, &Wish::default(), &Imported::from_notes(&reader.imports()?)))
}

fn zone(settings: &Settings, wish: &Wish, imported: &Imported) -> TimeZone {
    if let Some(z) = &wish.zone {
        return z.clone();
    }
    if !settings.zone.is_empty() {
        return settings.time_zone();
    }
    imported.zone.clone().unwrap_or(TimeZone::UTC)
}

/// Hours with readings on nights that no agent watched, by the evening's date.
fn presence(
    reader: &Reader,
    nights: &[night::Night],
    rows: &Rows,
    imported: &Imported,
    from: UnixMs,
    to: UnixMs,
) -> Result<BTreeMap<Date, Vec<Interval>>, StoreError> {
    let mut out: BTreeMap<Date, Vec<Interval>> = BTreeMap::new();
    if !nights.iter().any(|n| rows.unwatched(n)) {
        return Ok(out);
    }
    let ids: Vec<SignalId> = reader.signals()?.iter().map(|s| s.0).collect();
    let mut hours: Vec<Interval> = vec![];
    reader.series_minutes(&ids, from, to, Span::mins(1), |_, buckets| {
        let mut own: Vec<Interval> = vec![];
        for (k, b) in buckets.iter().enumerate().filter(|(_, b)| b.count > 0) {
            let next = buckets.get(k + 1).map_or(UnixMs(i64::MAX), |n| n.from);
            let until = (b.from + imported.holds).min(next).max(b.to.min(next));
            match own.last_mut() {
                Some(l) if l.1 >= b.from => l.1 = l.1.max(until),
                _ => own.push((b.from, until)),
            }
        }
        hours = intervals::union(&hours, &own);
    })?;
    for n in nights.iter().filter(|n| rows.unwatched(n)) {
        let own = intervals::clip(&hours, n.interval());
        if !own.is_empty() {
            out.insert(n.date, own);
        }
    }
    Ok(out)
}

struct Rows {
    incidents: Vec<IncidentRow>,
    gaps: Vec<GapRow>,
    frames: Vec<crate::engine::cost::LightFrame>,
    frames_watched: bool,
    runs: Vec<RunRow>,
    sessions: Vec<Session>,
    written: UnixMs,
}

impl Rows {
    fn sessions_of(&self, n: &night::Night) -> Vec<Interval> {
        // A session that was never ended goes on until now, or until the agent was last seen.
        let seen = self.runs.iter().map(|r| r.last_seen.max(r.started)).max();
        let open = seen.map_or(self.written, |s| s.min(self.written));
        let all: Vec<Interval> = self
            .sessions
            .iter()
            .map(|s| (s.started.wall, s.ended.map_or(open.max(s.started.wall), |e| e.wall)))
            .collect();
        intervals::clip(&intervals::tidy(&all), n.interval())
    }

    fn has_session(&self, n: &night::Night) -> bool {
        !self.sessions_of(n).is_empty()
    }

    /// Neither a session nor an agent that could say that there was none.
    fn unwatched(&self, n: &night::Night) -> bool {
        let runs: Vec<Interval> = self.runs.iter().map(|r| (r.started, r.last_seen)).collect();
        let seen = intervals::total(&intervals::clip(&intervals::tidy(&runs), n.interval()));
        seen < LOOKED && !self.has_session(n)
    }

    fn night(
        &self,
        n: &night::Night,
        first: Date,
        dark: Option<Vec<Interval>>,
        listed: Vec<crate::model::rows::ImportedFault>,
        hours: Option<&Vec<Interval>>,
        outside: &mut usize,
    ) -> (NightPlan, NightSpan) {
        let sessions = match hours {
            Some(h) => h.clone(),
            None => self.sessions_of(n),
        };
        let imported = hours.is_some();
        let gaps: Vec<Interval> = self.gaps.iter().map(|g| (g.from, g.to)).collect();
        let gaps = if imported { vec![] } else { intervals::clip(&intervals::tidy(&gaps), n.interval()) };
        let frame = Frame {
            sessions: &sessions,
            dark: dark.as_deref(),
            gaps: &gaps,
            until: n.to.min(self.written.max(n.from)),
        };
        let own: Vec<&Incident> =
            self.incidents.iter().map(|r| &r.incident).filter(|i| n.contains(i.opened.wall)).collect();
        let mut incidents: Vec<Incident> = own.iter().map(|i| (*i).clone()).collect();
        let mut faults: Vec<(UnixMs, FaultKind, String)> = own
            .iter()
            .filter(|i| i.is_fault())
            .map(|i| {
                let thing = i.members.first().map_or_else(|| i.kind.word().into(), |m| m.thing.to_string());
                (i.opened.wall, i.kind, thing)
            })
            .collect();
        let in_session = |t: UnixMs| sessions.iter().any(|s| s.0 <= t && t <= s.1);
        for f in listed {
            // What the agent saw by itself is not counted twice.
            let seen = own.iter().any(|i| {
                let end = i.closed.map_or(i.opened.wall, |c| c.wall);
                i.opened.wall - Span::mins(10) <= f.from && f.from <= end + Span::mins(10)
            });
            if seen {
                continue;
            }
            *outside += usize::from(!in_session(f.from));
            let kind = f.kind.unwrap_or(FaultKind::Other);
            incidents.push(super::imported::as_incident(&f, kind, n.to));
            faults.push((f.from, kind, f.name));
        }
        let frames = (self.frames_watched && !imported && !self.frames.is_empty()).then_some(self.frames.as_slice());
        let charged = costs(&incidents, frames, &frame);
        let at_risk = frame.at_risk(&charged);
        let dark_session = frame.dark_session();
        let unseen = intervals::intersect(&intervals::clip(&sessions, (n.from, frame.until)), &gaps);
        let (all, seen) =
            (intervals::total(&dark_session), intervals::total(&intervals::subtract(&dark_session, &gaps)));
        let from = sessions
            .first()
            .map(|s| s.0)
            .or_else(|| dark.as_ref().and_then(|d| d.first()).map(|d| d.0))
            .unwrap_or(n.from);
        let plan = NightPlan {
            date: n.date.to_string(),
            day: n.date.since(first).map_or(0, |s| s.get_days()),
            from,
            session: !sessions.is_empty(),
            watched: all == Span::ZERO || seen.0 as f64 >= WATCHED * all.0 as f64,
            dark_hours: dark.as_ref().map_or(f64::NAN, |d| intervals::total(d).as_hours_f64()),
            session_hours: intervals::total(&sessions).as_hours_f64(),
            at_risk: at_risk.clone(),
            faults,
            incidents: incidents.len(),
        };
        let span =
            NightSpan { from: n.from, to: n.to, dark: dark.unwrap_or_default(), sessions, at_risk, unseen, imported };
        (plan, span)
    }
}

/// Lays every signal into every night, one signal at a time.
fn lay_all_in(
    reader: &Reader,
    chosen: &[Chosen],
    out: &mut Gathered,
    (from, to): Interval,
    progress: &dyn Fn(usize, usize),
) -> Result<(), StoreError> {
    let ids: Vec<SignalId> = chosen.iter().map(|c| c.id).collect();
    let (nights, spans, holds) = (&mut out.season.nights, &out.spans, out.holds);
    let mut done = 0;
    let mut trouble = None;
    reader.series_minutes(&ids, from, to, Span::mins(1), |id, buckets| {
        for (n, s) in nights.iter_mut().zip(spans) {
            let lo = buckets.partition_point(|b| b.from < s.from);
            let hi = buckets.partition_point(|b| b.from < s.to);
            let own = &buckets[lo..hi];
            match exact(reader, id, s, own) {
                Ok(Some(readings)) => lay_in(n, &readings, holds),
                Ok(None) => lay_in(n, own, if s.imported { holds } else { HOLD }),
                Err(e) => {
                    trouble = Some(e);
                    lay_in(n, own, HOLD);
                }
            }
        }
        done += 1;
        progress(done, ids.len());
    })?;
    trouble.map_or(Ok(()), Err)
}

/// The single readings of an imported night, where there are few and they are still kept: a reading at the very instant of a fault was
/// taken before its consequences, and a minute would hide that.
fn exact(reader: &Reader, id: SignalId, s: &NightSpan, own: &[Bucket]) -> Result<Option<Vec<Bucket>>, StoreError> {
    let readings: u64 = own.iter().map(|b| u64::from(b.count)).sum();
    if !s.imported || readings == 0 || readings > 2000 {
        return Ok(None);
    }
    let fine = reader.fine(id, s.from, s.to)?;
    let single = |(t, v): &(UnixMs, crate::model::Value)| {
        let v = v.known()?;
        Some(Bucket { from: *t, to: *t, min: v, mean: v, max: v, count: 1, unavailable: 0 })
    };
    let all: Vec<Bucket> = fine.iter().filter_map(single).collect();
    Ok((all.len() as u64 == readings).then_some(all))
}

/// Nights that count, for the words.
pub fn usable(g: &Gathered) -> impl Iterator<Item = (&Night, &NightSpan)> {
    g.season.nights.iter().zip(&g.spans).filter(|(n, _)| n.usable())
}

/// The boxes of the air, for the thermal model.
pub fn boxes(g: &Gathered) -> &[Box] {
    &g.air.boxes
}
