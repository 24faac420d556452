//! How often a useless remedy is said to have helped, and how often a true one is.

use crate::{FIRST_SEED, Known, Route, Row, season};
use rayon::prelude::*;
use tilldawn::analysis::causes::Causes;
use tilldawn::analysis::remedy::{self, RemedyJudgement, RemedyVerdict};
use tilldawn::analysis::season::Season;
use tilldawn::analysis::thermal::means::Stretch;
use tilldawn::rehearse::truth::{Case, World};
use tilldawn::report::season::freeze::SEED;

fn judged_remedy(s: &Season, seed: u64) -> RemedyJudgement {
    let options = remedy::Options { seed, permutations: 199 };
    remedy::judge(s, &Causes::default(), None, &options, &|_, _| {}).swap_remove(0)
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
pub fn never_helped(from: Route, case: Case, what: &str, world: &World, n: usize) {
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

pub fn tenfold(from: Route, n: usize) {
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
