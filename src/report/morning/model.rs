//! The morning report as plain data. Text, HTML and JSON are made from this and from nothing else, so they cannot disagree.

use super::rows::NightFrame;
use super::unusual::Unusual;
use crate::config::model::TemperatureScale;
use crate::model::incident::Belongs;
use crate::model::{FaultKind, Mark, Name, Priority, SessionEnd, SessionStart, Span, Unit, UnixMs};
use crate::report::picture::{LinePlot, NightPicture};
use jiff::tz::TimeZone;

/// The whole report.
#[derive(Clone, Debug)]
pub struct MorningReport {
    /// Name of the field PC; may be empty.
    pub field: String,
    /// The readings are a rehearsal's.
    pub invented: bool,
    /// The night.
    pub night: NightFrame,
    /// Zone of local times.
    pub zone: TimeZone,
    /// How people see temperatures.
    pub scale: TemperatureScale,
    /// When it was made.
    pub written: UnixMs,
    /// How much of the night it tells of.
    pub state: NightState,
    /// The opening sentences.
    pub opening: Vec<String>,
    /// To look at today, most worth it first; at most three.
    pub to_look_at: Vec<Look>,
    /// Sums over the night.
    pub totals: Totals,
    /// Sessions.
    pub sessions: Vec<SessionLine>,
    /// Incidents in order of time.
    pub incidents: Vec<IncidentPart>,
    /// The picture of the night.
    pub picture: NightPicture,
    /// Line plots, with their headings.
    pub plots: Vec<(String, LinePlot)>,
    /// Every watched thing.
    pub watched: Vec<WatchedLine>,
    /// Every signal.
    pub signals: Vec<SignalLine>,
    /// Stretches in which nobody was looking.
    pub gaps: Vec<GapLine>,
    /// Alarms in order of time.
    pub alarms: Vec<AlarmLine>,
    /// Changes of software, ports, drivers or settings shortly before.
    pub changes: Vec<ChangeLine>,
    /// What drew without graphics hardware, what it cost, and what to do; empty where nobody looked.
    pub drawing: Vec<String>,
    /// The date of the last quiet night, if one is known: changes are told since then.
    pub quiet: Option<String>,
    /// Cautions that belong to the advice above.
    pub cautions: Vec<&'static str>,
}

/// How much of the night the report tells of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NightState {
    /// Nothing was recorded.
    Nothing,
    /// The night goes on.
    Running,
    /// Part of the session was not watched.
    Partly,
    /// Watched from beginning to end.
    Whole,
}

impl NightState {
    /// The word in JSON.
    pub fn code(self) -> &'static str {
        match self {
            NightState::Nothing => "nothing_recorded",
            NightState::Running => "running",
            NightState::Partly => "partly_watched",
            NightState::Whole => "watched",
        }
    }
}

/// Sums over the night.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Dark time of the night; none without a site.
    pub dark: Option<Span>,
    /// Time in session.
    pub session: Span,
    /// Dark time in session (all session time where darkness is not known).
    pub dark_in_session: Span,
    /// Light frames that arrived; none when frames are not watched.
    pub light_frames: Option<usize>,
    /// Exposure time of light frames inside the dark session.
    pub light: Option<Span>,
    /// Light divided by dark time in session, 0 to 1.
    pub yield_share: Option<f64>,
    /// Faults.
    pub faults: usize,
    /// Incidents that lost nothing.
    pub harmless: usize,
    /// Pauses with nothing broken.
    pub pauses: usize,
    /// Incidents that a person marked away.
    pub marked: usize,
    /// Dark session time lost to faults; time in several counts once.
    pub dark_lost: Span,
    /// Light frames missing by faults, by the pace before each.
    pub frames_missing: Option<u32>,
    /// Dark session time without light for other reasons: pauses, and what was marked away.
    pub paused: Span,
    /// Dark session time between frames, with no known loss; none when frames are not watched.
    pub between: Option<Span>,
    /// Session time in which nobody was looking.
    pub not_watched: Span,
    /// The dark part of it.
    pub dark_not_watched: Span,
}

/// What an incident cost.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Cost {
    /// Dark session time lost.
    pub dark_lost: Span,
    /// Light frames missing by the pace before; none without frames or without a pace.
    pub frames_missing: Option<u32>,
    /// Time from the first instant until a light frame was begun again; none if none was or frames are not watched.
    pub until_frames: Option<Span>,
    /// Time of it in which nobody was looking.
    pub not_watched: Span,
}

/// A session.
#[derive(Clone, Debug, PartialEq)]
pub struct SessionLine {
    /// Number.
    pub id: i64,
    /// Start.
    pub from: UnixMs,
    /// End; none while it goes on.
    pub to: Option<UnixMs>,
    /// Why it began.
    pub why: SessionStart,
    /// Why it ended.
    pub end_why: Option<SessionEnd>,
}

/// One incident.
#[derive(Clone, Debug, PartialEq)]
pub struct IncidentPart {
    /// Number in the store.
    pub id: i64,
    /// `A`, `b`: small when it lost nothing.
    pub letter: String,
    /// What it counts as.
    pub class: Class,
    /// Kind of what failed first.
    pub kind: FaultKind,
    /// First instant.
    pub opened: UnixMs,
    /// All well again; none while it goes on.
    pub closed: Option<UnixMs>,
    /// One sentence.
    pub headline: String,
    /// What failed first, and what followed, in order.
    pub cascade: Vec<Step>,
    /// False when two at the head fell inside one sampling step.
    pub order_certain: bool,
    /// What it cost.
    pub cost: Cost,
    /// The same in words; empty when it cost nothing.
    pub cost_words: String,
    /// Marks in order; the last one holds.
    pub marks: Vec<Mark>,
    /// What was going on before; for faults only.
    pub before: Option<Before>,
    /// Likely reasons; for faults only.
    pub reasons: Vec<Reason>,
    /// What was not measured and could have told; said where no reason was seen.
    pub not_measured: Vec<&'static str>,
    /// The minutes around it are kept in detail.
    pub detailed: bool,
}

