//! Pieces: the fine readings of one signal over ten minutes, with the figures that roll-ups need beside them.
//!
//! Body: form (1), number of entries, instants (regular: first and step; or the number of a list in `times`; or a list of its
//! own), column of entries, CRC-32 over all that and the piece's key. The figures have a checksum of their own, so that a
//! roll-up that reads no body notices damage too.

use super::bytes::{Bytes, crc, put, seal, unseal};
use super::column::{Column, Effort, Grid, MOST, Slot, get_column, get_ints, put_column, put_ints};

const FORM: u8 = 1;
const REGULAR: u8 = 0;
const SHARED: u8 = 1;
const OWN: u8 = 2;

/// Minimum, mean, maximum and counts of some readings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Figures {
    /// Smallest, mean and largest of the known values; none if none is known.
    pub of_known: Option<[f64; 3]>,
    /// Known values.
    pub count: u32,
    /// Readings without a value.
    pub unavailable: u32,
}

impl Figures {
    /// The figures of some entries.
    pub fn of(slots: impl Iterator<Item = Slot>) -> Figures {
        let mut f = Gather::default();
        slots.for_each(|s| f.slot(s));
        f.figures()
    }

    /// Checksum over the figures of the row `id`, as it is stored.
    pub fn crc(&self, id: i64) -> i64 {
        let mut data = Vec::with_capacity(32);
        for v in self.of_known.unwrap_or([f64::NAN; 3]) {
            // Zero has two signs, and the database keeps only one.
            data.extend_from_slice(&(if v == 0.0 { 0.0 } else { v }).to_le_bytes());
        }
        data.extend_from_slice(&self.count.to_le_bytes());
        data.extend_from_slice(&self.unavailable.to_le_bytes());
        i64::from(crc(&data, id) as i32)
    }
}

/// Gathers figures, one reading or one set of figures at a time.
#[derive(Clone, Copy, Debug)]
pub struct Gather {
    min: f64,
    max: f64,
    sum: f64,
    count: u32,
    unavailable: u32,
}

impl Default for Gather {
    fn default() -> Gather {
        Gather { min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0, count: 0, unavailable: 0 }
    }
}

impl Gather {
    /// One known value.
    pub fn known(&mut self, v: f64) {
        self.min = self.min.min(v);
        self.max = self.max.max(v);
        self.sum += v;
        self.count += 1;
    }
    /// Several known values.
    pub fn many(&mut self, values: &[f64]) {
        let (mut min, mut max, mut sum) = (self.min, self.max, self.sum);
        for &v in values {
            min = if v < min { v } else { min };
            max = if v > max { v } else { max };
            sum += v;
        }
        (self.min, self.max, self.sum) = (min, max, sum);
        self.count += values.len() as u32;
    }
    /// `n` readings without a value.
    pub fn gone(&mut self, n: u32) {
        self.unavailable += n;
    }
    /// One entry.
    pub fn slot(&mut self, s: Slot) {
        match s {
            Slot::Known(v) => self.known(v),
            Slot::Gone(_) => self.gone(1),
        }
    }
    /// The figures of other readings.
    pub fn add(&mut self, f: &Figures) {
        if let Some([min, mean, max]) = f.of_known {
            self.min = self.min.min(min);
            self.max = self.max.max(max);
            self.sum += mean * f64::from(f.count);
            self.count += f.count;
        }
        self.unavailable += f.unavailable;
    }
    /// What came of it. A mean never lies outside minimum and maximum, whatever the rounding.
    pub fn figures(&self) -> Figures {
        let of_known = (self.count > 0).then(|| {
            let mean = (self.sum / f64::from(self.count)).clamp(self.min, self.max);
            [self.min, mean, self.max]
        });
        Figures { of_known, count: self.count, unavailable: self.unavailable }
    }
}

/// Where a piece's instants are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Instants<'a> {
    /// In the piece: so many milliseconds after the start of the window, in order.
    Here(&'a [i64]),
    /// In the list with this number.
    List(u64),
}

/// First and step of evenly spaced instants.
pub fn regular(at: &[i64]) -> Option<(i64, i64)> {
    let first = *at.first()?;
    let step = at.get(1).map_or(0, |s| s - first);
    (first >= 0 && step >= 0 && at.iter().zip(0..).all(|(&a, i)| a == first + i * step)).then_some((first, step))
}

/// Packs a piece.
pub fn pack(id: i64, instants: Instants, slots: &[Slot], grid: Option<Grid>) -> Vec<u8> {
    let mut out = vec![FORM];
    put(&mut out, slots.len() as u64);
    match instants {
        Instants::List(n) => {
            out.push(SHARED);
            put(&mut out, n);
        }
        Instants::Here(at) => match regular(at) {
            Some((first, step)) => {
                out.push(REGULAR);
                put(&mut out, first as u64);
                put(&mut out, step as u64);
            }
            None => {
                out.push(OWN);
                put_differences(&mut out, at);
            }
        },
    }
    put_column(&mut out, slots, grid, Effort::Thrifty);
    seal(out, id)
}

/// Packs a list of instants.
pub fn pack_instants(id: i64, at: &[i64]) -> Vec<u8> {
    let mut out = vec![FORM];
    put(&mut out, at.len() as u64);
    put_differences(&mut out, at);
    seal(out, id)
}

/// Takes a list of instants apart; none if it is damaged.
pub fn open_instants(id: i64, body: &[u8]) -> Option<Vec<i64>> {
    let mut b = Bytes(unseal(body, id)?);
    if b.byte()? != FORM {
        return None;
    }
    let n = b.count(MOST)?;
    get_differences(&mut b, n)
}

/// Instants grow by nearly the same step, so their differences are what packs well.
fn put_differences(out: &mut Vec<u8>, at: &[i64]) {
    let mut before = 0;
    let steps: Vec<i64> = at.iter().map(|&a| a - std::mem::replace(&mut before, a)).collect();
    put_ints(out, &steps, Effort::Thrifty);
}

fn get_differences(b: &mut Bytes, n: usize) -> Option<Vec<i64>> {
    let mut at = 0i64;
    let mut v = get_ints(b, n)?;
    for s in &mut v {
        at = at.wrapping_add(*s);
        *s = at;
    }
    Some(v)
}

/// A piece taken apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Milliseconds after the start of the window, in order.
    pub at: Vec<i64>,
    /// The entries.
    pub column: Column,
}

/// Takes a piece apart; none if it is damaged. `list` fetches a shared list of instants by its number.
pub fn open(id: i64, body: &[u8], list: impl FnOnce(u64) -> Option<Vec<i64>>) -> Option<Piece> {
    let mut b = Bytes(unseal(body, id)?);
    if b.byte()? != FORM {
        return None;
    }
    let n = b.count(MOST)?;
    let at = match b.byte()? {
        REGULAR => {
            let (first, step) = (b.number()? as i64, b.number()? as i64);
            (0..n as i64).map(|i| first.wrapping_add(i.wrapping_mul(step))).collect()
        }
        SHARED => list(b.number()?).filter(|at| at.len() == n)?,
        OWN => get_differences(&mut b, n)?,
        _ => return None,
    };
    Some(Piece { at, column: get_column(&mut b, n)? })
}
