//! How often the judgement on many nights is right, over invented seasons whose truth is known: false blame, power, thresholds,
//! entangled signals, remedies. Prints a Markdown table with the Monte-Carlo error beside each figure.
//!
//!     cargo bench --bench calibration                     all cases, 1000 seasons each
//!     cargo bench --bench calibration -- 100 no-cause     100 seasons, cases whose name holds the word
//!     cargo bench --bench calibration -- stores 400       every season through the real engine into a store of its own, and read from
//!                                                         there as `nights` reads it

#![allow(clippy::unwrap_used, clippy::print_stdout)]

use rayon::prelude::*;
use std::time::Instant;
use tilldawn::analysis::causes::{self, Cause, Causes, Progress, Verdict};
use tilldawn::analysis::remedy::{self, RemedyJudgement, RemedyVerdict};
use tilldawn::analysis::season::Season;
use tilldawn::analysis::thermal::means::Stretch;
use tilldawn::model::{Span, UnixMs};
use tilldawn::rehearse::garden::happen;
use tilldawn::rehearse::pier;
use tilldawn::rehearse::run::{GARDEN_STEP, Rehearsal, rehearse};
use tilldawn::rehearse::season::table;
use tilldawn::rehearse::truth::{Case, Onset, TrueRemedy, World};
use tilldawn::report::season::freeze::SEED;
use tilldawn::report::season::{Wish, gather};
use tilldawn::report::settings::Settings;
use tilldawn::store::Reader;

const QUIET: Progress<'static> = &|_, _| {};
const SEASONS: usize = 1000;
/// As many as `nights` makes.
const PERMUTATIONS: usize = 2000;

/// Seeds start here: none from here on was seen while the analysis was being tuned.
const FIRST_SEED: u64 = 20_000;

/// Where the seasons come from.
#[derive(Clone, Copy)]
enum Route {
    /// The tables of the analysis, made straight from the garden.
    Tables,
    /// A store that the real engine and the real writer filled.
    Stores,
}

/// A season whose truth is known.
struct Known {
    season: Season,
    /// The box while the chain was up, where a store was read.
    boxes: Vec<Stretch>,
    level: f64,
    outside_level: f64,
}

fn season(from: Route, case: Case, world: &World, seed: u64) -> Known {
    // The same one either way.
    let g = happen(world, seed, GARDEN_STEP);
    let (season, boxes) = match from {
        Route::Tables => (table(&g, 2, seed), Vec::new()),
        Route::Stores => {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("rehearsed.db");
            let r = Rehearsal {
                step: Span::secs(60),
                idle: 2,
                world: Some(world.clone()),
                ..Rehearsal::of(case, world.nights, seed)
            };
            rehearse(&path, &r, &mut |_| {}).unwrap();
            let reader = Reader::open(&path).unwrap();
            let settings = Settings::from_config(&pier::configuration().unwrap());
            let read = gather(&reader, settings, &Wish::default(), UnixMs(i64::MAX / 4), &|_, _| {}).unwrap();
            (read.season, read.air.boxes)
        }
    };
    Known { season, boxes, level: g.level, outside_level: g.outside_level }
}

fn judged(s: &Season, seed: u64, by_largest: bool) -> Causes {
    causes::judge(
        s,
        &causes::Options { seed, permutations: PERMUTATIONS, by_largest, ..causes::Options::default() },
        QUIET,
    )
}

struct Row {
    what: String,
    asked: String,
    hits: f64,
    of: f64,
    note: String,
}

