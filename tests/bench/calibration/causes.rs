//! How often a signal is blamed that is none, and how often the right one is named.

use crate::{FIRST_SEED, Known, Route, Row, season};
use rayon::prelude::*;
use tilldawn::analysis::causes::{self, Cause, Causes, Verdict};
use tilldawn::analysis::season::Season;
use tilldawn::rehearse::truth::{Case, World};

/// As many as `nights` makes.
const PERMUTATIONS: usize = 2000;

fn judged(s: &Season, seed: u64, by_largest: bool) -> Causes {
    causes::judge(
        s,
        &causes::Options { seed, permutations: PERMUTATIONS, by_largest, ..causes::Options::default() },
        &|_, _| {},
    )
}

/// What one season said about causes.
#[derive(Clone, Default)]
struct Said {
    blamed: Vec<String>,
    named: bool,
    /// What the right signal says when no other is asked about: no search can find more with these permutations.
    asked: bool,
    alone: bool,
    oracle: bool,
    miss: Option<f64>,
}

fn said(from: Route, case: Case, world: &World, seed: u64, oracle: bool) -> Said {
    let Known { season: s, level, outside_level, .. } = season(from, case, world, seed);
    let c = judged(&s, seed, false);
    let blames: Vec<&Cause> = c.causes.iter().filter(|c| c.verdict.blames()).collect();
    let truth = world.driver.signal();
    let is = |n: &str| truth == Some(n);
    // The true signal, or one that is said to have moved with it.
    let naming = |c: &&Cause| is(c.signal.as_str()) || c.inseparable_from.iter().any(|n| is(n.as_str()));
    let named = blames.iter().copied().find(|c| naming(c));
    let oracle = oracle && {
        let c = judged(&s, seed, true);
        c.causes.iter().filter(|c| c.verdict.blames()).any(|c| naming(&c))
    };
    let miss = named.and_then(|c| {
        let at = c.threshold?;
        match c.signal.as_str() {
            "temperature.outside" => Some((at - outside_level).abs()),
            n if is(n) => Some((at - level).abs()),
            _ => None,
        }
    });
    let asked = c
        .causes
        .iter()
        .any(|c| is(c.signal.as_str()) && c.kind.is_none() && c.p_value <= 0.05 && c.p_value_blocked <= 0.05);
    Said {
        asked,
        blamed: blames.iter().map(|c| c.signal.to_string()).collect(),
        named: named.is_some(),
        alone: named.is_some_and(|c| c.verdict == Verdict::GoesWithFaults),
        oracle,
        miss,
    }
}

fn many(from: Route, case: Case, world: &World, seasons: usize, oracle: bool) -> Vec<Said> {
    (0..seasons as u64).into_par_iter().map(|i| said(from, case, world, FIRST_SEED + i, oracle)).collect()
}

pub fn false_blame(from: Route, case: Case, nights: usize, faults: f64, n: usize) {
    let got = many(from, case, &case.world(nights, faults), n, false);
    let mut by: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
    for b in got.iter().flat_map(|s| &s.blamed) {
        *by.entry(b).or_default() += 1;
    }
    let note: Vec<String> = by.iter().map(|(k, v)| format!("{k} {v}")).collect();
    Row {
        what: format!("{}: anything blamed", case.word()),
        asked: "≤ 5 %".into(),
        hits: got.iter().filter(|s| !s.blamed.is_empty()).count() as f64,
        of: n as f64,
        note: note.join(", "),
    }
    .print();
}

pub fn power(from: Route, case: Case, faults: f64, between: (usize, usize), asked: &str, n: usize) {
    let world = World { faults_between: between, ..case.world(25, faults) };
    let got = many(from, case, &world, n, true);
    // What the largest likelihood ratio finds on the same seasons under the same permutations.
    let other = 100.0 * got.iter().filter(|s| s.oracle).count() as f64 / n as f64;
    let mut miss: Vec<f64> = got.iter().filter_map(|s| s.miss).collect();
    miss.sort_by(f64::total_cmp);
    let median = miss.get(miss.len() / 2).copied().unwrap_or(f64::NAN);
    let high = if between.1 > 1000 { "or more".into() } else { format!("to {}", between.1) };
    Row {
        what: format!("{}, 25 nights, {} {high} faults: right signal named", case.word(), between.0),
        asked: format!("{asked}largest likelihood ratio: {other:.1} %"),
        hits: got.iter().filter(|s| s.named).count() as f64,
        of: n as f64,
        note: format!(
            "asked about alone in {}; median miss of the threshold {median:.2}; named by itself in {}",
            got.iter().filter(|s| s.asked).count(),
            got.iter().filter(|s| s.alone).count()
        ),
    }
    .print();
}

pub fn entangled(from: Route, n: usize) {
    let world = World { faults_between: (15, usize::MAX), ..Case::ColdAndLate.world(25, 22.0) };
    let got = many(from, Case::ColdAndLate, &world, n, false);
    let spoke: Vec<&Said> = got.iter().filter(|s| !s.blamed.is_empty()).collect();
    Row {
        what: "cold-and-late: inseparable or the true one, of the seasons where something was blamed".into(),
        asked: "≥ 95 %".into(),
        hits: spoke.iter().filter(|s| s.named).count() as f64,
        of: spoke.len() as f64,
        note: format!("something blamed in {} of {n}", spoke.len()),
    }
    .print();
}
