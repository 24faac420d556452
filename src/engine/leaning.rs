//! What leans on what: the graph behind holding back, first-out and grouping.

use crate::model::Name;
use std::collections::{BTreeMap, BTreeSet};

/// The machine itself, on which every watched thing leans.
pub(crate) const MACHINE: &str = "machine.this";

/// The closed graph of `leans_on`. A cycle (refused by the configuration) does no harm here.
#[derive(Clone, Debug, Default)]
pub struct Leaning {
    /// Everything that a thing leans on, directly or through others.
    all: BTreeMap<Name, BTreeSet<Name>>,
    /// Number of the connected part that a thing belongs to. Things that no statement names are not in it.
    part: BTreeMap<Name, usize>,
}

impl Leaning {
    /// From statements "the first leans on the second".
    pub fn new(edges: impl IntoIterator<Item = (Name, Name)>) -> Leaning {
        let mut direct: BTreeMap<Name, BTreeSet<Name>> = BTreeMap::new();
        for (a, b) in edges {
            let (a, b) = (a.thing(), b.thing());
            direct.entry(b.clone()).or_default();
            if a != b {
                direct.entry(a).or_default().insert(b);
            }
        }
        let mut all = BTreeMap::new();
        for a in direct.keys() {
            let mut seen = BTreeSet::new();
            let mut todo: Vec<&Name> = direct[a].iter().collect();
            while let Some(n) = todo.pop() {
                if n != a && seen.insert(n.clone()) {
                    todo.extend(direct.get(n).into_iter().flatten());
                }
            }
            all.insert(a.clone(), seen);
        }
        let mut part: BTreeMap<Name, usize> = direct.keys().cloned().enumerate().map(|(i, n)| (n, i)).collect();
        // Few things, so the simplest closing of the parts will do.
        loop {
            let mut moved = false;
            for (a, bs) in &direct {
                for b in bs {
                    let (pa, pb) = (part[a], part[b]);
                    if pa != pb {
                        part.values_mut().filter(|p| **p == pa.max(pb)).for_each(|p| *p = pa.min(pb));
                        moved = true;
                    }
                }
            }
            if !moved {
                return Leaning { all, part };
            }
        }
    }

    /// Whether `a` leans on `b`, directly or through others. Everything but the machine leans on the machine.
    pub fn leans(&self, a: &Name, b: &Name) -> bool {
        if b.as_str() == MACHINE {
            return a.as_str() != MACHINE;
        }
        self.all.get(a).is_some_and(|s| s.contains(b))
    }

    /// On how many things it leans, directly or through others. What is leaned on has a smaller number than what leans on it.
    pub fn depth(&self, a: &Name) -> u32 {
        self.all.get(a).map_or(0, |s| s.len() as u32)
    }

    /// Whether one of the two leans on the other.
    pub fn related(&self, a: &Name, b: &Name) -> bool {
        self.leans(a, b) || self.leans(b, a)
    }

    /// Whether statements place both, and in parts that have nothing to do with each other.
    pub fn apart(&self, a: &Name, b: &Name) -> bool {
        match (self.part.get(a), self.part.get(b)) {
            (Some(x), Some(y)) => x != y,
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn n(t: &str) -> Name {
        Name::new(t).unwrap()
    }

    #[test]
    fn closes_over_others_and_survives_a_cycle() {
        let l = Leaning::new([
            (n("program.camera"), n("program.mount")),
            (n("program.mount"), n("device.cable")),
            (n("link.house"), n("interface.wlan0")),
        ]);
        assert!(l.leans(&n("program.camera"), &n("device.cable")));
        assert!(!l.leans(&n("device.cable"), &n("program.camera")));
        assert!(l.related(&n("device.cable"), &n("program.camera")));
        assert!(l.apart(&n("program.camera"), &n("link.house")));
        assert!(!l.apart(&n("program.camera"), &n("device.cable")));
        assert!(!l.apart(&n("program.camera"), &n("program.unnamed")), "not placed: nothing is known");
        assert!(l.leans(&n("link.house"), &n(MACHINE)) && !l.leans(&n(MACHINE), &n("link.house")));
        let c = Leaning::new([(n("a.a"), n("b.b")), (n("b.b"), n("a.a"))]);
        assert!(c.leans(&n("a.a"), &n("b.b")) && !c.leans(&n("a.a"), &n("a.a")));
    }
}