impl Row {
    fn print(&self) {
        let p = self.hits / self.of;
        // Agresti and Coull's centre keeps the error from being 0 at 0 and 1.
        let q = (self.hits + 2.0) / (self.of + 4.0);
        let se = (q * (1.0 - q) / (self.of + 4.0)).sqrt();
        let (what, asked, note) = (&self.what, &self.asked, &self.note);
        println!("| {what} | {asked} | {:.1} % ± {:.1} | {:.0} | {note} |", 100.0 * p, 100.0 * se, self.of);
    }
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

fn false_blame(from: Route, case: Case, nights: usize, faults: f64, n: usize) {
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

fn power(from: Route, case: Case, faults: f64, between: (usize, usize), asked: &str, n: usize) {
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

fn entangled(from: Route, n: usize) {
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

fn judged_remedy(s: &Season, seed: u64) -> RemedyJudgement {
    let options = remedy::Options { seed, permutations: 199 };
    remedy::judge(s, &Causes::default(), None, &options, QUIET).swap_remove(0)
}

/// The season as it stood on each of the first mornings after a night with the remedy. A store holds the evenings without a session
/// too: they are no mornings to look at.
fn mornings(s: &Season, most: usize) -> Vec<Season> {
    let since = s.remedies[0].since;
    let with = s.usable().into_iter().filter(|&n| s.nights[n].from >= since).take(most);
    with.map(|n| Season { nights: s.nights[..=n].to_vec(), ..s.clone() }).collect()
}

/// The season cut so that it has just so many hard nights on either side; none where it has fewer. Where the rule for hard hours was
/// frozen, it is frozen anew from the nights that are left before: a shorter record would have had no other.
fn cut_to(known: &Known, seed: u64, before: usize, after: usize) -> Option<RemedyJudgement> {
    let mut s = known.season.clone();
    let mut j = judged_remedy(&s, seed);
    // A night gives one hard night at most, so the surplus can go at once.
    while j.before.hard_nights > before {
        s.nights.drain(..=s.usable()[j.before.hard_nights - before - 1]);
        freeze_anew(&mut s, &known.boxes);
        j = judged_remedy(&s, seed);
    }
    while j.after.hard_nights > after {
        let usable = s.usable();
        s.nights.truncate(usable[usable.len() - (j.after.hard_nights - after)]);
        j = judged_remedy(&s, seed);
    }
    (j.after.hard_nights == after && j.before.hard_nights == before).then_some(j)
}

fn freeze_anew(s: &mut Season, boxes: &[Stretch]) {
    if !boxes.is_empty() {
        let since = s.remedies[0].since;
        s.remedies[0].hard_when = remedy::choose_hard(s, since, boxes, SEED);
    }
}

fn helped(j: &RemedyJudgement) -> bool {
    j.verdict == RemedyVerdict::Helped
}

/// Useless remedies, looked at every morning for twenty nights.
fn never_helped(from: Route, case: Case, what: &str, world: &World, n: usize) {
    let got: Vec<(bool, bool, bool, usize, bool)> = (0..n as u64)
        .into_par_iter()
        .map(|i| {
            let s = season(from, case, world, FIRST_SEED + 5000 + i).season;
            let all = mornings(&s, 20);
            // The largest evidence so far is part of the last morning's answer: where that never reached the level, no morning did.
            let last = all.last().map(|s| judged_remedy(s, i));
            let ever = last.as_ref().is_some_and(|j| j.p_value_any_time <= 0.051)
                && all.iter().any(|s| helped(&judged_remedy(s, i)));
            (
                ever,
                last.as_ref().is_some_and(helped),
                last.as_ref().is_some_and(|j| j.verdict == RemedyVerdict::NoSign),
                last.as_ref().map_or(0, |j| j.after.hard_nights),
                last.is_some_and(|j| j.hard_rule.is_some()),
            )
        })
        .collect();
    let hard = got.iter().map(|g| g.3).sum::<usize>() as f64 / n as f64;
    Row {
        what: format!("{what}: `helped` on any of twenty mornings"),
        asked: "≤ 5 %".into(),
        hits: got.iter().filter(|g| g.0).count() as f64,
        of: n as f64,
        note: format!(
            "on the last morning {}, no sign {}; {hard:.1} hard nights by then; a rule for hard hours in {}",
            got.iter().filter(|g| g.1).count(),
            got.iter().filter(|g| g.2).count(),
            got.iter().filter(|g| g.4).count()
        ),
    }
    .print();
}

/// A remedy that cut the rate to a tenth, with so many hard nights on either side.
const SIDES: [(usize, usize, &str); 2] = [(12, 12, "≥ 80 %"), (5, 4, "printed")];

fn tenfold(from: Route, n: usize) {
    let world = Case::RemedyWorks.world(44, 75.0);
    let mut got: [Vec<RemedyJudgement>; 2] = [Vec::new(), Vec::new()];
    let first = FIRST_SEED + 20_000;
    let mut seed = first;
    while got.iter().any(|g| g.len() < n) && seed < first + 20 * n as u64 {
        let batch: Vec<[Option<RemedyJudgement>; 2]> = (seed..seed + 50)
            .into_par_iter()
            .map(|i| {
                let known = season(from, Case::RemedyWorks, &world, i);
                SIDES.map(|(before, after, _)| cut_to(&known, i, before, after))
            })
            .collect();
        for one in batch {
            for (all, j) in got.iter_mut().zip(one) {
                all.extend(j);
            }
        }
        seed += 50;
    }
    for (all, (before, after, asked)) in got.iter_mut().zip(SIDES) {
        all.truncate(n);
        told(all, before, after, asked);
    }
}

fn told(got: &[RemedyJudgement], before: usize, after: usize, asked: &str) {
    let of = got.len() as f64;
    let share = |f: &dyn Fn(&RemedyJudgement) -> f64| got.iter().map(f).sum::<f64>() / of;
    Row {
        what: format!("rate cut to a tenth, {before} hard nights before, {after} after: `helped`"),
        asked: asked.into(),
        hits: got.iter().filter(|j| helped(j)).count() as f64,
        of,
        note: format!(
            "trouble on {:.0} % of hard nights before, {:.0} % after; fixed exact test alone {:.0} %, test of every morning alone \
             {:.0} %; no sign in {:.1} %; no rule for hard hours in {:.0} %, warned in {:.0} %",
            100.0 * share(&|j| j.before.trouble_nights as f64 / before as f64),
            100.0 * share(&|j| j.after.trouble_nights as f64 / after as f64),
            100.0 * share(&|j| f64::from(u8::from(j.p_value <= 0.05))),
            100.0 * share(&|j| f64::from(u8::from(j.p_value_any_time <= 0.05))),
            100.0 * share(&|j| f64::from(u8::from(j.verdict == RemedyVerdict::NoSign))),
            100.0 * share(&|j| f64::from(u8::from(j.hard_rule.is_none()))),
            100.0 * share(&|j| f64::from(u8::from(!j.warnings.is_empty())))
        ),
    }
    .print();
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    let n = args.iter().find_map(|a| a.parse().ok()).unwrap_or(SEASONS);
    let from = if args.iter().any(|a| a == "stores") { Route::Stores } else { Route::Tables };
    let word = args.iter().find(|a| a.parse::<usize>().is_err() && *a != "stores").cloned().unwrap_or_default();
    let on = |name: &str| name.contains(&word);
    // Two threads at most: this runs beside other work.
    rayon::ThreadPoolBuilder::new().num_threads(2).build_global().unwrap();
    let start = Instant::now();
    println!("| case | asked | found | seasons | |\n| --- | --- | --- | --- | --- |");
    if on("no-cause") {
        false_blame(from, Case::NoCause, 25, 20.0, n);
    }
    if on("cooling-wear") {
        false_blame(from, Case::CoolingWear, 25, 20.0, n);
    }
    if on("bad-weeks") {
        false_blame(from, Case::BadWeeks, 25, 20.0, n);
    }
    if on("bursts") {
        false_blame(from, Case::Bursts, 25, 20.0, n);
    }
    if on("cools-after-death") {
        false_blame(from, Case::CoolsAfterDeath, 25, 20.0, n);
    }
    for case in [Case::ColdContact, Case::StarvedProcessor, Case::WeakRadio, Case::MemoryLeak] {
        if on(case.word()) {
            power(from, case, 22.0, (15, usize::MAX), "≥ 85 %; ", n);
            power(from, case, 8.0, (5, 10), "", n);
        }
    }
    if on("cold-and-late") {
        entangled(from, n);
    }
    if on("warm-nights") {
        never_helped(
            from,
            Case::RemedyMetWarmNights,
            "placebo that met warm nights",
            &Case::RemedyMetWarmNights.world(45, 40.0),
            n,
        );
    }
    if on("useless") {
        never_helped(
            from,
            Case::UselessRemedy,
            "useless remedy after the worst run",
            &Case::UselessRemedy.world(45, 40.0),
            n,
        );
    }
    if on("every-morning") {
        let remedy = TrueRemedy { onset: Onset::Night(20), rate_factor: 1.0, warmer_after: 0.0, heats: 0.0 };
        let world = World { remedy: Some(remedy), ..Case::UselessRemedy.world(42, 38.0) };
        never_helped(from, Case::UselessRemedy, "useless remedy on any evening", &world, n);
    }
    if on("tenfold") {
        tenfold(from, n);
    }
    eprintln!("{:.0} s", start.elapsed().as_secs_f64());
}
