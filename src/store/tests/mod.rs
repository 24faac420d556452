//! Tests of the room as a whole: a writer and readers on real files.

mod basic;
#[cfg(target_os = "linux")]
mod hard;
mod importing;
#[cfg(target_os = "linux")]
mod mount;
mod packing;
mod sealing;
#[cfg(unix)]
mod standing;
mod starts;
#[cfg(target_os = "linux")]
mod trouble;

use super::*;
use crate::clock::ManualClock;
use crate::model::*;
use std::path::Path;
use std::sync::Arc;

/// A round evening: 2026-01-12T20:00:00Z.
pub const T0: i64 = 1_768_248_000_000;

/// One hour after boot at [`T0`].
pub fn t(ms: i64) -> Stamp {
    Stamp::new(UnixMs(T0 + ms), BootMs(3_600_000 + ms))
}

pub fn clock() -> Arc<ManualClock> {
    ManualClock::at(t(0))
}

pub fn options(clock: &Arc<ManualClock>) -> Options {
    Options { check_after: None, ..Options::new(clock.clone(), "boot-a") }
}

pub fn name(n: &str) -> Name {
    Name::new(n).unwrap()
}

/// Waits for an answer with a bound.
pub fn wait<T>(r: Later<T>) -> Result<T, StoreError> {
    let rt = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    rt.block_on(async {
        tokio::time::timeout(std::time::Duration::from_secs(20), r)
            .await
            .expect("an answer in time")
            .expect("an answer")
    })
}

/// Waits until something holds, with a bound.
pub fn until(what: &str, mut f: impl FnMut() -> bool) {
    for _ in 0..2000 {
        if f() {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    panic!("waited in vain until {what}");
}

pub fn event(at: Stamp, text: &str) -> Event {
    Event::new(at, name("program.mount"), EventKind::ProgramEnded, text).with("signal", 9)
}

pub fn raised(seq: i64, at: Stamp) -> Transition {
    Transition {
        seq,
        at,
        announced: at,
        alarm: AlarmId(seq),
        rule: name("rule.program-ended"),
        thing: name("program.mount"),
        priority: Priority::High,
        change: AlarmChange::Raised,
        wakes: true,
        text: "the mount program ended (signal 9)".into(),
        value: None,
        incident: None,
        saved: true,
    }
}

pub fn batch(at: Stamp, readings: Vec<Reading>) -> Batch {
    Batch { at, readings, events: vec![] }
}

pub fn write(b: Batch) -> Write {
    Write { batch: b, ..Write::default() }
}

pub fn urgent(b: Batch, transitions: Vec<Transition>) -> Write {
    Write { batch: b, outcome: Outcome { transitions, ..Outcome::default() }, engine_state: None }
}

pub fn open_at(path: &Path, c: &Arc<ManualClock>) -> (Writer, Opened) {
    open(path, options(c)).unwrap()
}
