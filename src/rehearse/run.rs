//! Invented nights through the real engine and the real store, one run of an agent for each night.

use super::evening::{Evening, Happening};
use super::garden::{Garden, happen};
use super::pier;
use super::truth::{Case, World};
use crate::analysis::draw::Draw;
use crate::clock::{Clock, ManualClock};
use crate::config::Config;
use crate::engine::{Engine, EngineState, Numbers, Plan};
use crate::model::command::RemedyWish;
use crate::model::rows::RemedyRow;
use crate::model::{
    Batch, BootMs, Event, EventKind, FaultKind, Outcome, Reading, SignalDef, SignalId, Signals, Span, Stamp, UnixMs,
};
use crate::night::{self, Site, night_on};
use crate::report::season::freeze::{FreezeError, freeze};
use crate::report::settings::{KEPT_AS, Settings};
use crate::store::{self, Options, Reader, StoreError, Write, Writer};
use jiff::ToSpan;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use std::path::Path;
use std::sync::Arc;

/// First evening of every rehearsal in a store: the long nights lie ahead, and all of them lie in the past.
const FIRST: Date = date(2023, 10, 20);
/// Step of the garden of a rehearsal, hours.
pub const GARDEN_STEP: f64 = 1.0 / 60.0;
/// The machine is switched on so long before the session, and off so long after it.
const BEFORE: Span = Span::mins(15);
/// See [`BEFORE`].
const AFTER: Span = Span::mins(12);
/// Long enough for the last commit on any disk.
const CLOSING: Span = Span::secs(120);

/// What is rehearsed.
#[derive(Clone, Debug)]
pub struct Rehearsal {
    /// What is true.
    pub case: Case,
    /// Usable nights.
    pub nights: usize,
    /// Seed.
    pub seed: u64,
    /// Time from reading to reading.
    pub step: Span,
    /// Signals without any meaning beside the real ones.
    pub idle: usize,
    /// Hours that every session lasts, if not as the garden draws them.
    pub hours: Option<f64>,
    /// Another truth than the usual one of the case.
    pub world: Option<World>,
}

impl Rehearsal {
    /// The usual one of a case.
    pub fn of(case: Case, nights: usize, seed: u64) -> Rehearsal {
        Rehearsal { case, nights, seed, step: Span::secs(20), idle: 0, hours: None, world: None }
    }

    fn world(&self) -> World {
        if let Some(w) = &self.world {
            return w.clone();
        }
        let faults = (self.nights as f64 * 1.2).max(2.0);
        let mut w = World { idle_signals: 0, ..self.case.world(self.nights.max(1), faults) };
        // Too quiet a season teaches nothing.
        w.faults_between.0 = w.faults_between.0.max(self.nights * 2 / 5);
        // A small pad on its low setting lifts a closed box by 15 to 20 K (common practice, no source).
        if let Some(r) = w.remedy.as_mut().filter(|r| r.heats > 0.0) {
            r.heats = 16.0;
        }
        w
    }
}

/// What was rehearsed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rehearsed {
    /// Nights with a session.
    pub nights: usize,
    /// Faults that the garden drew.
    pub faults: usize,
    /// Evening dates of the first and the last night.
    pub dates: (String, String),
    /// The remedy and its first evening.
    pub remedy: Option<(String, String)>,
    /// Readings that were stored.
    pub readings: u64,
}

/// Why a rehearsal came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum RehearseError {
    /// The file holds something.
    #[error("`{0}` is there already: a rehearsal goes into a new file of its own; name another one, or remove it")]
    Exists(String),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A fault of this program.
    #[error("{0}: this is a fault of the program, please report it")]
    Internal(String),
}

