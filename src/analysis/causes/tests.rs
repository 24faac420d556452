//! Small seasons whose answer is known.

use super::*;
use crate::analysis::draw::Draw;
use crate::analysis::season::{Night, SeasonSignal};
use crate::analysis::slicing::{HOLD, NightPlan, STEP, cut, lay_in};
use crate::model::rows::Bucket;
use crate::model::{Name, Span, Unit, UnixMs};

const QUIET: Progress<'static> = &|_, _| {};

fn signal(name: &str, beyond_reach: bool) -> SeasonSignal {
    SeasonSignal {
        name: Name::new(name).unwrap(),
        unit: Unit::Celsius,
        what: name.split('.').next_back().unwrap().into(),
        rank: Rank::Short,
        beyond_reach,
    }
}

/// A night of `hours` on day `day`; `values[k](h)` is signal k at hour h; faults at the stated hours, each costing half an hour.
fn night(day: i32, hours: f64, faults: &[(f64, FaultKind)], values: &[&dyn Fn(f64) -> f64]) -> Night {
    let at = |h: f64| UnixMs(i64::from(day) * 86_400_000 + (h * 3_600_000.0) as i64);
    let mut at_risk = Vec::new();
    let mut from = 0.0;
    for (h, _) in faults {
        at_risk.push((at(from), at(*h)));
        from = h + 0.5;
    }
    if from < hours {
        at_risk.push((at(from), at(hours)));
    }
    let mut n = cut(
        NightPlan {
            date: format!("day {day}"),
            day,
            from: at(0.0),
            session: true,
            watched: true,
            dark_hours: hours,
            session_hours: hours,
            at_risk,
            faults: faults.iter().map(|(h, k)| (at(*h), *k, "thing".into())).collect(),
            incidents: faults.len(),
        },
        STEP,
    );
    for v in values {
        let minutes: Vec<Bucket> = (0..(hours * 60.0) as i64)
            .map(|m| {
                let x = v(m as f64 / 60.0);
                let from = at(0.0) + Span::mins(m);
                Bucket { from, to: from + Span::mins(1), min: x, mean: x, max: x, count: 1, unavailable: 0 }
            })
            .collect();
        lay_in(&mut n, &minutes, HOLD);
    }
    n
}

/// Twenty nights; where the box goes below 0 it fails once.
fn cold_season() -> Season {
    cold_season_with(5)
}

fn cold_season_with(seed: u64) -> Season {
    let mut d = Draw::new(seed);
    let nights = (0..20)
        .map(|i| {
            let level = [6.0, -3.0, 4.0, 8.0, -2.0, 5.0, 9.0, -4.0, 3.0, 7.0][i % 10] + 0.1 * i as f64 / 20.0;
            let (a, b) = (d.normal(), d.normal());
            let box_air = move |h: f64| level - 0.2 * h;
            let idle = move |h: f64| a + (h * 3.0 + b).sin();
            let faults: Vec<(f64, FaultKind)> =
                if level < 0.0 { vec![(2.0 + 0.3 * i as f64 % 5.0, FaultKind::Device)] } else { vec![] };
            night(2 * i as i32, 8.0, &faults, &[&box_air, &idle])
        })
        .collect();
    Season {
        nights,
        signals: vec![signal("temperature.outside", true), signal("other.idle", true)],
        ..Season::default()
    }
}

#[test]
fn a_plain_cause_is_named_with_threshold_counts_and_model() {
    let c = judge(&cold_season(), &Options::default(), QUIET);
    let first = &c.causes[0];
    assert_eq!(
        first.signal.as_str(),
        "temperature.outside",
        "{:?}",
        c.causes.iter().map(|c| &c.sentence).collect::<Vec<_>>()
    );
    assert_eq!(first.verdict, Verdict::GoesWithFaults, "{}", first.sentence);
    assert_eq!(first.direction, Direction::Below);
    assert!((-4.5..3.5).contains(&first.threshold.unwrap()), "{:?}", first.threshold);
    assert!(first.p_value < 0.01 && first.p_value_adjusted <= 0.05);
    let m = first.night_model.unwrap();
    // Perfectly separated: the plain fit does not exist, the penalised one does.
    assert!(m.slope < 0.0 && m.slope_unpenalised.is_none() && m.half_point.is_some());
    assert!(first.sentence.starts_with("Outside, cold (below"), "{}", first.sentence);
    assert!(first.sentence.contains("trouble on 6 of 6 nights; warm: 0 of 14"), "{}", first.sentence);
    let idle = c.causes.iter().find(|c| c.signal.as_str() == "other.idle").unwrap();
    assert!(!idle.verdict.blames());
    // Device was the only kind: tested once, as "all".
    assert!(c.causes.iter().all(|c| c.kind.is_none()));
    assert_eq!(c.counted, [KindCount { kind: FaultKind::Device, faults: 6, nights: 6, tested: true }]);
}

