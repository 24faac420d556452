//! What is not written yet: readings of the present interval, packed rows that wait for a disk, and all other rows.

use super::column::{Grid, Slot};
use super::inbox::{Answer, Dropped, sane};
use super::journal::{self, Group};
use super::keys::window_of;
use super::redate::{Fix, moved};
use super::rows_in::Rows;
use crate::model::{BySignal, Reading, SignalId, Signals, Stamp, UnixMs, Value, Why, WhyCode};
use std::collections::{HashMap, VecDeque};

/// A journal row that waits.
#[derive(Clone, Debug, PartialEq)]
pub struct PackedRow {
    pub window_s: i64,
    pub at: UnixMs,
    pub boot_offset: i64,
    pub body: Vec<u8>,
    pub readings: u32,
    pub from: Stamp,
    pub to: Stamp,
}

/// Reasons get a number when they are first met, and are stored with the first commit that uses them.
#[derive(Debug, Default)]
pub struct Reasons {
    numbers: HashMap<Why, u32>,
    next: u32,
    pub unsaved: Vec<(u32, Why)>,
}

/// Texts with numbers in them could grow without end; beyond this many only the kind of reason is kept.
const MOST_REASONS: usize = 4096;

impl Reasons {
    pub fn from_rows(rows: impl IntoIterator<Item = (u32, Why)>) -> Reasons {
        let mut r = Reasons::default();
        for (id, why) in rows {
            r.next = r.next.max(id);
            r.numbers.insert(why, id);
        }
        r
    }

    pub fn number(&mut self, why: &Why) -> u32 {
        if let Some(&n) = self.numbers.get(why) {
            return n;
        }
        if self.numbers.len() >= MOST_REASONS && !why.text.is_empty() {
            return self.number(&Why::new(why.code, ""));
        }
        self.next += 1;
        self.numbers.insert(why.clone(), self.next);
        self.unsaved.push((self.next, why.clone()));
        self.next
    }

    /// Whether none was met yet.
    pub fn is_empty(&self) -> bool {
        self.numbers.is_empty()
    }

    /// The same table once more.
    pub fn again(&self) -> Reasons {
        Reasons { numbers: self.numbers.clone(), next: self.next, unsaved: self.unsaved.clone() }
    }

    /// The store that held them is gone: all are to be written again.
    pub fn forget_saved(&mut self) {
        self.unsaved = self.numbers.iter().map(|(w, &n)| (n, w.clone())).collect();
    }

    /// All reasons met so far, by number.
    pub fn by_number(&self) -> HashMap<u32, Why> {
        self.numbers.iter().map(|(w, &n)| (n, w.clone())).collect()
    }
}

/// What waits for the next commit.
#[derive(Debug, Default)]
pub struct Pending {
    raw: Vec<Reading>,
    /// Latest instant of a batch.
    pub at: Option<Stamp>,
    /// Set once a batch came that no journal row tells of yet.
    unmarked: bool,
    pub packed: VecDeque<PackedRow>,
    pub rows: Rows,
    /// Corrections of the clock that the store does not know yet.
    pub fixes: Vec<Fix>,
    pub state: Option<Vec<u8>>,
    pub answers: Vec<Answer>,
    pub dropped: Option<Dropped>,
    pub dropped_total: u64,
}

/// The wall clock may be slewed by a little between two batches; more than this is a step.
const STEP_MS: i64 = 500;

impl Pending {
    /// Takes the readings of one batch. What came before is packed first if the clock stepped, so that a row has one offset.
    pub fn push(&mut self, at: Stamp, readings: Vec<Reading>, signals: &Signals, reasons: &mut Reasons) {
        if self.at.is_some_and(|b| (offset(b) - offset(at)).abs() > STEP_MS) {
            self.pack(signals, reasons);
        }
        self.at = Some(at);
        self.unmarked = true;
        self.raw.extend(readings);
    }

    /// Moves what waits and was stamped by a wrong clock; the store does the same with what it holds at the next commit.
    pub fn redate(&mut self, fix: Fix, signals: &Signals, reasons: &mut Reasons) {
        self.pack(signals, reasons);
        for p in std::mem::take(&mut self.packed) {
            let parts = match fix.applies(p.to) {
                true => moved(&p.body, p.window_s, fix.by.0, signals).unwrap_or_default(),
                false => vec![],
            };
            if parts.is_empty() {
                self.packed.push_back(p);
                continue;
            }
            let later = |s: Stamp| Stamp { wall: s.wall + fix.by, ..s };
            for (i, (window_s, body)) in parts.into_iter().enumerate() {
                self.packed.push_back(PackedRow {
                    window_s,
                    body,
                    at: p.at + fix.by,
                    boot_offset: p.boot_offset + fix.by.0,
                    readings: if i == 0 { p.readings } else { 0 },
                    from: later(p.from),
                    to: later(p.to),
                });
            }
        }
        self.fixes.push(fix);
    }

