//! What one part of a configuration says of another: names that must exist, circles in `leans_on`, two things of one name.

use super::error::{Errors, nearest};
use super::model::Config;
use crate::model::Name;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// What a reference must lead to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Want {
    /// A watched thing.
    Thing,
    /// A program or a device.
    Chain,
    /// An action.
    Action,
}

struct Reference {
    key: String,
    at: Range<usize>,
    to: Name,
    want: Want,
    /// The thing that leans, for `leans_on`.
    from: Option<Name>,
}

/// All references of a text, gathered while it is read and checked at its end.
#[derive(Default)]
pub(super) struct References {
    things: BTreeMap<Name, Range<usize>>,
    off: BTreeSet<Name>,
    all: Vec<Reference>,
}

impl References {
    /// Notes where a thing is described.
    pub fn thing(&mut self, name: Name, at: Range<usize>) {
        self.things.insert(name, at);
    }

    /// Notes a thing that is described but not watched for now: whoever refers to it is right to.
    pub fn off(&mut self, name: Name) {
        self.off.insert(name);
    }

    /// Whether a thing is described, though perhaps not watched for now, or in a way that is an error of its own.
    pub fn described(&self, name: &Name) -> bool {
        self.off.contains(name) || self.things.contains_key(name)
    }

    /// Notes a reference.
    pub fn add(&mut self, key: String, at: Range<usize>, to: Name, want: Want, from: Option<Name>) {
        self.all.push(Reference { key, at, to, want, from });
    }

    /// Checks all references. Without a sound text (`sound`), unknown names may be a consequence of what is broken, and
    /// are not reported.
    pub fn check(&self, errors: &Errors<'_>, c: &Config, sound: bool) {
        let watched: BTreeSet<&Name> = c.things().into_iter().map(|(n, _)| n).collect();
        if sound {
            for r in &self.all {
                self.exists(r, errors, c, &watched);
            }
        }
        self.circles(errors);
        self.titles(errors, c);
    }

    /// Takes what is described but not watched for now out of the chain and out of what others lean on.
    pub fn prune(&self, c: &mut Config) {
        let there = |n: &Name| !self.off.contains(n);
        c.session.chain.retain(there);
        c.programs.iter_mut().for_each(|t| t.leans_on.retain(there));
        c.devices.iter_mut().for_each(|t| t.leans_on.retain(there));
        c.links.iter_mut().for_each(|t| t.leans_on.retain(there));
        c.frames.iter_mut().for_each(|t| t.leans_on.retain(there));
        c.logs.iter_mut().filter(|l| l.of.as_ref().is_some_and(|n| !there(n))).for_each(|l| l.of = None);
        c.rules.iter_mut().filter(|r| r.action.as_ref().is_some_and(|n| !there(n))).for_each(|r| r.action = None);
    }

    fn exists(&self, r: &Reference, errors: &Errors<'_>, c: &Config, watched: &BTreeSet<&Name>) {
        let known: Vec<&str> = match r.want {
            Want::Thing => watched.iter().map(|n| n.as_str()).chain(self.things.keys().map(Name::as_str)).collect(),
            Want::Chain => {
                self.things.keys().filter(|n| matches!(n.kind(), "program" | "device")).map(Name::as_str).collect()
            }
            Want::Action => c.actions.iter().map(|a| a.name.as_str()).collect(),
        };
        if known.contains(&r.to.as_str())
            || self.off.contains(&r.to)
            || self.things.contains_key(&r.to) && r.want != Want::Chain
        {
            return;
        }
        let (what, expected) = match r.want {
            Want::Thing => ("watched thing", "the name of something that is watched"),
            Want::Chain => ("program or device", "programs and devices that are watched"),
            Want::Action => ("action", "the name of an [action.…]"),
        };
        let listed = match known.len() {
            0 => String::from(" (there is none)"),
            1..=12 => format!(": {}", known.join(", ")),
            n => format!(" ({n} are known)"),
        };
        let remedy = match nearest(r.to.as_str(), known.iter().copied()) {
            Some(near) => format!("write `{near}`"),
            None => format!("describe it under [{}], or take it out", r.to),
        };
        errors.add(&r.at, &r.key, format!("there is no {what} `{}`", r.to), format!("{expected}{listed}"), remedy);
    }

    /// Reports each circle of `leans_on` once, with the whole way round.
    fn circles(&self, errors: &Errors<'_>) {
        let mut leans: BTreeMap<&Name, Vec<&Reference>> = BTreeMap::new();
        for r in &self.all {
            if let Some(from) = &r.from {
                leans.entry(from).or_default().push(r);
            }
        }
        // A walk in depth with its own stack, so that a long chain cannot exhaust the thread's.
        let mut done: BTreeSet<&Name> = BTreeSet::new();
        for &start in leans.keys() {
            let mut way: Vec<(&Name, usize)> = vec![(start, 0)];
            let mut on_way: BTreeSet<&Name> = BTreeSet::from([start]);
            while let Some((here, next)) = way.pop() {
                if done.contains(here) {
                    on_way.remove(here);
                    continue;
                }
                let Some(r) = leans.get(here).and_then(|all| all.get(next)) else {
                    done.insert(here);
                    on_way.remove(here);
                    continue;
                };
                way.push((here, next + 1));
                if on_way.contains(&r.to) {
                    let from = way.iter().position(|(n, _)| **n == r.to).unwrap_or(0);
                    let mut round: Vec<&str> = way[from..].iter().map(|(n, _)| n.as_str()).collect();
                    round.push(r.to.as_str());
                    errors.add(
                        &r.at,
                        &r.key,
                        format!("these lean on each other in a circle: {}", round.join(" → ")),
                        "a chain with a beginning: what leans on nothing comes first",
                        "take one of these leans_on out",
                    );
                } else {
                    on_way.insert(&r.to);
                    way.push((&r.to, 0));
                }
            }
        }
    }

    /// Reports things that are called alike, since an alarm must say which is meant.
    fn titles(&self, errors: &Errors<'_>, c: &Config) {
        let mut called: BTreeMap<String, &Name> = BTreeMap::new();
        for (name, title) in c.things() {
            let Some(first) = called.insert(title.to_lowercase(), name) else {
                continue;
            };
            if let Some(at) = self.things.get(name).or_else(|| self.things.get(first)) {
                errors.add(
                    at,
                    name.as_str(),
                    format!("`{first}` and `{name}` are both called `{title}`"),
                    "a title of its own for each thing",
                    "give one of them another title",
                );
            }
        }
    }
}