#[test]
fn a_signal_without_meaning_is_seldom_blamed() {
    let o = Options { permutations: 300, ..Options::default() };
    let blamed = (0..40)
        .filter(|&i| {
            let c = judge(&cold_season_with(100 + i), &o, QUIET);
            for c in c.causes.iter().filter(|c| c.verdict.blames()) {
                let weakest = c.p_value.max(c.p_value_blocked).max(c.p_value_trend);
                assert!(weakest <= c.p_value_adjusted && c.p_value_adjusted <= 0.05, "all three ways confirm: {c:?}");
            }
            c.causes.iter().any(|c| c.signal.as_str() == "other.idle" && c.verdict.blames())
        })
        .count();
    // 5 % of 40 is 2; more than 7 would happen once in a thousand runs.
    assert!(blamed <= 7, "{blamed}");
}

#[test]
fn the_same_seed_gives_the_same_answer() {
    let s = cold_season();
    let o = Options { permutations: 200, ..Options::default() };
    assert_eq!(format!("{:?}", judge(&s, &o, QUIET)), format!("{:?}", judge(&s, &o, QUIET)));
}

#[test]
fn what_cools_while_a_contact_wears_out_is_told_from_a_cause() {
    // The rate grows by an eighth from night to night, whatever the weather; the weather cools, with a draw of its own each night.
    let mut due = 0.0f64;
    let mut d = Draw::new(8);
    let nights = (0..24)
        .map(|i| {
            let before = due.floor();
            due += 0.09 * (0.12 * f64::from(i)).exp();
            let first = d.between(0.0, 7.5);
            let mut at: Vec<f64> =
                (0..(due.floor() - before) as usize).map(|k| (first + 3.7 * k as f64) % 7.5).collect();
            at.sort_by(f64::total_cmp);
            let faults: Vec<(f64, FaultKind)> = at.into_iter().map(|h| (h, FaultKind::Device)).collect();
            let level = 10.0 - 0.7 * f64::from(i) + 2.0 * d.normal();
            night(2 * i, 8.0, &faults, &[&move |h: f64| level - 0.2 * h])
        })
        .collect();
    let season = Season { nights, signals: vec![signal("temperature.outside", true)], ..Season::default() };
    let c = judge(&season, &Options::default(), QUIET);
    let cold = c.causes.iter().find(|c| c.signal.as_str() == "temperature.outside").unwrap();
    assert!(cold.p_adjusted_free <= 0.05, "the free way takes it for a cause: {}", cold.p_adjusted_free);
    assert!(cold.p_value_trend > 0.05, "{}", cold.p_value_trend);
    assert_eq!(cold.verdict, Verdict::Season, "{}", cold.sentence);
    let blamed: Vec<&str> = c.causes.iter().filter(|c| c.verdict.blames()).map(|c| c.sentence.as_str()).collect();
    assert!(blamed.is_empty(), "{blamed:?}");
}

#[test]
fn a_box_that_cools_because_the_chain_died_is_not_blamed() {
    let mut d = Draw::new(9);
    let nights = (0..24)
        .map(|i| {
            let fails = d.chance(0.5);
            let at = d.between(1.0, 5.0);
            let level = 8.0 + d.normal();
            // Dead chain, cold box: 14 K colder within an hour, and it fails again while cold.
            let box_air = move |h: f64| {
                if fails && h > at { level - 14.0 * (h - at).min(1.0) } else { level + 0.3 * (5.0 * h).sin() }
            };
            let faults: Vec<(f64, FaultKind)> = if fails {
                vec![(at, FaultKind::Device), (at + 1.2, FaultKind::Device), (at + 2.0, FaultKind::Device)]
            } else {
                vec![]
            };
            night(i, 8.0, &faults, &[&box_air])
        })
        .collect();
    let s = Season { nights, signals: vec![signal("temperature.box", false)], ..Season::default() };
    let c = judge(&s, &Options::default(), QUIET);
    let own = c.causes.iter().find(|c| c.signal.as_str() == "temperature.box").unwrap();
    assert!(!own.verdict.blames(), "{own:?}");
    assert_eq!(own.evidence, Evidence::Held);
    // The same readings wrongly declared to be beyond reach would be blamed: the rule is what protects.
    let mut wrong = s;
    wrong.signals[0].beyond_reach = true;
    let c = judge(&wrong, &Options::default(), QUIET);
    assert!(c.causes.iter().find(|c| c.signal.as_str() == "temperature.box").unwrap().p_value < 0.01);
}

