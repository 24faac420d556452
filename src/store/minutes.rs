//! Minutes: one row per signal and hour, its lists in JSON so that any SQLite tool can read them (see the view `minutes`).

use super::bytes::crc;
use super::column::Grid;
use super::piece::{Figures, Gather};
use std::fmt::Write as _;

/// Minutes in a row.
pub const MINUTES: usize = 60;

/// One hour of one signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Hour {
    /// The figures of each minute.
    pub minutes: [Figures; MINUTES],
}

impl Default for Hour {
    fn default() -> Hour {
        Hour { minutes: [Figures::default(); MINUTES] }
    }
}

/// An hour as it is stored.
#[derive(Clone, Debug, PartialEq)]
pub struct HourRow {
    pub id: i64,
    pub all: Figures,
    pub base: i64,
    pub times: f64,
    pub per: f64,
    pub mins: String,
    pub means: String,
    pub maxs: String,
    pub counts: String,
    pub unavailables: String,
}

impl HourRow {
    /// Checksum over the row.
    pub fn crc(&self) -> i64 {
        let mut data = Vec::with_capacity(512);
        data.extend_from_slice(&self.all.crc(self.id).to_le_bytes());
        data.extend_from_slice(&self.base.to_le_bytes());
        data.extend_from_slice(&self.times.to_le_bytes());
        data.extend_from_slice(&self.per.to_le_bytes());
        for t in [&self.mins, &self.means, &self.maxs, &self.counts, &self.unavailables] {
            data.extend_from_slice(t.as_bytes());
            data.push(0);
        }
        i64::from(crc(&data, self.id) as i32)
    }
}

/// Packs an hour.
pub fn pack(id: i64, hour: &Hour, grid: Option<Grid>) -> HourRow {
    let mut all = Gather::default();
    hour.minutes.iter().for_each(|m| all.add(m));
    let all = all.figures();
    let on_grid = grid.filter(|g| {
        hour.minutes.iter().filter_map(|m| m.of_known).all(|[lo, _, hi]| g.steps(lo).is_some() && g.steps(hi).is_some())
    });
    let (mut mins, mut means, mut maxs) = (String::new(), String::new(), String::new());
    let list = |out: &mut String, f: &dyn Fn([f64; 3], &mut String)| {
        for (i, m) in hour.minutes.iter().enumerate() {
            out.push(if i == 0 { '[' } else { ',' });
            match m.of_known {
                Some(v) => f(v, out),
                None => out.push_str("null"),
            }
        }
        out.push(']');
    };
    let (mut base, mut times, mut per) = (0, 1.0, 0.0);
    if let Some(g) = on_grid {
        let n = |v: f64| g.near(v) as i64;
        (times, per) = match g {
            Grid::Per(p) => (1.0, f64::from(p)),
            Grid::Step(s) => (s, 1.0),
        };
        base = hour.minutes.iter().filter_map(|m| m.of_known).map(|v| n(v[0])).min().unwrap_or(0);
        list(&mut mins, &|v, o| put(o, n(v[0]) - base));
        // A tenth of a step, seen from the base; exact enough to be within half a tenth of a step.
        list(&mut means, &|v, o| put(o, ((v[1] * per / times - base as f64) * 10.0).round() as i64));
        list(&mut maxs, &|v, o| put(o, n(v[2]) - n(v[0])));
    } else {
        list(&mut mins, &|v, o| put_real(o, v[0]));
        list(&mut means, &|v, o| put_real(o, v[1]));
        list(&mut maxs, &|v, o| put_real(o, v[2]));
    }
    let with_known: Vec<u32> = hour.minutes.iter().filter(|m| m.count > 0).map(|m| m.count).collect();
    let counts = match with_known.first() {
        Some(&c) if with_known.iter().all(|&x| x == c) => c.to_string(),
        None => "0".into(),
        _ => ints(hour.minutes.iter().map(|m| m.count)),
    };
    let gone = hour.minutes[0].unavailable;
    let unavailables = if hour.minutes.iter().all(|m| m.unavailable == gone) {
        gone.to_string()
    } else {
        ints(hour.minutes.iter().map(|m| m.unavailable))
    };
    HourRow { id, all, base, times, per, mins, means, maxs, counts, unavailables }
}