/// Rehearses into a new store at `path`. `progress` is told how many nights are done.
///
/// # Errors
/// A store that is there already, above all one with real readings; what the disk said.
pub fn rehearse(path: &Path, r: &Rehearsal, progress: &mut dyn FnMut(usize)) -> Result<Rehearsed, RehearseError> {
    match Reader::open(path) {
        Ok(old) if !old.is_invented()? => {
            return Err(StoreError::Mixed { path: path.into(), holds_invented: false }.into());
        }
        Ok(_) => return Err(RehearseError::Exists(path.display().to_string())),
        Err(StoreError::Missing { .. }) => {}
        Err(e) => return Err(e.into()),
    }
    let config = pier::configuration().map_err(RehearseError::Internal)?;
    let mut garden = happen(&r.world(), r.seed, GARDEN_STEP);
    if let Some(h) = r.hours {
        lengthen(&mut garden, h);
    }
    let settings = Settings::from_config(&config);
    let (n, e, m) = settings.site.unwrap_or_default();
    let site = Site::new(n, e, m, settings.time_zone()).map_err(|e| RehearseError::Internal(e.to_string()))?;
    let mut pier = Pier { path, r, config, settings, site, draw: Draw::stream(r.seed, 1 << 41), readings: 0 };
    let mut out = Rehearsed { nights: garden.nights.len(), ..Rehearsed::default() };
    for (k, n) in garden.nights.iter().enumerate() {
        let evening = FIRST.checked_add(n.day.days()).unwrap_or(FIRST);
        if garden.onset == Some(k) {
            let name = pier::remedy_name(r.case).to_string();
            pier.remedy(&name, evening)?;
            out.remedy = Some((name, evening.to_string()));
        }
        let night = night_on(evening, &pier.settings.time_zone());
        let dark = night::dark_hours(&pier.site, &night, pier.settings.dark_below);
        let dusk = dark.first().map_or(night.from + Span::hours(6), |d| d.0);
        let dawn = dark.last().map_or(dusk + Span::hours(12), |d| d.1);
        let begins = dusk + Span::mins(5) + Span(((n.starts - 1.0).max(0.0) * 3_600_000.0) as i64);
        let cascades = n.faults.iter().map(|_| pier::Cascade::of(r.case, r.world().driver, &mut pier.draw)).collect();
        let e = Evening::new(n, cascades, begins, dawn);
        out.faults += e.faults;
        pier.night(k, &e)?;
        let date = evening.to_string();
        if k == 0 {
            out.dates.0.clone_from(&date);
        }
        out.dates.1 = date;
        progress(k + 1);
    }
    out.readings = pier.readings;
    Ok(out)
}

/// Sessions of one length: steps are repeated or left out at the end.
fn lengthen(g: &mut Garden, hours: f64) {
    for n in &mut g.nights {
        let wanted = (hours / g.step).round() as usize;
        if let Some(last) = n.steps.last().copied() {
            while n.steps.len() < wanted {
                n.steps.push(super::garden::Step { at: n.steps.len() as f64 * g.step, ..last });
            }
        }
        n.steps.truncate(wanted);
        n.faults.retain(|f| f.at < hours);
        (n.hours, n.starts) = (hours, 1.0);
    }
}

struct Pier<'a> {
    path: &'a Path,
    r: &'a Rehearsal,
    config: Config,
    settings: Settings,
    site: Site,
    draw: Draw,
    readings: u64,
}

impl Pier<'_> {
    /// Written down in the afternoon before its first night, as a person should.
    fn remedy(&mut self, name: &str, evening: Date) -> Result<(), RehearseError> {
        let zone = self.settings.time_zone();
        let since = at(evening, 15, &zone);
        let wish = RemedyWish { name: name.into(), since, until: None, only_nights: vec![], hard_when: None };
        let reader = Reader::open(self.path)?;
        let frozen = freeze(&reader, self.settings.clone(), &wish, false, since).map_err(|e| match e {
            FreezeError::Store(e) => RehearseError::Store(e),
            FreezeError::Refused(e) => RehearseError::Internal(e.to_string()),
        })?;
        drop(reader);
        let row = RemedyRow {
            id: 0,
            name: wish.name,
            added: since,
            since,
            until: None,
            only_nights: vec![],
            hard_when: frozen.hard_when,
            record_before: frozen.record_before,
            hindsight: frozen.hindsight,
        };
        store::add_remedy(self.path, &row)?;
        Ok(())
    }

    /// One night: the machine is switched on, watches, and is switched off.
    fn night(&mut self, k: usize, e: &Evening) -> Result<(), RehearseError> {
        let start = Stamp::new(e.begins - BEFORE, BootMs(600_000));
        let clock = ManualClock::at(start);
        let options = Options {
            check_after: None,
            invented: true,
            seal_every: None,
            machine_stopped_cleanly: Some(true),
            field: self.config.field.clone(),
            ..Options::new(clock.clone(), format!("invented-{k}"))
        };
        let (writer, opened) = store::open(self.path, options)?;
        let night = night::night_of(e.begins, &self.settings.time_zone());
        let dark = night::dark_hours(&self.site, &night, self.settings.dark_below);
        let plan = Plan::from_config(&self.config, dark, self.settings.time_zone());
        let kept = opened.engine_state.clone().and_then(|v| serde_json::from_value::<EngineState>(v).ok());
        let mut engine = Engine::new(plan, kept);
        engine.continue_from(Numbers {
            seq: opened.latest_seq,
            alarm: opened.latest_alarm,
            incident: opened.latest_incident,
            session: opened.latest_session,
        });
        let ids: Vec<(SignalId, SignalDef)> =
            pier::signals(self.r.idle).into_iter().map(|d| (opened.signals.register(d.clone()), d)).collect();
        let mut run = Run { engine, writer, signals: opened.signals.clone(), clock, now: start };
        if let Some(gap) = &opened.gap {
            let outcome = run.engine.after_gap(gap, opened.machine_restarted, Some(true), start);
            run.write(Batch { at: start, ..Batch::default() }, outcome);
        }
        run.judge(vec![], self.opening(start, opened.last_run.code()));
        let mut events = e.events();
        if let Some(c) = self.change(k, e) {
            events.insert(0, c);
        }
        let mut events = events.into_iter().peekable();
        let end = e.ends + AFTER;
        let mut tick = start.wall + self.r.step;
        while tick <= end {
            while let Some(h) = events.next_if(|h| h.at <= tick) {
                run.go_to(h.at);
                let happened = event(&h, run.now);
                run.judge(vec![], vec![happened]);
            }
            run.go_to(tick);
            let readings = self.readings_at(e, &ids, run.now);
            self.readings += readings.len() as u64;
            run.judge(readings, vec![]);
            tick = tick + self.r.step;
        }
        let stop =
            Event::new(run.now, pier::name("agent.this"), EventKind::AgentStopped, "stopped: the machine is shut down");
        run.judge(vec![], vec![stop]);
        run.close()?;
        Ok(())
    }

    fn opening(&self, at: Stamp, last_run: &str) -> Vec<Event> {
        let own = || pier::name("agent.this");
        vec![
            Event::new(at, own(), EventKind::AgentStarted, "started (invented)").with("last_run", last_run),
            Event::new(at, own(), EventKind::ConfigLoaded, "configuration of an invented pier")
                .with(KEPT_AS, self.settings.to_json()),
        ]
    }

    /// Somebody brings guiding up to date early in the season: a rival of every remedy, if it comes near one.
    fn change(&self, k: usize, e: &Evening) -> Option<Happening> {
        (k == self.r.nights / 5 && self.r.nights >= 10).then(|| Happening {
            at: e.begins - Span::mins(9),
            thing: "program.guiding",
            kind: EventKind::Changed,
            text: "guiding: version 4.1 became 4.2".into(),
            detail: vec![("what", "program.guiding version".into()), ("old", "4.1".into()), ("new", "4.2".into())],
        })
    }

    fn readings_at(&mut self, e: &Evening, ids: &[(SignalId, SignalDef)], now: Stamp) -> Vec<Reading> {
        let measured = pier::values(&e.step_at(now.wall), &mut self.draw);
        let here = pier::PRESENT.iter().map(|t| f64::from(u8::from(e.is_up(t, now.wall))));
        let mut all: Vec<f64> = measured.into_iter().chain(here).collect();
        while all.len() < ids.len() {
            all.push(10.0 + self.draw.normal());
        }
        ids.iter().zip(all).map(|((id, def), v)| Reading::known(*id, now, def.round(v))).collect()
    }
}