/// What an incident counts as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// A fault.
    Fault,
    /// Nothing was lost.
    Harmless,
    /// Nothing was broken, frames stopped: reason not seen.
    Pause,
    /// A person marked it away.
    Marked,
    /// Outside any session.
    OutsideSession,
}

impl Class {
    /// The word in JSON.
    pub fn code(self) -> &'static str {
        match self {
            Class::Fault => "fault",
            Class::Harmless => "harmless",
            Class::Pause => "pause",
            Class::Marked => "marked",
            Class::OutsideSession => "outside_session",
        }
    }
}

/// One part of a cascade.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// Which thing.
    pub thing: Name,
    /// What the person calls it.
    pub title: String,
    /// When it broke.
    pub at: UnixMs,
    /// Known to within this span before `at`.
    pub within: Span,
    /// Time since the first instant.
    pub offset: Span,
    /// Well again.
    pub until: Option<UnixMs>,
    /// Why it is held to belong.
    pub belongs: Belongs,
    /// What it did: "ended (signal 9)".
    pub did: String,
    /// One plain sentence.
    pub text: String,
}

/// What was going on in the ten minutes before.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Before {
    /// Ranked signals; none when they could not be compared, then `why_not` says why.
    pub unusual: Option<Unusual>,
    /// Why nothing is ranked.
    pub why_not: Option<String>,
    /// Heaviest programs by processor: title, mean per cent.
    pub by_processor: Vec<(String, f64)>,
    /// Heaviest programs by memory: title, mean bytes.
    pub by_memory: Vec<(String, f64)>,
    /// Plain facts in words: temperatures and their trend, dew-point margin, link.
    pub facts: Vec<String>,
}

/// A likely reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Reason {
    /// Stable code: `memory`, `contact`, `power`, …
    pub code: &'static str,
    /// In words: "memory was exhausted".
    pub title: String,
    /// How firmly the record points to it.
    pub weight: Weight,
    /// Evidence for it.
    pub evidence_for: Vec<String>,
    /// Evidence against it.
    pub evidence_against: Vec<String>,
    /// What to do about it today.
    pub look: Look,
}

/// How firmly the record points to a reason. Words only, no score.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Weight {
    /// Something was recorded that is hard to explain otherwise.
    PointsTo,
    /// Fits what was recorded, and so may other things.
    MayBe,
}

impl Weight {
    /// The words.
    pub fn words(self) -> &'static str {
        match self {
            Weight::PointsTo => "the record points to it",
            Weight::MayBe => "may be",
        }
    }
    /// The word in JSON.
    pub fn code(self) -> &'static str {
        match self {
            Weight::PointsTo => "points_to",
            Weight::MayBe => "may_be",
        }
    }
}

/// One thing to look at today.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// Where: "the cable of the main camera".
    pub place: String,
    /// Why there.
    pub reason: String,
    /// What was recorded.
    pub evidence: String,
    /// How to check or mend it.
    pub how: String,
    /// A caution, where the advice could hurt.
    pub caution: Option<&'static str>,
}

/// A watched thing over the night.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchedLine {
    /// Its name.
    pub thing: Name,
    /// What the person calls it.
    pub title: String,
    /// Times it was broken.
    pub times: usize,
    /// Time it was broken in all.
    pub broken: Span,
    /// In words: "well", "broken 48 min, once", "could not be read for 3 h".
    pub words: String,
}

/// A signal over the night.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalLine {
    /// Its name.
    pub name: Name,
    /// What it means.
    pub what: String,
    /// Its unit.
    pub unit: Unit,
    /// Its resolution.
    pub resolution: f64,
    /// Smallest, mean, largest; none when nothing was known.
    pub range: Option<(f64, f64, f64)>,
    /// Known readings.
    pub known: u64,
    /// Readings that could not be taken.
    pub unavailable: u64,
}

/// A stretch in which nobody was looking.
#[derive(Clone, Debug, PartialEq)]
pub struct GapLine {
    /// Start.
    pub from: UnixMs,
    /// End.
    pub to: UnixMs,
    /// The code of the store.
    pub why: String,
    /// In words.
    pub words: &'static str,
    /// Part of it that lay in a session.
    pub in_session: Span,
}

/// An alarm over the night.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmLine {
    /// Number of the raising.
    pub alarm: i64,
    /// Which rule.
    pub rule: Name,
    /// Which thing.
    pub thing: Name,
    /// How much it mattered.
    pub priority: Priority,
    /// When its condition began.
    pub from: UnixMs,
    /// When it was over; none while it stands.
    pub to: Option<UnixMs>,
    /// Whether a person acknowledged it.
    pub acknowledged: bool,
    /// Whether it was to wake somebody.
    pub wakes: bool,
    /// One plain sentence.
    pub text: String,
    /// Letter of the incident to which it belongs.
    pub letter: Option<String>,
}

/// A change shortly before.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangeLine {
    /// When it was seen.
    pub at: UnixMs,
    /// In words: "mount program version: 1.4 became 1.5".
    pub words: String,
}