fn put(o: &mut String, n: i64) {
    let _ = write!(o, "{n}"); // writing to a string cannot fail
}

/// Shortest text that reads back as the same number, always valid JSON.
fn put_real(o: &mut String, v: f64) {
    match serde_json::Number::from_f64(v) {
        Some(n) => o.push_str(&n.to_string()),
        None => o.push_str("null"),
    }
}

fn ints(v: impl Iterator<Item = u32>) -> String {
    let mut o = String::from("[");
    for (i, n) in v.enumerate() {
        if i > 0 {
            o.push(',');
        }
        put(&mut o, i64::from(n));
    }
    o.push(']');
    o
}

/// Takes an hour apart; none if its lists are not what [`pack`] makes.
pub fn open(row: &HourRow) -> Option<Hour> {
    let counts = counts(&row.counts)?;
    let gone = self::counts(&row.unavailables)?;
    let mut hour = Hour::default();
    let (mut mins, mut means, mut maxs) = (Items::of(&row.mins)?, Items::of(&row.means)?, Items::of(&row.maxs)?);
    let base = row.base as f64;
    for i in 0..MINUTES {
        let m = &mut hour.minutes[i];
        m.unavailable = gone.at(i);
        let (lo, me, hi) = (mins.next()?, means.next()?, maxs.next()?);
        if lo == "null" {
            continue;
        }
        m.count = counts.at(i);
        let v = if row.per == 0.0 {
            [lo.parse().ok()?, me.parse().ok()?, hi.parse().ok()?]
        } else {
            let (lo, me, hi): (i64, i64, i64) = (whole(lo)?, whole(me)?, whole(hi)?);
            let value = |n: f64| if row.per == 1.0 { n * row.times } else { n * row.times / row.per };
            let (lo_n, hi_n) = (row.base.checked_add(lo)?, row.base.checked_add(lo)?.checked_add(hi)?);
            let (min, max) = (value(lo_n as f64), value(hi_n as f64));
            [min, value(base + me as f64 / 10.0).clamp(min, max), max]
        };
        if !(v[0] <= v[1] && v[1] <= v[2]) {
            return None;
        }
        m.of_known = Some(v);
    }
    Some(hour)
}

/// Parses a short whole number; much faster than the general way, and a season has millions of them.
fn whole(t: &str) -> Option<i64> {
    let (neg, digits) = match t.as_bytes() {
        [b'-', d @ ..] => (true, d),
        d => (false, d),
    };
    if digits.is_empty() || digits.len() > 18 {
        return None;
    }
    let mut v = 0i64;
    for &d in digits {
        if !d.is_ascii_digit() {
            return None;
        }
        v = v * 10 + i64::from(d - b'0');
    }
    Some(if neg { -v } else { v })
}

struct Items<'a>(&'a str);

impl<'a> Items<'a> {
    fn of(t: &'a str) -> Option<Items<'a>> {
        Some(Items(t.strip_prefix('[')?.strip_suffix(']')?))
    }
    fn next(&mut self) -> Option<&'a str> {
        if self.0.is_empty() {
            return None;
        }
        // The lists hold only ASCII, and bytes are found faster than characters.
        match self.0.bytes().position(|b| b == b',') {
            Some(i) => {
                let (a, b) = self.0.split_at_checked(i)?;
                self.0 = b.get(1..)?;
                Some(a)
            }
            None => Some(std::mem::take(&mut self.0)),
        }
    }
}

enum Counts {
    All(u32),
    Each(Vec<u32>),
}

impl Counts {
    fn at(&self, i: usize) -> u32 {
        match self {
            Counts::All(n) => *n,
            Counts::Each(v) => v.get(i).copied().unwrap_or(0),
        }
    }
}

fn counts(t: &str) -> Option<Counts> {
    if let Ok(n) = t.parse() {
        return Some(Counts::All(n));
    }
    let mut items = Items::of(t)?;
    let mut v = Vec::with_capacity(MINUTES);
    for _ in 0..MINUTES {
        v.push(u32::try_from(whole(items.next()?)?).ok()?);
    }
    Some(Counts::Each(v))
}