    /// Number of readings that wait.
    pub fn readings(&self) -> u64 {
        self.raw.len() as u64 + self.packed.iter().map(|p| u64::from(p.readings)).sum::<u64>()
    }

    /// Whether nothing waits.
    pub fn is_empty(&self) -> bool {
        !self.unmarked
            && self.raw.is_empty()
            && self.packed.is_empty()
            && self.rows.is_empty()
            && self.state.is_none()
            && self.fixes.is_empty()
    }

    /// Packs the present readings into journal rows, one for each window.
    pub fn pack(&mut self, signals: &Signals, reasons: &mut Reasons) {
        let Some(at) = self.at.filter(|_| self.unmarked) else { return };
        self.unmarked = false;
        let mut raw = std::mem::take(&mut self.raw);
        for r in &mut raw {
            r.at.wall = sane(r.at.wall);
        }
        // Stable: equal instants keep their order.
        raw.sort_by_key(|r| (window_of(r.at.wall), r.signal, r.at.wall));
        let mut grids: BySignal<Option<Grid>> = BySignal::default();
        let mut grid =
            |s: SignalId| *grids.entry(s).or_insert_with(|| signals.def(s).and_then(|d| Grid::of(d.resolution)));
        if raw.is_empty() {
            // Still tells that the agent was looking.
            self.packed.push_back(row(window_of(sane(at.wall)), at, &[], &mut grid, reasons));
        }
        for of_window in raw.chunk_by(|a, b| window_of(a.at.wall) == window_of(b.at.wall)) {
            self.packed.push_back(row(window_of(of_window[0].at.wall), at, of_window, &mut grid, reasons));
        }
    }

    /// A commit took all of it, answers and state excepted.
    pub fn written(&mut self) {
        self.packed.clear();
        self.rows = Rows::default();
        self.dropped = None;
        self.fixes.clear();
    }

    /// Drops the oldest readings that wait for a disk until at most so many bytes are held.
    pub fn bound(&mut self, bytes: usize) {
        let mut held: usize = self.packed.iter().map(|p| p.body.len() + 96).sum();
        while held > bytes {
            let Some(p) = self.packed.pop_front() else { break };
            held -= p.body.len() + 96;
            if p.readings > 0 {
                self.lost(Dropped { from: p.from, to: p.to, readings: u64::from(p.readings) });
            }
        }
        // Events come seldom, but a torn cable can make the kernel speak for hours. Alarms and sessions are few by their nature.
        const MOST_EVENTS: usize = 10_000;
        let many = self.rows.events.len();
        if many > MOST_EVENTS {
            self.rows.events.drain(..many - MOST_EVENTS);
        }
    }

    /// Counts dropped readings.
    pub fn lost(&mut self, d: Dropped) {
        self.dropped_total += d.readings;
        Dropped::join(&mut self.dropped, d);
    }
}

/// Wall time minus time since boot.
pub fn offset(at: Stamp) -> i64 {
    at.wall.0.saturating_sub(at.boot.0)
}

fn row(
    window_s: i64,
    at: Stamp,
    readings: &[Reading],
    grid: &mut dyn FnMut(SignalId) -> Option<Grid>,
    reasons: &mut Reasons,
) -> PackedRow {
    let groups: Vec<(SignalId, Option<Grid>, Group)> = readings
        .chunk_by(|a, b| a.signal == b.signal)
        .map(|of_signal| {
            let signal = of_signal[0].signal;
            let mut g = Group::default();
            for r in of_signal {
                g.at.push(r.at.wall.0 - window_s * 1000);
                g.slots.push(match &r.value {
                    // Adding zero makes one of the two zeros of the other, which rounding can leave behind and no grid has.
                    Value::Known(v) if v.is_finite() => Slot::Known(v + 0.0),
                    Value::Known(_) => Slot::Gone(reasons.number(&Why::new(WhyCode::Garbled, "not a number"))),
                    Value::Unavailable(why) => Slot::Gone(reasons.number(why)),
                });
            }
            (signal, grid(signal), g)
        })
        .collect();
    let (from, to) = match (
        readings.iter().map(|r| r.at).min_by_key(|a| a.boot),
        readings.iter().map(|r| r.at).max_by_key(|a| a.boot),
    ) {
        (Some(a), Some(b)) => (a, b),
        _ => (at, at),
    };
    PackedRow {
        window_s,
        at: sane(at.wall),
        boot_offset: offset(at),
        body: journal::pack(&groups, window_s),
        readings: readings.len() as u32,
        from,
        to,
    }
}
