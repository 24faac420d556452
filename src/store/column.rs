//! Columns: the values of one signal in order, packed.
//!
//! Values that lie on the signal's resolution are kept as whole numbers of steps and come back bit for bit; anything else is
//! kept as it is. Readings without a value stand in a column of their own: runs of known and unavailable, with the number of the
//! reason. Whole numbers are packed as differences with runs, or by `pco`, whichever is shorter (see tests/bench/storage.rs).

use super::bytes::{Bytes, fold, put, unfold};
use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress};

/// More values than any row holds: a window of ten minutes at a hundred a second.
pub const MOST: usize = 1 << 17;

/// The grid on which a signal's values lie: `n / per`, or `n * step`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Grid {
    /// So many steps make one unit.
    Per(u32),
    /// One step is so many units.
    Step(f64),
}

/// Largest number of steps: beyond it a double no longer holds every whole number.
const FAR: f64 = 9_007_199_254_740_992.0;

impl Grid {
    /// The grid of a resolution, by the same arithmetic that rounds readings to it; none if it makes no sense.
    pub fn of(resolution: f64) -> Option<Grid> {
        let per = 1.0 / resolution;
        if !(resolution.is_finite() && resolution > 0.0 && per.is_finite()) {
            None
        } else if (1.0..=1e9).contains(&per) && (per - per.round()).abs() < 1e-9 {
            Some(Grid::Per(per.round() as u32))
        } else {
            Some(Grid::Step(resolution))
        }
    }

    /// The value of `n` steps.
    pub fn value(self, n: i64) -> f64 {
        match self {
            Grid::Per(p) => n as f64 / f64::from(p),
            Grid::Step(s) => n as f64 * s,
        }
    }

    /// Nearest number of steps, not checked for exactness.
    pub fn near(self, v: f64) -> f64 {
        match self {
            Grid::Per(p) => (v * f64::from(p)).round(),
            Grid::Step(s) => (v / s).round(),
        }
    }

    /// The number of steps that gives exactly this value, if one does.
    pub fn steps(self, v: f64) -> Option<i64> {
        let n = self.near(v);
        (n.abs() < FAR && self.value(n as i64).to_bits() == v.to_bits()).then_some(n as i64)
    }

    fn put(self, out: &mut Vec<u8>) {
        match self {
            Grid::Per(p) => put(out, u64::from(p)),
            Grid::Step(s) => {
                put(out, 0);
                out.extend_from_slice(&s.to_le_bytes());
            }
        }
    }

    fn get(b: &mut Bytes) -> Option<Grid> {
        match b.number()? {
            0 => Some(Grid::Step(b.real()?)),
            p => Some(Grid::Per(u32::try_from(p).ok()?)),
        }
    }
}

/// How much work may go into packing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Effort {
    /// For the journal: differences with runs only.
    Quick,
    /// For what is kept: the shorter of both.
    Thrifty,
}

/// Packs whole numbers.
pub fn put_ints(out: &mut Vec<u8>, v: &[i64], effort: Effort) {
    let start = out.len();
    out.push(RUNS);
    put_runs(out, v);
    // Short or very regular columns cannot gain from the other form, whose own head takes some twenty bytes.
    if effort == Effort::Thrifty
        && v.len() >= 32
        && out.len() - start > 24
        && let Ok(packed) = simple_compress(v, &ChunkConfig::default().with_compression_level(LEVEL))
        && packed.len() + 3 < out.len() - start
    {
        out.truncate(start);
        out.push(PCO);
        put(out, packed.len() as u64);
        out.extend_from_slice(&packed);
    }
}

const RUNS: u8 = 0;
const PCO: u8 = 1;
/// Higher levels pay little for columns of a few hundred values.
const LEVEL: usize = 4;

/// Differences to the value before, each followed by the number of its repetitions where there are any.
fn put_runs(out: &mut Vec<u8>, v: &[i64]) {
    let (mut before, mut i) = (0i64, 0);
    while i < v.len() {
        let d = v[i].wrapping_sub(before);
        let mut run = 1;
        while i + run < v.len() && v[i + run].wrapping_sub(v[i + run - 1]) == d {
            run += 1;
        }
        // One bit of the number tells whether repetitions follow. Differences of steps stay far below the top bit.
        put(out, fold(d) << 1 | u64::from(run > 1));
        if run > 1 {
            put(out, run as u64 - 2);
        }
        before = v[i + run - 1];
        i += run;
    }
}

/// Takes `n` whole numbers apart.
pub fn get_ints(b: &mut Bytes, n: usize) -> Option<Vec<i64>> {
    if n > MOST {
        return None;
    }
    match b.byte()? {
        RUNS => {
            let mut v = Vec::with_capacity(n);
            let mut last = 0i64;
            while v.len() < n {
                let token = b.number()?;
                let d = unfold(token >> 1);
                let run = if token & 1 == 1 { b.count(n)? + 2 } else { 1 };
                if run > n - v.len() {
                    return None;
                }
                if d == 0 {
                    v.resize(v.len() + run, last);
                } else {
                    for _ in 0..run {
                        last = last.wrapping_add(d);
                        v.push(last);
                    }
                }
            }
            Some(v)
        }
        PCO => {
            let len = b.count(n * 16 + 1024)?;
            simple_decompress(b.take(len)?).ok().filter(|v: &Vec<i64>| v.len() == n)
        }
        _ => None,
    }
}

