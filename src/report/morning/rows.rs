//! What the morning report is made from: the rows of one night, and of earlier nights to compare it with. Plain data.

use crate::model::rows::{AlarmLife, Bucket, ChangeRow, GapRow, IncidentRow, RunRow};
use crate::model::{Event, Name, Session, SignalDef, Span, UnixMs};
use crate::report::settings::Settings;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One night's rows.
#[derive(Clone, Debug)]
pub struct NightRows {
    /// Names, site, scale, limits.
    pub settings: Settings,
    /// The night and its darkness.
    pub night: NightFrame,
    /// The instant at which the report is made; before the end of the night, the night goes on.
    pub written: UnixMs,
    /// The readings are a rehearsal's.
    pub invented: bool,
    /// Sessions that touch the night.
    pub sessions: Vec<Session>,
    /// Incidents that began in the night, in order.
    pub incidents: Vec<IncidentRow>,
    /// Alarms raised in the night.
    pub alarms: Vec<AlarmLife>,
    /// Events of the night, in order.
    pub events: Vec<Event>,
    /// Stretches in which the agent was not looking.
    pub gaps: Vec<GapRow>,
    /// Runs of the agent that touch the night.
    pub runs: Vec<RunRow>,
    /// Changes of software, ports, drivers or settings in the three days before the night, or since the last quiet night if that
    /// is longer ago.
    pub changes: Vec<ChangeRow>,
    /// The last quiet night before this one, by its date, and when its session began; none if it is not known.
    pub quiet: Option<(String, UnixMs)>,
    /// Incidents with a detailed record of the minutes around them.
    pub detailed: Vec<i64>,
    /// Every signal with its minutes over the night.
    pub signals: BTreeMap<Name, Measured>,
    /// Earlier nights.
    pub earlier: Vec<EarlierNight>,
}

/// A night, local noon to local noon.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NightFrame {
    /// The evening's date, `2026-01-12`.
    pub date: String,
    /// Noon before.
    pub from: UnixMs,
    /// Noon after.
    pub to: UnixMs,
    /// Sunset, if the Sun sets.
    pub sunset: Option<UnixMs>,
    /// Sunrise, if it rises.
    pub sunrise: Option<UnixMs>,
    /// Dark stretches. Empty without a site, and where it does not get dark.
    pub dark: Vec<(UnixMs, UnixMs)>,
    /// Altitude of the Sun in degrees, every few minutes. Empty without a site.
    pub sun: Vec<(UnixMs, f64)>,
}

/// One signal over the night.
#[derive(Clone, Debug)]
pub struct Measured {
    /// What it is.
    pub def: Arc<SignalDef>,
    /// Its minutes, in order; minutes without any reading are left out.
    pub minutes: Vec<Bucket>,
}

/// An earlier night, as far as the report compares with it.
#[derive(Clone, Debug, Default)]
pub struct EarlierNight {
    /// The evening's date.
    pub date: String,
    /// Its sessions.
    pub sessions: Vec<(UnixMs, UnixMs)>,
    /// Its faults, from their first instant to the time when all was well again.
    pub faults: Vec<(UnixMs, UnixMs)>,
    /// Stretches in which the agent was not looking.
    pub gaps: Vec<(UnixMs, UnixMs)>,
    /// Minutes of each signal, over the hours that are compared only.
    pub minutes: BTreeMap<Name, Vec<Bucket>>,
    /// Lowest and highest value of temperatures over its sessions.
    pub extremes: BTreeMap<Name, (f64, f64)>,
}

impl EarlierNight {
    /// A night with a session, watched, without a fault.
    pub fn quiet(&self) -> bool {
        let whole: i64 = self.sessions.iter().map(|s| (s.1 - s.0).0).sum();
        let blind: i64 = self
            .sessions
            .iter()
            .flat_map(|s| self.gaps.iter().map(move |g| (g.1.min(s.1) - g.0.max(s.0)).0.max(0)))
            .sum();
        whole > 0 && self.faults.is_empty() && blind * 2 < whole
    }
}

/// Time before a first-out that is looked at.
pub const LEAD: Span = Span::mins(10);

impl NightRows {
    /// A signal by name.
    pub fn signal(&self, name: &str) -> Option<&Measured> {
        Name::new(name).ok().and_then(|n| self.signals.get(&n))
    }

    /// Whether the night goes on.
    pub fn running(&self) -> bool {
        let open = self.sessions.iter().any(|s| s.ended.is_none());
        let dawn = self.night.dark.last().map(|d| d.1).or(self.night.sunrise);
        self.written < self.night.to && (open || dawn.is_some_and(|d| self.written < d))
    }

    /// The last instant of the night about which something can be known.
    pub fn until(&self) -> UnixMs {
        self.written.clamp(self.night.from, self.night.to.max(self.night.from))
    }

    /// Sessions as stretches inside the night; one that goes on ends now.
    pub fn session_stretches(&self) -> Vec<(UnixMs, UnixMs)> {
        let (low, high) = (self.night.from, self.until());
        self.sessions
            .iter()
            .map(|s| (s.started.wall.max(low), s.ended.map_or(high, |e| e.wall).min(high)))
            .filter(|(a, b)| a < b)
            .collect()
    }

    /// The start of the session in which an instant lies.
    pub fn session_start(&self, at: UnixMs) -> Option<UnixMs> {
        self.sessions
            .iter()
            .filter(|s| s.started.wall <= at && s.ended.is_none_or(|e| at <= e.wall))
            .map(|s| s.started.wall)
            .next_back()
    }

    /// Whether anything at all was recorded.
    pub fn is_empty(&self) -> bool {
        self.signals.values().all(|m| m.minutes.is_empty())
            && self.incidents.is_empty()
            && self.alarms.is_empty()
            && self.sessions.is_empty()
    }
}

/// Mean, smallest and largest of the known values in whole minutes inside `from..to`, and how many minutes held any.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Mean over all known readings.
    pub mean: f64,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Minutes with a known value.
    pub minutes: u32,
    /// Readings that could not be taken.
    pub unavailable: u32,
}

/// Figures of a sorted list of minutes over a stretch. None where nothing was known.
pub fn figures(minutes: &[Bucket], from: UnixMs, to: UnixMs) -> Option<Figures> {
    let first = minutes.partition_point(|b| b.from < from);
    let inside = minutes[first..].iter().take_while(|b| b.to <= to);
    let (mut sum, mut n, mut k, mut gone) = (0.0, 0u64, 0u32, 0u32);
    let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
    for b in inside {
        gone += b.unavailable;
        if b.count > 0 {
            sum += b.mean * f64::from(b.count);
            n += u64::from(b.count);
            k += 1;
            (min, max) = (min.min(b.min), max.max(b.max));
        }
    }
    (n > 0).then(|| Figures { mean: sum / n as f64, min, max, minutes: k, unavailable: gone })
}

/// An instant moved back to the start of its minute.
pub fn minute_start(at: UnixMs) -> UnixMs {
    UnixMs(at.0.div_euclid(60_000) * 60_000)
}

/// The ten minutes before an instant, as whole minutes: the minute in which it failed may hold consequences already.
pub fn lead(at: UnixMs) -> (UnixMs, UnixMs) {
    let end = minute_start(at);
    (end - LEAD, end)
}
