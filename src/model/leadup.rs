//! The detailed record around an incident: every signal at its finest and every program of the machine, for the ten minutes
//! before and the five minutes after.

use super::{Name, Span, Stamp, Unit, UnixMs};
use std::sync::Arc;

/// How long before an incident is kept.
pub const BEFORE: Span = Span::mins(10);
/// How long after it.
pub const AFTER: Span = Span::mins(5);

/// Which part of the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// The ten minutes before.
    Before,
    /// The five minutes after.
    After,
}

impl Part {
    /// The stored name.
    pub fn word(self) -> &'static str {
        match self {
            Part::Before => "before",
            Part::After => "after",
        }
    }
}

/// One look at all programs of the machine.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sweep {
    /// When.
    pub at: Stamp,
    /// Length of the ticks in which processor time and waiting are counted, ms.
    pub tick_ms: f64,
    /// Each process.
    pub processes: Vec<ProcessNow>,
}

/// One process in a look.
#[derive(Clone, Debug, PartialEq)]
pub struct ProcessNow {
    /// Its number.
    pub pid: u32,
    /// Its start in ticks since boot: together with the number it names one process for ever.
    pub start: u64,
    /// The kernel's short name of it.
    pub name: Arc<str>,
    /// `R`, `S`, `D` (waits and cannot be interrupted), `T` (stopped), `Z` (ended, not noticed), `I`.
    pub state: u8,
    /// Processor time since its start, ticks.
    pub busy: u64,
    /// Memory that it holds, KiB.
    pub memory_kib: u32,
    /// Time spent waiting for disks since its start, ticks; zero where the kernel does not count it.
    pub disk_wait: u64,
    /// Pages that had to be fetched from a disk, since its start.
    pub disk_fetches: u64,
}

/// A part of the record, read back.
#[derive(Clone, Debug, PartialEq)]
pub struct LeadUp {
    /// When the incident opened.
    pub opened: UnixMs,
    /// Begin of what is kept.
    pub from: UnixMs,
    /// Its end.
    pub to: UnixMs,
    /// Something was left out for want of room.
    pub cut: bool,
    /// Every signal that was read.
    pub signals: Vec<Track>,
    /// Every program that ran.
    pub programs: Vec<ProgramTrack>,
}

/// One signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// Its name.
    pub name: Name,
    /// Its unit.
    pub unit: Unit,
    /// Its resolution, in the unit.
    pub resolution: f64,
    /// What it means.
    pub what: String,
    /// Readings in order; none: it could not be read.
    pub points: Vec<(UnixMs, Option<f64>)>,
    /// Why it could not be read, the last time that this was so.
    pub why: Option<String>,
}

/// One program.
#[derive(Clone, Debug, PartialEq)]
pub struct ProgramTrack {
    /// Process number.
    pub pid: u32,
    /// Short name.
    pub name: String,
    /// Looks at it, in order.
    pub points: Vec<ProgramPoint>,
}

/// One look at one program.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProgramPoint {
    /// When.
    pub at: UnixMs,
    /// Processor use since the look before, % of one core; none at the first look.
    pub cpu: Option<f64>,
    /// Memory, bytes.
    pub memory: f64,
    /// State, as in [`ProcessNow::state`].
    pub state: char,
    /// Share of the time since the look before that it waited for disks, %.
    pub disk_wait: f64,
    /// Pages fetched from a disk since the look before.
    pub disk_fetches: u32,
}

impl Track {
    /// The latest reading in `from..=to`, if it had a value.
    pub fn last(&self, from: UnixMs, to: UnixMs) -> Option<f64> {
        let end = self.points.partition_point(|p| p.0 <= to);
        self.points[..end].last().filter(|p| p.0 >= from)?.1
    }
    /// Smallest, mean and largest known value in `from..to`.
    pub fn figures(&self, from: UnixMs, to: UnixMs) -> Option<[f64; 3]> {
        let (mut min, mut max, mut sum, mut n) = (f64::INFINITY, f64::NEG_INFINITY, 0.0, 0u32);
        for v in self.points.iter().filter(|p| p.0 >= from && p.0 < to).filter_map(|p| p.1) {
            (min, max, sum, n) = (min.min(v), max.max(v), sum + v, n + 1);
        }
        (n > 0).then(|| [min, sum / f64::from(n), max])
    }
}

impl ProgramTrack {
    /// Mean processor use over the looks in `from..=to`, %.
    pub fn cpu(&self, from: UnixMs, to: UnixMs) -> Option<f64> {
        let all: Vec<f64> = self.points.iter().filter(|p| p.at >= from && p.at <= to).filter_map(|p| p.cpu).collect();
        (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
    }
    /// Memory at the last look up to `to`, bytes.
    pub fn memory(&self, to: UnixMs) -> Option<f64> {
        self.points.iter().rev().find(|p| p.at <= to).map(|p| p.memory)
    }
}
