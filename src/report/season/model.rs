//! The report on many nights as plain data. Text, HTML and JSON are made from this and from nothing else, so they cannot disagree.

use super::picture::SeasonPicture;
use crate::analysis::box_report::{BoxReport, ThermalFigures};
use crate::analysis::causes::Causes;
use crate::analysis::remedy::RemedyJudgement;
use crate::analysis::season::NightKind;
use crate::analysis::survival::MeanTime;
use crate::analysis::trend::Trend;
use crate::config::model::TemperatureScale;
use crate::model::{FaultKind, Name, UnixMs};
use jiff::tz::TimeZone;

/// The whole report.
#[derive(Clone, Debug)]
pub struct SeasonReport {
    /// Name of the field PC; may be empty.
    pub field: String,
    /// The readings are a rehearsal's.
    pub invented: bool,
    /// Zone of local times, by whose noon nights are parted.
    pub zone: TimeZone,
    /// How people see temperatures.
    pub scale: TemperatureScale,
    /// When it was made.
    pub written: UnixMs,
    /// The opening sentences.
    pub opening: Vec<String>,
    /// On what it rests: hours with readings that stand for sessions, no site, faults outside of all hours.
    pub basis: Vec<String>,
    /// Every night, in order.
    pub nights: Vec<NightLine>,
    /// The picture of the season.
    pub picture: SeasonPicture,
    /// What the faults go with.
    pub causes: Causes,
    /// Did the remedy help; recorded changes behind the remedies.
    pub remedies: Vec<RemedyJudgement>,
    /// The box.
    pub the_box: BoxPart,
    /// Time between faults.
    pub between: Between,
    /// Recorded changes, in order.
    pub changes: Vec<(UnixMs, String)>,
    /// Cautions that belong to what is said.
    pub cautions: Vec<&'static str>,
    /// For the statistician.
    pub statistician: Vec<String>,
}

/// One night.
#[derive(Clone, Debug, PartialEq)]
pub struct NightLine {
    /// The evening's date.
    pub date: String,
    /// Its kind.
    pub kind: NightKind,
    /// Dark hours; none without a site.
    pub dark_hours: Option<f64>,
    /// Hours of session.
    pub session_hours: f64,
    /// Hours in which it could have failed.
    pub at_risk_hours: f64,
    /// Incidents, faults or not.
    pub incidents: usize,
    /// Its faults.
    pub faults: Vec<FaultLine>,
    /// Lowest reading of each signal before the first fault, in the signal's unit.
    pub minimum: Vec<(Name, f64)>,
    /// The hours with readings stand for the session.
    pub imported: bool,
}

/// One fault.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultLine {
    /// Its letter in the picture.
    pub letter: String,
    /// When.
    pub at: UnixMs,
    /// Its kind.
    pub kind: FaultKind,
    /// What the person calls the thing, or the fault.
    pub what: String,
}

/// The box.
#[derive(Clone, Debug)]
pub struct BoxPart {
    /// Figures, sentences and cautions; none where the outside range is not known.
    pub report: Option<BoxReport>,
    /// Its figures alone.
    pub thermal: Option<ThermalFigures>,
    /// Why there is no fit.
    pub no_fit: Option<String>,
    /// How the heater's state is known.
    pub heater: Option<String>,
}

/// Time between faults, on the clock of at-risk hours.
#[derive(Clone, Debug, PartialEq)]
pub struct Between {
    /// Faults.
    pub faults: usize,
    /// At-risk hours.
    pub hours: f64,
    /// Mean with limits; none without at-risk hours.
    pub mean: Option<MeanTime>,
    /// Laplace's test; none without at-risk hours.
    pub laplace: Option<Trend>,
    /// Mann's test of the gaps, which stands up to bursts.
    pub reversals: Option<Trend>,
    /// In words.
    pub sentences: Vec<String>,
}
