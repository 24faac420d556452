//! A made-up tree of kernel files, a clock that moves when told, and a tray to look into. For tests of probes.
#![allow(clippy::unwrap_used)]

use super::{Probe, Roots, Setup, Take};
use crate::clock::{ManualClock, SharedClock};
use crate::config::Config;
use crate::model::{BootMs, Event, Name, Reading, Signals, Stamp, UnixMs, Value, WhyCode};
use std::path::Path;
use std::sync::{Arc, Mutex};

/// Everything that a test of a probe needs.
pub struct Bench {
    dir: tempfile::TempDir,
    /// Moves on by one second with each run.
    pub clock: Arc<ManualClock>,
    /// The table of signals.
    pub signals: Signals,
    /// May be changed before the probes are made.
    pub config: Config,
    readings: Mutex<Vec<Reading>>,
    events: Mutex<Vec<Event>>,
}

impl Bench {
    /// A tree with these files.
    pub fn new(files: &[(&str, &str)]) -> Bench {
        let b = Bench {
            dir: tempfile::tempdir().unwrap(),
            clock: ManualClock::at(Stamp::new(UnixMs(1_768_000_000_000), BootMs(1_000_000))),
            signals: Signals::new(),
            config: Config::default(),
            readings: Mutex::default(),
            events: Mutex::default(),
        };
        for (p, text) in files {
            b.write(p, text);
        }
        b
    }
    /// The tree's folder.
    pub fn root(&self) -> &Path {
        self.dir.path()
    }
    /// The tree.
    pub fn roots(&self) -> Roots {
        Roots::at(self.dir.path())
    }
    /// Writes a file, in place if it is there.
    pub fn write(&self, p: &str, text: &str) {
        self.write_bytes(p, text.as_bytes());
    }
    /// The same for bytes.
    pub fn write_bytes(&self, p: &str, bytes: &[u8]) {
        let path = self.dir.path().join(p);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
    /// Removes a file.
    pub fn remove(&self, p: &str) {
        std::fs::remove_file(self.dir.path().join(p)).unwrap();
    }
    /// The clock, shared.
    pub fn shared_clock(&self) -> SharedClock {
        self.clock.clone()
    }
    /// Makes probes over this tree.
    pub fn probes<T>(&self, make: impl FnOnce(&Setup<'_>) -> T) -> T {
        make(&Setup {
            config: &self.config,
            roots: self.roots(),
            signals: self.signals.clone(),
            clock: self.shared_clock(),
        })
    }
    /// One run of each; the tray is emptied first, and the clock moves on by one second.
    pub fn run(&self, probes: &mut [Box<dyn Probe>]) {
        self.clock.advance(1000);
        let (mut r, mut e) = (self.readings.lock().unwrap(), self.events.lock().unwrap());
        r.clear();
        e.clear();
        let clock = self.shared_clock();
        for p in probes.iter_mut() {
            let known = p.signals();
            let before = r.len();
            p.take(&mut Take::new(&clock, &self.signals, &mut r, &mut e));
            for id in known {
                assert!(r[before..].iter().any(|x| x.signal == id), "{} left a signal in silence", p.name());
            }
        }
    }
    fn last(&self, signal: &str) -> Option<Value> {
        let id = self.signals.id(&Name::new(signal).unwrap())?;
        self.readings.lock().unwrap().iter().rev().find(|r| r.signal == id).map(|r| r.value.clone())
    }
    /// The value read in the last run.
    pub fn value(&self, signal: &str) -> Option<f64> {
        self.last(signal)?.known()
    }
    /// The reason given in the last run.
    pub fn why(&self, signal: &str) -> Option<WhyCode> {
        Some(self.last(signal)?.why()?.code)
    }
    /// Its words.
    pub fn why_text(&self, signal: &str) -> String {
        self.last(signal).and_then(|v| v.why().map(|w| w.text.to_string())).unwrap_or_default()
    }
    /// The events of the last run.
    pub fn events(&self) -> Vec<Event> {
        self.events.lock().unwrap().clone()
    }
    /// Every known value of the last run is finite and inside the range that its signal states.
    pub fn all_in_range(&self) {
        for r in self.readings.lock().unwrap().iter() {
            let def = self.signals.def(r.signal).unwrap();
            if let Value::Known(v) = r.value {
                assert!(v.is_finite() && v >= def.low && v <= def.high, "{}: {v}", def.name);
            }
        }
    }
}