#[test]
fn later_faults_count_against_what_stood_before_the_first_if_it_is_steady() {
    let mut d = Draw::new(4);
    let nights = (0..24)
        .map(|i| {
            let bad = i % 3 == 0;
            let level = if bad { -80.0 } else { -60.0 } + d.normal();
            let p = d.between(0.0, 6.0);
            // The radio is gone after the first fault; what it says then must not be heard.
            let radio = move |h: f64| if bad && h > 2.0 { -20.0 } else { level };
            let load = move |h: f64| (h * 2.7 + p).sin();
            let faults: Vec<(f64, FaultKind)> =
                if bad { [2.0, 4.0, 6.0].map(|h| (h, FaultKind::Link)).to_vec() } else { vec![] };
            night(i, 8.0, &faults, &[&radio, &load])
        })
        .collect();
    let signals = vec![signal("link.signal", false), signal("load.cpu", false)];
    let c = judge(&Season { nights, signals, ..Season::default() }, &Options::default(), QUIET);
    let of = |n: &str| c.causes.iter().find(|c| c.signal.as_str() == n).unwrap();
    let (radio, load) = (of("link.signal"), of("load.cpu"));
    assert_eq!((radio.evidence, load.evidence), (Evidence::Held, Evidence::ToFirstFault));
    assert_eq!((radio.verdict, radio.direction), (Verdict::GoesWithFaults, Direction::Below), "{radio:?}");
    assert_eq!((radio.rate_beyond.faults, radio.rate_within.faults), (24, 0), "eight nights of three faults");
    assert!((radio.rate_beyond.hours - 8.0 * 6.5).abs() < 1e-6, "{}", radio.rate_beyond.hours);
    assert_eq!(load.rate_beyond.faults + load.rate_within.faults, 8, "first faults only");
}

#[test]
fn what_moved_together_is_said_to_be_inseparable() {
    let mut s = cold_season();
    for n in &mut s.nights {
        let twin: Vec<f64> = n.values[0].iter().map(|v| v + 9.0).collect();
        n.values.push(twin);
        n.figures.push(n.figures[0].map(|f| crate::analysis::season::Figures {
            minimum: f.minimum + 9.0,
            mean: f.mean + 9.0,
            maximum: f.maximum + 9.0,
        }));
    }
    s.signals.push(signal("temperature.shed", true));
    let c = judge(&s, &Options::default(), QUIET);
    let first = &c.causes[0];
    assert_eq!(first.verdict, Verdict::Inseparable);
    let names: Vec<&str> = first.inseparable_from.iter().map(Name::as_str).chain([first.signal.as_str()]).collect();
    assert!(names.contains(&"temperature.shed") && names.contains(&"temperature.outside"), "{names:?}");
}

#[test]
fn few_nights_and_no_faults_are_said() {
    let mut s = cold_season();
    s.nights.truncate(3);
    assert!(judge(&s, &Options::default(), QUIET).nothing.is_some());
    let mut s = cold_season();
    s.nights.retain(|n| !n.trouble());
    assert!(judge(&s, &Options::default(), QUIET).nothing.unwrap().contains("no fault"));
    let mut s = cold_season();
    s.nights.truncate(5);
    let c = judge(&s, &Options::default(), QUIET);
    assert!(c.causes.iter().all(|c| c.verdict == Verdict::NotEnoughNights), "{c:?}");
    assert!(judge(&Season::default(), &Options::default(), QUIET).nothing.is_some());
}

#[test]
fn no_sign_needs_a_threefold_rate_excluded() {
    // Many faults spread evenly over an idle signal.
    let mut d = Draw::new(2);
    let nights = (0..40)
        .map(|i| {
            let faults: Vec<(f64, FaultKind)> =
                [1.0, 3.0, 5.0, 7.0].iter().map(|h| (h + 0.3 * d.unit(), FaultKind::Link)).collect();
            let p = d.between(0.0, 6.0);
            let idle = move |h: f64| (h * 2.7 + p).sin();
            night(i, 8.0, &faults, &[&idle])
        })
        .collect();
    let s = Season { nights, signals: vec![signal("other.idle", true)], ..Season::default() };
    let c = judge(&s, &Options::default(), QUIET);
    let idle = c.causes.iter().find(|c| c.signal.as_str() == "other.idle").unwrap();
    assert_eq!(idle.verdict, Verdict::NoSign, "{idle:?}");
    assert!(idle.rate_ratio.high < 3.0 || idle.rate_ratio.low > 1.0 / 3.0);
}

#[test]
fn kinds_are_tested_apart_and_rare_ones_only_counted() {
    let mut s = cold_season();
    // Two machine faults beside six device faults.
    for n in s.nights.iter_mut().filter(|n| n.trouble()).take(2) {
        n.faults[0].kind = FaultKind::Machine;
    }
    let c = judge(&s, &Options::default(), QUIET);
    assert!(c.causes.iter().any(|c| c.kind == Some(FaultKind::Device)));
    assert!(c.causes.iter().all(|c| c.kind != Some(FaultKind::Machine)));
    assert!(!c.counted[1].tested && c.counted[1].faults == 2);
    let json = serde_json::to_value(&c).unwrap();
    let kinds: Vec<&str> = json["causes"].as_array().unwrap().iter().map(|c| c["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"all") && kinds.contains(&"device"));
}
