//! Best thresholds with exact probabilities.
//!
//! Sources: Miller and Siegmund 1982, Biometrics 38:1011–1016; Lausen and Schumacher 1992; Hothorn and Lausen 2003, Comput.
//! Stat. Data Anal. 43:121–137; the O-ring data of Dalal, Fowlkes and Hoadley 1989, J. Am. Stat. Assoc. 84:945–957. Every
//! placement of the faults is also tried out one by one here. Tolerance: counts exact, p 1e-12, z 1e-10.

use crate::data::{close, count, entries, entry, num, nums};
use tilldawn::analysis::causes::{Direction, Options, judge};
use tilldawn::analysis::maxsel::best_cut;
use tilldawn::analysis::permute::{Arrangement, Plan, Records};
use tilldawn::analysis::scan::{Laying, Side, Trace};
use tilldawn::analysis::season::{Rank, Season, SeasonSignal};
use tilldawn::analysis::slicing::{NightPlan, STEP, cut, lay_in};
use tilldawn::model::rows::Bucket;
use tilldawn::model::{FaultKind, Name, Span, Unit, UnixMs};

#[test]
fn every_case_and_every_cut() {
    for e in entries("best_cut", "e-") {
        let (i, w, id) = (e.input(), e.expected(), e.id().to_owned());
        let y: Vec<bool> = nums(&i["y"]).iter().map(|v| *v > 0.5).collect();
        let got = best_cut(&nums(&i["x"]), &y, count(&i["min_group"]) as usize).unwrap();
        let cuts = w["per_cut"].as_array().unwrap();
        assert_eq!(got.cuts.len(), cuts.len(), "{id}");
        for (g, c) in got.cuts.iter().zip(cuts) {
            close(&format!("{id} cut"), g.at, num(&c["cut"]), 0.0, 1e-12);
            close(&format!("{id} z at {}", g.at), g.z, num(&c["z"]), 0.0, 1e-10);
            assert_eq!(g.below as u64, count(&c["n_below"]));
            assert_eq!(g.trouble_below as u64, count(&c["events_below"]));
        }
        close(&format!("{id} largest"), got.largest, num(&w["max_abs_z"]), 0.0, 1e-10);
        assert_eq!(got.best, nums(&w["best_cuts"]), "{id}");
        close(&format!("{id} p"), got.p, num(&w["two_sided"]["p"]), 1e-12, 1e-12);
        let below = num(&w["one_sided_more_faults_below"]["p"]);
        close(&format!("{id} p below"), got.p_below, below, 1e-12, 1e-12);
    }
}

/// Tries every placement of the faults of a small case.
#[test]
fn brute_force_agrees() {
    for e in entries("best_cut", "e-n") {
        let (i, w) = (e.input(), e.expected());
        let x = nums(&i["x"]);
        let least = count(&i["min_group"]) as usize;
        let observed: Vec<bool> = nums(&i["y"]).iter().map(|v| *v > 0.5).collect();
        let faults = observed.iter().filter(|y| **y).count() as u32;
        let largest = best_cut(&x, &observed, least).unwrap().largest;
        let (mut reach, mut all) = (0u64, 0u64);
        for mask in 0u32..1 << x.len() {
            if mask.count_ones() == faults {
                let y: Vec<bool> = (0..x.len()).map(|k| mask >> k & 1 == 1).collect();
                all += 1;
                reach += u64::from(best_cut(&x, &y, least).unwrap().largest >= largest - 1e-9);
            }
        }
        assert_eq!(all, count(&w["two_sided"]["permutations_total"]), "{}", e.id());
        assert_eq!(reach, count(&w["two_sided"]["permutations_as_or_more_extreme"]), "{}", e.id());
    }
}

/// The same question asked of the machinery that changes nights about, with 23 nights of equal length.
#[test]
fn changing_nights_about_gives_the_exact_probability_of_the_o_ring_cut() {
    let e = entry("best_cut", "e-oring");
    let x = nums(&e.input()["x"]);
    let y = nums(&e.input()["y"]);
    let n = x.len();
    let r = Records {
        hours: vec![6.0; n],
        slice_hours: vec![6.0; n],
        first_slice: (0..=n).collect(),
        faults: (0..n).filter(|&i| y[i] > 0.5).map(|i| (i, i)).collect(),
    };
    let plan = Plan { strata: vec![0; n], rate: vec![1.0; n] };
    let t = Trace::new(&r, &x, usize::MAX, 0.0, Side::Both, Laying::Moved);
    assert!(t.constant);
    let all = r.arrangements(&plan, 60_000, 1986);
    let u = t.excess(&r, &plan, &all, &vec![true; r.faults.len()]);
    let z = t.standardised(&u, &t.spread(&u));
    close("largest z", z[0], num(&e.expected()["max_abs_z"]), 0.01, 0.0);
    // The spread is estimated from the arrangements, so ties of the statistic need a slack wider than its error.
    let p = z.iter().filter(|v| **v >= z[0] * (1.0 - 2e-3)).count() as f64 / z.len() as f64;
    let exact = num(&e.expected()["two_sided"]["p"]);
    // Four standard errors of 60,000 draws.
    close("p", p, exact, 0.0, 4.0 * (exact / 60_000.0).sqrt());
}