/// A clock time of an evening's date.
fn at(evening: Date, hour: i8, zone: &TimeZone) -> UnixMs {
    let z = evening.at(hour, 0, 0, 0).to_zoned_datetime(zone.clone());
    z.map_or_else(|_| night_on(evening, zone).from, |z| UnixMs(z.timestamp().as_millisecond()))
}

fn event(h: &Happening, at: Stamp) -> Event {
    let mut e = Event::new(at, pier::name(h.thing), h.kind, h.text.clone());
    for (k, v) in &h.detail {
        e.detail.insert((*k).into(), v.clone());
    }
    e
}

/// A running agent, as far as a rehearsal needs one.
struct Run {
    engine: Engine,
    writer: Writer,
    signals: Signals,
    clock: Arc<ManualClock>,
    now: Stamp,
}

impl Run {
    fn go_to(&mut self, wall: UnixMs) {
        let by = (wall - self.now.wall).max(Span::ZERO);
        self.clock.advance(by.0);
        self.now = self.clock.now();
    }

    fn judge(&mut self, readings: Vec<Reading>, events: Vec<Event>) {
        let batch = Batch { at: self.now, readings, events };
        let outcome = self.engine.step(&batch, &self.signals);
        self.write(batch, outcome);
    }

    fn write(&mut self, batch: Batch, outcome: Outcome) {
        let wanted = outcome.is_urgent() || self.writer.wants_engine_state();
        let engine_state = wanted.then(|| serde_json::to_value(self.engine.state()).unwrap_or_default());
        // Whether it was saved is asked once, when the run is closed.
        drop(self.writer.write_patiently(Write { batch, outcome, engine_state }));
    }

    fn close(self) -> Result<(), StoreError> {
        let state = serde_json::to_value(self.engine.state()).ok();
        let batch = Batch { at: self.now, ..Batch::default() };
        drop(self.writer.write_patiently(Write { batch, outcome: Outcome::default(), engine_state: state }));
        self.writer.close(CLOSING)
    }
}

/// Kinds of faults that a case brings about.
pub fn kinds(case: Case) -> &'static [FaultKind] {
    match case {
        // Short memory or a starved processor may be told before the program that dies of it.
        Case::StarvedProcessor | Case::MemoryLeak => &[FaultKind::Program, FaultKind::Machine],
        Case::WeakRadio => &[FaultKind::Link],
        Case::NoCause | Case::Bursts | Case::BadWeeks => &[FaultKind::Device, FaultKind::Program],
        _ => &[FaultKind::Device],
    }
}

#[cfg(test)]
mod tests;
