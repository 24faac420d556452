//! Signals: measured quantities, and the table that gives each a small number.

use super::{Name, Unit};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Number of a signal; the same in memory and in the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SignalId(pub u32);

/// A table by signal. It is looked into for each reading of each cycle, and its keys are the program's own: a quick hash does.
pub type BySignal<T> = HashMap<SignalId, T, foldhash::fast::FixedState>;

/// What a signal is. Readings are rounded to `resolution` at the probe and lie within `low..=high`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SignalDef {
    /// `kind.name` or `kind.name.quantity`.
    pub name: Name,
    /// Unit of stored values.
    pub unit: Unit,
    /// Step that readings are rounded to, in the unit; always positive.
    pub resolution: f64,
    /// Smallest possible value, in the unit.
    pub low: f64,
    /// Largest possible value, in the unit.
    pub high: f64,
    /// What it means, one plain phrase ("box air temperature").
    pub what: String,
    /// Where a temperature or humidity is taken: `box`, `outside`, `component` or a name; empty for other signals.
    #[serde(default)]
    pub place: String,
}

impl SignalDef {
    /// A definition with the whole number line as its range.
    pub fn new(name: Name, unit: Unit, resolution: f64, what: impl Into<String>) -> SignalDef {
        SignalDef { name, unit, resolution, low: f64::MIN, high: f64::MAX, what: what.into(), place: String::new() }
    }
    /// The same with a stated range.
    pub fn within(mut self, low: f64, high: f64) -> SignalDef {
        (self.low, self.high) = (low, high);
        self
    }
    /// The same with a place.
    pub fn at(mut self, place: impl Into<String>) -> SignalDef {
        self.place = place.into();
        self
    }
    /// `value` rounded to the resolution.
    pub fn round(&self, value: f64) -> f64 {
        // Dividing by a whole number of steps a unit keeps 0.1 steps exact (14.6 stays 14.6, not 14.600000000000001).
        let per = 1.0 / self.resolution;
        if per >= 1.0 && (per - per.round()).abs() < 1e-9 {
            (value * per.round()).round() / per.round()
        } else {
            (value / self.resolution).round() * self.resolution
        }
    }
}

/// The table of signals, shared by probes, engine, store and views. Entries are only ever added.
#[derive(Clone, Debug, Default)]
pub struct Signals(Arc<Mutex<Table>>);

#[derive(Debug, Default)]
struct Table {
    defs: Vec<(SignalId, Arc<SignalDef>)>,
    by_name: HashMap<Name, usize>,
    by_id: BySignal<usize>,
    next: u32,
}

impl Signals {
    /// An empty table.
    pub fn new() -> Signals {
        Signals::default()
    }

    /// A table that continues the numbers of a store.
    pub fn from_rows(rows: impl IntoIterator<Item = (SignalId, SignalDef)>) -> Signals {
        let all = Signals::new();
        {
            let mut t = all.table();
            for (id, def) in rows {
                t.put(id, def);
            }
        }
        all
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        // The table is only ever appended to, so a panic elsewhere cannot leave it half made.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The number of this signal, given now if it has none. A known name keeps its number and takes the new definition.
    pub fn register(&self, def: SignalDef) -> SignalId {
        let mut t = self.table();
        if let Some(&i) = t.by_name.get(&def.name) {
            if *t.defs[i].1 != def {
                t.defs[i].1 = Arc::new(def);
            }
            return t.defs[i].0;
        }
        let id = SignalId(t.next.max(1));
        t.put(id, def);
        id
    }

    /// The number of a name, if known.
    pub fn id(&self, name: &Name) -> Option<SignalId> {
        let t = self.table();
        t.by_name.get(name).map(|&i| t.defs[i].0)
    }

    /// The definition of a number, if known.
    pub fn def(&self, id: SignalId) -> Option<Arc<SignalDef>> {
        let t = self.table();
        t.by_id.get(&id).map(|&i| t.defs[i].1.clone())
    }

    /// How many there are; grows only, so a change means new signals.
    pub fn len(&self) -> usize {
        self.table().defs.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// All entries from the `from`th on, in the order in which they were added.
    pub fn since(&self, from: usize) -> Vec<(SignalId, Arc<SignalDef>)> {
        self.table().defs.get(from..).map(<[_]>::to_vec).unwrap_or_default()
    }

    /// All entries, in the order in which they were added.
    pub fn all(&self) -> Vec<(SignalId, Arc<SignalDef>)> {
        self.since(0)
    }
}

impl Table {
    fn put(&mut self, id: SignalId, def: SignalDef) {
        let i = self.defs.len();
        self.by_name.insert(def.name.clone(), i);
        self.by_id.insert(id, i);
        self.defs.push((id, Arc::new(def)));
        self.next = self.next.max(id.0 + 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_stay_and_continue() {
        let def = |n: &str| SignalDef::new(Name::new(n).unwrap(), Unit::Celsius, 0.1, "test");
        let s = Signals::from_rows([(SignalId(7), def("temperature.box"))]);
        assert_eq!(s.register(def("temperature.box")), SignalId(7));
        assert_eq!(s.register(def("temperature.outside")), SignalId(8));
        assert_eq!(s.since(1).len(), 1);
        assert_eq!(def("temperature.box").round(14.649), 14.6);
    }
}