/// One entry of a column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Slot {
    /// A value.
    Known(f64),
    /// None, for the reason with this number.
    Gone(u32),
}

/// A column taken apart: the known values in order, and where entries without a value stand between them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Column {
    /// Number of entries.
    pub len: usize,
    /// Known values in order.
    pub known: Vec<f64>,
    /// Runs without a value: index of the first entry, length, number of the reason; in order.
    pub gone: Vec<(usize, usize, u32)>,
}

impl Column {
    /// All entries in order.
    pub fn slots(&self) -> impl Iterator<Item = Slot> + '_ {
        let mut gone = self.gone.iter().copied().peekable();
        let mut known = self.known.iter().copied();
        (0..self.len).filter_map(move |i| {
            while gone.next_if(|g| i >= g.0 + g.1).is_some() {}
            match gone.peek() {
                Some(&(from, _, why)) if i >= from => Some(Slot::Gone(why)),
                _ => known.next().map(Slot::Known),
            }
        })
    }
}

const HAS_GONE: u8 = 1;
const STEPS: u8 = 0;
const REALS: u8 = 2;
const REALS_PACKED: u8 = 4;

/// Packs the entries of one signal.
pub fn put_column(out: &mut Vec<u8>, slots: &[Slot], grid: Option<Grid>, effort: Effort) {
    let mut known = Vec::with_capacity(slots.len());
    let mut gone: Vec<(usize, usize, u32)> = vec![];
    for (i, s) in slots.iter().enumerate() {
        match *s {
            Slot::Known(v) => known.push(v),
            Slot::Gone(why) => match gone.last_mut() {
                Some((from, len, w)) if *w == why && *from + *len == i => *len += 1,
                _ => gone.push((i, 1, why)),
            },
        }
    }
    let steps: Option<Vec<i64>> = grid.and_then(|g| known.iter().map(|&v| g.steps(v)).collect());
    let flag = if gone.is_empty() { 0 } else { HAS_GONE };
    let packed = match (&steps, effort) {
        (None, Effort::Thrifty) => simple_compress(&known, &ChunkConfig::default().with_compression_level(LEVEL))
            .ok()
            .filter(|p| p.len() < known.len() * 8),
        _ => None,
    };
    out.push(
        flag | match (&steps, &packed) {
            (Some(_), _) => STEPS,
            (None, Some(_)) => REALS_PACKED,
            (None, None) => REALS,
        },
    );
    if !gone.is_empty() {
        put(out, gone.len() as u64);
        let mut at = 0;
        for (from, len, why) in gone {
            put(out, (from - at) as u64);
            put(out, len as u64);
            put(out, u64::from(why));
            at = from + len;
        }
    }
    match (steps, packed) {
        (Some(v), _) => {
            if let Some(g) = grid {
                g.put(out);
            }
            put_ints(out, &v, effort);
        }
        (None, Some(p)) => {
            put(out, p.len() as u64);
            out.extend_from_slice(&p);
        }
        (None, None) => known.iter().for_each(|v| out.extend_from_slice(&v.to_le_bytes())),
    }
}

/// Takes `n` entries apart.
pub fn get_column(b: &mut Bytes, n: usize) -> Option<Column> {
    if n > MOST {
        return None;
    }
    let head = b.byte()?;
    let mut gone = vec![];
    let mut lost = 0;
    if head & HAS_GONE != 0 {
        let mut at = 0;
        for _ in 0..b.count(n)? {
            let from = at + b.count(n)?;
            let len = b.count(n)?;
            let why = u32::try_from(b.number()?).ok()?;
            at = from + len;
            if at > n {
                return None;
            }
            lost += len;
            gone.push((from, len, why));
        }
    }
    let count = n - lost;
    let known = match head & !HAS_GONE {
        STEPS => {
            let grid = Grid::get(b)?;
            let ints = get_ints(b, count)?;
            match grid {
                Grid::Per(1) => ints.iter().map(|&n| n as f64).collect(),
                Grid::Per(p) => ints.iter().map(|&n| n as f64 / f64::from(p)).collect(),
                Grid::Step(s) => ints.iter().map(|&n| n as f64 * s).collect(),
            }
        }
        REALS => (0..count).map(|_| b.real()).collect::<Option<Vec<f64>>>()?,
        REALS_PACKED => {
            let len = b.count(count * 16 + 1024)?;
            simple_decompress(b.take(len)?).ok().filter(|v: &Vec<f64>| v.len() == count)?
        }
        _ => return None,
    };
    Some(Column { len: n, known, gone })
}
