//! What is done beside the loop, on a thread of its own: reports that are written by themselves, and what earlier nights teach.

use super::darkness::Darkness;
use crate::config::Config;
use crate::engine::Learned;
use crate::model::{Span, UnixMs};
use crate::night::{self, Night};
use crate::report::settings::Settings;
use crate::report::{apart, learned, morning};
use crate::store::Reader;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::task::JoinHandle;

/// How often it is looked whether the Sun has risen.
const LOOK_EVERY: Span = Span::mins(1);
/// The Sun's centre at rise and set, degrees: 34' of refraction and 16' of radius below the horizon.
const RISEN: f64 = -0.833;
/// Local hour at which a night counts as over where no site is known.
const MORNING_HOUR: i8 = 8;

/// The chores and when each is due.
pub struct Chores {
    config: Arc<Config>,
    store: PathBuf,
    looked: Option<UnixMs>,
    was_up: Option<bool>,
    learning: Option<JoinHandle<Option<Learned>>>,
}

impl Chores {
    /// For this configuration and store. What earlier nights taught is asked at once.
    pub fn new(config: Arc<Config>, store: PathBuf, now: UnixMs) -> Chores {
        let mut c = Chores { config, store, looked: None, was_up: None, learning: None };
        c.learn(now);
        c
    }

    /// Called each cycle; cheap. Writes a report once the Sun has risen.
    pub fn tick(&mut self, now: UnixMs, darkness: &Darkness) {
        if self.looked.is_some_and(|t| (now - t).0.abs() < LOOK_EVERY.0) {
            return;
        }
        self.looked = Some(now);
        let up = darkness.sun_altitude(now).map_or_else(|| after_breakfast(now, darkness), |a| a > RISEN);
        if self.was_up.replace(up) == Some(false) && up {
            self.report(now, darkness);
        }
    }

    /// Writes the report of the night at `now` into the configured folder; nothing without one.
    pub fn report(&mut self, now: UnixMs, darkness: &Darkness) {
        self.learn(now);
        let Some(folder) = self.config.agent.reports.clone() else { return };
        // At sunrise the night that is meant is the one that ends at the coming noon.
        let night = night::night_of(now, darkness.zone());
        let (store, settings) = (self.store.clone(), Settings::here(&self.config));
        tokio::spawn(async move {
            match written(&store, &night, settings, now, &folder).await {
                Ok(path) => tracing::info!("the report of the night is in {path}"),
                Err(why) => tracing::error!("the report of the night could not be written: {why}"),
            }
        });
    }

    fn learn(&mut self, now: UnixMs) {
        let store = self.store.clone();
        self.learning = Some(tokio::task::spawn_blocking(move || {
            Reader::open(&store).and_then(|r| learned::learned(&r, now)).ok()
        }));
    }

    /// What earlier nights taught, once it is known.
    pub async fn learned(&mut self) -> Option<Learned> {
        if !self.learning.as_ref()?.is_finished() {
            return None;
        }
        self.learning.take()?.await.ok().flatten()
    }
}

/// Writes the report of a night, by a process of its own where there can be one. Gives where it is.
async fn written(
    store: &Path,
    night: &Night,
    settings: Settings,
    now: UnixMs,
    folder: &Path,
) -> Result<String, String> {
    if let Some(program) = apart::this_program() {
        let more = [OsStr::new("--into"), folder.as_os_str()];
        match apart::made_by(&program, store, &night.date.to_string(), &more).await {
            Ok(said) => return Ok(String::from_utf8_lossy(&said).trim().to_owned()),
            Err(why) => tracing::warn!("{why}; the report is made by the agent itself"),
        }
    }
    let (store, night, folder) = (store.to_owned(), *night, folder.to_owned());
    tokio::task::spawn_blocking(move || {
        Reader::open(&store)
            .map_err(|e| e.to_string())
            .and_then(|r| morning::build(&r, &night, settings, now).map_err(|e| e.to_string()))
            .and_then(|r| morning::write_into(&folder, &r).map_err(|e| format!("`{}`: {e}", folder.display())))
            .map(|path| path.display().to_string())
    })
    .await
    .unwrap_or_else(|_| Err("it failed in an unforeseen way".into()))
}

fn after_breakfast(now: UnixMs, darkness: &Darkness) -> bool {
    jiff::Timestamp::from_millisecond(now.0)
        .map(|t| t.to_zoned_datetime(darkness.zone().clone()))
        .is_ok_and(|z| (MORNING_HOUR..18).contains(&z.hour()))
}
