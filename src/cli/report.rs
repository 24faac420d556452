//! `tilldawn report`: what happened in a night, and what to look at today.

use super::{Done, Failure, WELL, configured, out};
use crate::clock::{Clock, SystemClock};
use crate::config::paths;
use crate::model::UnixMs;
use crate::night::Night;
use crate::report::morning::{self, gather};
use crate::report::season;
use crate::report::settings::Settings;
use crate::store::Reader;
use clap::{Args, ValueEnum};
use jiff::tz::TimeZone;
use std::path::{Path, PathBuf};

/// Tell what failed first in a night, what followed, what it cost, and what to look at today
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn report\n  tilldawn report --night 2026-01-12 --as html --out report.html\n  tilldawn report --store copy.db --as json"
)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// The evening's date, such as `2026-01-12`; `last` is the latest night with a session, `tonight` the one that is
    #[arg(long, value_name = "DATE", default_value = "last")]
    night: String,
    /// How it is written
    #[arg(long = "as", value_enum, default_value = "text")]
    form: Form,
    /// Write into this file instead of to the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write all three forms into this folder, named by the night's date
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["out", "form"])]
    into: Option<PathBuf>,
}

/// Which record is read, and by which configuration it is told.
#[derive(Debug, Args)]
pub struct Place {
    /// Store file; without one: the agent's own
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
    /// Configuration file; without one: the settings that the agent kept with the record, else the usual file
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// Forms of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// Plain text, at most 80 columns
    Text,
    /// One self-contained file for screen, phone and paper
    Html,
    /// For programs; `src/report/morning-report.schema.json` documents it
    Json,
}

/// A record opened for reading, with the settings by which it is told.
pub struct Record {
    /// The store.
    pub reader: Reader,
    /// Now.
    pub now: UnixMs,
    config: Option<Settings>,
}

impl Place {
    /// A store by its name, told by the settings that were kept with it.
    pub fn named(store: &Path) -> Place {
        Place { store: Some(store.into()), config: None }
    }

    /// Opens the record.
    ///
    /// # Errors
    /// When the configuration or the store cannot be read.
    pub fn open(&self) -> Result<Record, Failure> {
        let config = match (&self.config, &self.store) {
            // A named file is meant; the agent's own store is told by the agent's own file.
            (Some(f), _) => Some(configured(Some(f.as_path()))?),
            (None, None) => Some(configured(None)?),
            (None, Some(_)) => None,
        };
        let path: PathBuf = match (&self.store, config.as_ref().and_then(|c| c.agent.store.clone())) {
            (Some(s), _) => s.clone(),
            (None, Some(s)) => s,
            (None, None) => paths::default_store(),
        };
        let reader = Reader::open(Path::new(&path)).map_err(|e| Failure::new(e.to_string()))?;
        let named = config.filter(|c| self.config.is_some() || c.file.is_some());
        Ok(Record { reader, now: SystemClock.now().wall, config: named.as_ref().map(Settings::from_config) })
    }
}

impl Record {
    /// The settings for what lies before an instant: the person's file, else what was kept with the record, else none. Where the file
    /// names no zone, the one in which the record was kept holds.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn settings(&self, before: UnixMs) -> Result<Settings, Failure> {
        if let Some(s) = self.config.as_ref().filter(|s| !s.zone.is_empty()) {
            return Ok(s.clone());
        }
        let kept = gather::kept_settings(&self.reader, before).map_err(|e| Failure::new(e.to_string()))?;
        // An agent that did not write its zone down saw its nights in that of its machine.
        let kept = kept.map(Settings::with_zone_here);
        Ok(match (self.config.clone(), kept) {
            (Some(s), Some(kept)) => Settings { zone: kept.zone, ..s },
            (Some(s), None) | (None, Some(s)) => s,
            (None, None) => Settings::from_config(&crate::config::Config::default()),
        })
    }

    /// The zone by whose noon its nights are parted, and in which its times are told and taken.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn zone(&self, settings: &Settings) -> Result<TimeZone, Failure> {
        season::zone_of(&self.reader, settings).map_err(|e| Failure::new(e.to_string()))
    }

    /// The night that a person means, with its settings.
    ///
    /// # Errors
    /// When the words name no night, or the store cannot be read.
    pub fn night(&self, words: &str) -> Result<(Night, Settings), Failure> {
        let latest = self.settings(self.now)?;
        let night =
            gather::which_night(&self.reader, words, &latest, self.now).map_err(|e| Failure::new(e.to_string()))?;
        let settings = self.settings(night.to)?;
        Ok((night, settings))
    }
}

/// Reports.
pub fn run(a: Arguments) -> Done {
    let record = a.place.open()?;
    let (night, settings) = record.night(&a.night)?;
    let report =
        morning::build(&record.reader, &night, settings, record.now).map_err(|e| Failure::new(e.to_string()))?;
    if let Some(folder) = &a.into {
        let place = morning::write_into(folder, &report)
            .map_err(|e| Failure::new(format!("cannot write into `{}`: {e}", folder.display())))?;
        out::put(None, &format!("{}\n", place.display()))?;
        return Ok(WELL);
    }
    let text = match a.form {
        Form::Text => morning::to_text(&report),
        Form::Html => morning::to_html(&report),
        Form::Json => morning::to_json_text(&report),
    };
    out::put(a.out.as_deref(), &text)?;
    Ok(WELL)
}