/// The same nights as a season, through the judgement itself: exact p, best cut, and the published logistic fits.
#[test]
fn a_season_of_23_nights_gives_the_published_fit_and_the_exact_p() {
    let e = entry("best_cut", "e-oring");
    let (x, y) = (nums(&e.input()["x"]), nums(&e.input()["y"]));
    let name = Name::new("temperature.outside").unwrap();
    let nights = x
        .iter()
        .zip(&y)
        .enumerate()
        .map(|(i, (&t, &fault))| {
            let at = |m: i64| UnixMs(i as i64 * 86_400_000 + m * 60_000);
            let bad = fault > 0.5;
            let mut night = cut(
                NightPlan {
                    date: format!("night {i}"),
                    day: i as i32,
                    from: at(0),
                    session: true,
                    watched: true,
                    dark_hours: 4.0,
                    session_hours: 4.0,
                    at_risk: vec![(at(0), at(if bad { 235 } else { 240 }))],
                    faults: if bad { vec![(at(235), FaultKind::Device, "seal".into())] } else { vec![] },
                    incidents: usize::from(bad),
                },
                STEP,
            );
            let bucket = Bucket { from: at(0), to: at(1), min: t, mean: t, max: t, count: 30, unavailable: 0 };
            lay_in(&mut night, &[bucket], Span::mins(240));
            night
        })
        .collect();
    let signal = SeasonSignal {
        name: name.clone(),
        unit: Unit::None,
        what: "temperature".into(),
        rank: Rank::Short,
        beyond_reach: true,
    };
    let season = Season { nights, signals: vec![signal], ..Season::default() };
    let causes = judge(&season, &Options { permutations: 400, ..Options::default() }, &|_, _| {});
    let c = causes.causes.iter().find(|c| c.signal == name && c.kind.is_none()).unwrap();
    close("p", c.p_value, num(&e.expected()["two_sided"]["p"]), 1e-12, 1e-12);
    close("best cut", c.threshold.unwrap(), 64.5, 0.0, 1e-12);
    assert_eq!(c.direction, Direction::Below);
    assert_eq!((c.nights.beyond, c.nights.beyond_trouble, c.nights.within, c.nights.within_trouble), (4, 4, 19, 3));
    let m = c.night_model.unwrap();
    // Published: 15.0429 − 0.2322 t; half of the nights at 64.8 (data of Dalal, Fowlkes and Hoadley 1989). Firth 1993: 11.9495 − 0.18604 t.
    close("intercept", m.intercept_unpenalised.unwrap(), 15.0429, 0.0, 5e-5);
    close("slope", m.slope_unpenalised.unwrap(), -0.2322, 0.0, 5e-5);
    close("half point", m.half_point.unwrap(), 64.8, 0.0, 0.05);
    close("penalised intercept", m.intercept, 11.949_515_132_941_85, 0.0, 1e-5);
    close("penalised slope", m.slope, -0.186_041_915_523_786_9, 0.0, 1e-5);
}

/// Every placement of three troubled nights among seven, one by one, against permutations drawn at random: the averaged likelihood
/// ratio has the same tail.
#[test]
fn every_placement_agrees_with_drawn_ones() {
    let n = 7;
    let r = Records {
        hours: vec![2.0; n],
        slice_hours: vec![2.0; n],
        first_slice: (0..=n).collect(),
        faults: vec![(0, 0), (1, 1), (3, 3)],
    };
    let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
    let plan = Plan { strata: vec![0; n], rate: vec![1.0; n] };
    let t = Trace::new(&r, &x, usize::MAX, 0.0, Side::Both, Laying::Moved);
    let one = |a: &[Arrangement]| t.averaged(&r, &plan, a, &[vec![true; 3]]).swap_remove(0);
    let observed = one(&[r.observed()])[0];
    let (mut reach, mut all) = (0, 0);
    for mask in 0u32..1 << n {
        if mask.count_ones() == 3 {
            let to: Vec<u32> = (0..n as u32).filter(|k| mask >> k & 1 == 1).collect();
            let a = Arrangement { record: (0..n as u32).collect(), moved: to.clone(), dealt: to };
            all += 1;
            reach += u32::from(one(&[a])[0] >= observed - 1e-9);
        }
    }
    assert_eq!(all, 35);
    let drawn = one(&r.arrangements(&plan, 40_000, 8));
    let p = drawn.iter().filter(|v| **v >= observed - 1e-9).count() as f64 / drawn.len() as f64;
    let exact = f64::from(reach) / 35.0;
    close("p", p, exact, 0.0, 4.0 * (exact / 40_000.0).sqrt());
}
