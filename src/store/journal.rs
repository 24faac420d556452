//! The journal: readings packed for one commit, until they are sealed into pieces.
//!
//! A body holds the readings of one window, signal by signal, so that a reader that wants one signal skips the others. Signals that
//! were read at the same instants share one list of instants.

use super::bytes::{Bytes, put, seal, unseal};
use super::column::{Column, Effort, Grid, MOST, Slot, get_column, get_ints, put_column, put_ints};
use crate::model::{SignalId, Signals};
use std::collections::HashMap;

const FORM: u8 = 1;

/// Readings of one signal in one body.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Group {
    /// Milliseconds after the start of the window.
    pub at: Vec<i64>,
    /// What was read.
    pub slots: Vec<Slot>,
}

/// Packs the readings of one window. `window_s` takes part in the checksum.
pub fn pack(groups: &[(SignalId, Option<Grid>, Group)], window_s: i64) -> Vec<u8> {
    let mut lists: Vec<&[i64]> = vec![];
    let mut number: HashMap<&[i64], usize> = HashMap::new();
    let mut which = Vec::with_capacity(groups.len());
    for (_, _, g) in groups {
        which.push(*number.entry(&g.at).or_insert_with(|| {
            lists.push(&g.at);
            lists.len() - 1
        }));
    }
    let mut out = vec![FORM];
    put(&mut out, lists.len() as u64);
    for l in &lists {
        put(&mut out, l.len() as u64);
        put_ints(&mut out, l, Effort::Quick);
    }
    put(&mut out, groups.len() as u64);
    let mut body = vec![];
    for ((signal, grid, g), list) in groups.iter().zip(which) {
        body.clear();
        put(&mut body, list as u64);
        put_column(&mut body, &g.slots, *grid, Effort::Quick);
        put(&mut out, u64::from(signal.0));
        put(&mut out, body.len() as u64);
        out.extend_from_slice(&body);
    }
    seal(out, window_s)
}

/// A body whose checksum held.
pub struct Packed<'a> {
    lists: Vec<Vec<i64>>,
    groups: usize,
    rest: Bytes<'a>,
}

/// Opens a body; none if it is damaged.
pub fn open(body: &[u8], window_s: i64) -> Option<Packed<'_>> {
    let mut b = Bytes(unseal(body, window_s)?);
    if b.byte()? != FORM {
        return None;
    }
    let n = b.count(MOST)?;
    let mut lists = Vec::with_capacity(n.min(64));
    for _ in 0..n {
        let len = b.count(MOST)?;
        lists.push(get_ints(&mut b, len)?);
    }
    let groups = b.count(MOST)?;
    Some(Packed { lists, groups, rest: b })
}

impl<'a> Packed<'a> {
    /// The next signal's instants and column, if `want` says so of its number; others are skipped. `Some(None)` at the end.
    #[allow(clippy::option_option)] // outer: damage; inner: the end
    pub fn next(&mut self, want: impl Fn(SignalId) -> bool) -> Option<Option<(SignalId, &[i64], Column)>> {
        while self.groups > 0 {
            self.groups -= 1;
            let signal = SignalId(u32::try_from(self.rest.number()?).ok()?);
            let len = self.rest.count(self.rest.0.len())?;
            let body = self.rest.take(len)?;
            if want(signal) {
                let mut b = Bytes(body);
                let list = b.count(self.lists.len())?;
                let at = self.lists.get(list)?;
                let column = get_column(&mut b, at.len())?;
                return Some(Some((signal, at, column)));
            }
        }
        Some(None)
    }
}

/// Adds the numbers of all signals in a body, without unpacking any; a damaged body adds none.
pub fn signals(body: &[u8], window_s: i64, into: &mut std::collections::BTreeSet<SignalId>) {
    let Some(packed) = open(body, window_s) else { return };
    let (mut b, mut left) = (packed.rest, packed.groups);
    while left > 0 {
        left -= 1;
        let Some(n) = b.number().and_then(|n| u32::try_from(n).ok()) else { return };
        let Some(_) = b.count(b.0.len()).and_then(|len| b.take(len)) else { return };
        into.insert(SignalId(n));
    }
}

/// The same readings under other numbers of signals and reasons; none if the body is damaged.
pub fn renumber(
    body: &[u8],
    window_s: i64,
    signal: impl Fn(SignalId) -> SignalId,
    reason: &mut dyn FnMut(u32) -> u32,
    signals: &Signals,
) -> Option<Vec<u8>> {
    let mut packed = open(body, window_s)?;
    let mut groups = vec![];
    while let Some((s, at, column)) = packed.next(|_| true)? {
        let slots = column.slots().map(|slot| match slot {
            Slot::Gone(n) => Slot::Gone(reason(n)),
            known => known,
        });
        let grid = signals.def(s).and_then(|d| Grid::of(d.resolution));
        groups.push((signal(s), grid, Group { at: at.to_vec(), slots: slots.collect() }));
    }
    groups.sort_by_key(|g| g.0);
    Some(pack(&groups, window_s))
}
