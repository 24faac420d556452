//! Small seasons whose answer is known.

use super::*;
use crate::analysis::gamma_poisson;
use crate::analysis::season::{Fault, Figures, Night, NightKind, Rank, SeasonSignal, Slice};
use crate::model::{FaultKind, Name, Unit};

const QUIET: Progress<'static> = &|_, _| {};

/// A night with one outside level all through, eight hours, at most one fault, at an hour that changes from night to night.
fn night(day: i32, outside: f64, fault: bool) -> Night {
    let from = UnixMs(i64::from(day) * 86_400_000);
    let hour = 3_600_000;
    let bad = i64::from(day * 3 % 8);
    let slices: Vec<Slice> = (0..8)
        .map(|h| Slice {
            from: UnixMs(from.0 + h * hour),
            to: UnixMs(from.0 + (h + 1) * hour),
            hours: 1.0,
            since_start: h as f64 + 0.5,
            after_fault: fault && h > bad,
        })
        .collect();
    let at = slices[bad as usize].to;
    let faults = if fault {
        vec![Fault {
            at,
            since_start: bad as f64 + 1.0,
            kind: FaultKind::Device,
            thing: "device.camera".into(),
            slice: Some(bad as usize),
        }]
    } else {
        vec![]
    };
    Night {
        date: format!("day {day}"),
        day,
        from,
        kind: if fault { NightKind::Trouble } else { NightKind::Quiet },
        dark_hours: 8.0,
        session_hours: 8.0,
        at_risk_hours: 8.0,
        faults,
        incidents: usize::from(fault),
        values: vec![vec![outside; 8], vec![outside + 9.0; 8]],
        figures: vec![
            Some(Figures { minimum: outside, mean: outside, maximum: outside }),
            Some(Figures { minimum: outside + 9.0, mean: outside + 9.0, maximum: outside + 9.0 }),
        ],
        slices,
    }
}

fn remedy(since_day: i32) -> RemedyRow {
    RemedyRow {
        id: 1,
        name: "heating pad, low".into(),
        added: UnixMs(i64::from(since_day) * 86_400_000),
        since: UnixMs(i64::from(since_day) * 86_400_000),
        until: None,
        only_nights: vec![],
        hard_when: None,
        record_before: Span::ZERO,
        hindsight: false,
    }
}

/// `before` and `after`: outside level and trouble of each night.
fn season(before: &[(f64, bool)], after: &[(f64, bool)]) -> Season {
    let signal = |n: &str, beyond_reach| SeasonSignal {
        name: Name::new(n).unwrap(),
        unit: Unit::Celsius,
        what: n.into(),
        rank: Rank::Short,
        beyond_reach,
    };
    Season {
        nights: before.iter().chain(after).enumerate().map(|(i, (x, t))| night(i as i32, *x, *t)).collect(),
        signals: vec![signal("temperature.outside", true), signal("temperature.box", false)],
        remedies: vec![remedy(before.len() as i32)],
        changes: vec![],
    }
}

/// Cold nights with trouble but two, warm ones without, mixed.
fn winter() -> Vec<(f64, bool)> {
    (0..20)
        .map(|i| {
            if i % 3 == 0 { (6.0 + f64::from(i) * 0.1, false) } else { (-4.0 + f64::from(i) * 0.05, i != 7 && i != 16) }
        })
        .collect()
}

fn cold(n: usize, trouble: usize) -> Vec<(f64, bool)> {
    (0..n).map(|i| (-4.0 + i as f64 * 0.05, i < trouble)).collect()
}

#[test]
fn a_cure_on_equally_hard_nights_helped() {
    let s = season(&winter(), &cold(10, 0));
    let j = &judge(&s, &Causes::default(), None, &Options::default(), QUIET)[0];
    assert_eq!(j.verdict, RemedyVerdict::Helped, "{j:#?}");
    assert_eq!((j.before.hard_nights, j.before.trouble_nights, j.after.hard_nights), (13, 11, 10));
    assert!(j.before_without_last.hard_nights < 13);
    assert!(j.p_value < 0.001 && j.p_value_any_time <= 0.05 && j.probability_fewer.unwrap() > 0.99);
    assert!(j.hard_when.starts_with("temperature.outside < "), "{}", j.hard_when);
    assert!(
        j.sentences[0].contains("trouble on 11 of 13 hard nights; since then: trouble on 0 of 10"),
        "{}",
        j.sentences[0]
    );
    let json = serde_json::to_value(j).unwrap();
    for key in [
        "name",
        "since",
        "hindsight",
        "before",
        "after",
        "hard_when",
        "rate_ratio",
        "p_value",
        "p_value_any_time",
        "probability_fewer",
        "nights_still_needed",
        "verdict",
    ] {
        assert!(json.get(key).is_some(), "{key}");
    }
    assert_eq!(json["verdict"], "helped");
}

#[test]
fn warm_nights_are_no_cure() {
    let after: Vec<(f64, bool)> = (0..12).map(|i| (5.0 + f64::from(i) * 0.3, false)).collect();
    let j = &judge(&season(&winter(), &after), &Causes::default(), None, &Options::default(), QUIET)[0];
    assert!(matches!(j.verdict, RemedyVerdict::TooEarly(Some(n)) if n > 0), "{:?}", j.verdict);
    assert_eq!(j.after.hard_nights, 0);
    assert!(j.verdict.words().starts_with("too early to say (about "));
}

#[test]
fn too_early_counts_the_nights_that_are_needed() {
    let one = |n: usize| {
        judge(&season(&winter(), &cold(n, 0)), &Causes::default(), None, &Options::default(), QUIET)[0].clone()
    };
    let RemedyVerdict::TooEarly(Some(n)) = one(2).verdict else { panic!("{:?}", one(2).verdict) };
    assert_eq!(one(2 + n).verdict, RemedyVerdict::Helped);
    assert!(matches!(one(1 + n).verdict, RemedyVerdict::TooEarly(Some(1))));
}

#[test]
fn trouble_as_before_is_no_sign_and_much_more_is_worse() {
    let j = &judge(&season(&winter(), &cold(8, 7)), &Causes::default(), None, &Options::default(), QUIET)[0];
    assert_eq!(j.verdict, RemedyVerdict::NoSign, "{j:#?}");
    let before: Vec<(f64, bool)> = (0..16).map(|i| (-4.0 + f64::from(i) * 0.05, i == 3)).collect();
    let mut s = season(&before, &cold(10, 9));
    s.remedies[0].hard_when =
        Some(HardWhen { signal: Name::new("temperature.outside").unwrap(), below: true, limit: 1.0 });
    let j = &judge(&s, &Causes::default(), None, &Options::default(), QUIET)[0];
    assert_eq!(j.verdict, RemedyVerdict::MadeWorse, "{j:#?}");
    assert_eq!(j.hard_source, HardSource::Stated);
}

#[test]
fn no_fault_before_is_nothing_to_compare() {
    let before: Vec<(f64, bool)> = (0..10).map(|i| (f64::from(i), false)).collect();
    let j = &judge(&season(&before, &cold(5, 0)), &Causes::default(), None, &Options::default(), QUIET)[0];
    assert_eq!(j.verdict, RemedyVerdict::NothingToCompare);
    assert_eq!(j.hard_source, HardSource::AllHours);
}

#[test]
fn a_signal_that_the_remedy_moved_is_refused() {
    let mut s = season(&winter(), &cold(10, 0));
    for n in &mut s.nights[20..] {
        n.figures[1] = Some(Figures { minimum: 14.0, mean: 15.0, maximum: 16.0 });
    }
    let since = s.remedies[0].since;
    let rule = |n: &str| HardWhen { signal: Name::new(n).unwrap(), below: true, limit: 5.0 };
    assert!(matches!(check_hard(&s, &rule("temperature.box"), since), Err(HardWhenRefused::Shifted { .. })));
    assert!(matches!(check_hard(&s, &rule("temperature.attic"), since), Err(HardWhenRefused::Unknown(_))));
    assert!(check_hard(&s, &rule("temperature.outside"), since).is_ok());
    s.remedies[0].hard_when = Some(rule("temperature.box"));
    let j = &judge(&s, &Causes::default(), None, &Options::default(), QUIET)[0];
    assert_ne!(j.verdict, RemedyVerdict::Helped);
    assert!(j.warnings.iter().any(|w| w.contains("not to be trusted")));
}

#[test]
fn the_frozen_rule_does_not_depend_on_what_came_after() {
    let since = UnixMs(20 * 86_400_000);
    let a = choose_hard(&season(&winter(), &cold(10, 0)), since, &[], 1).unwrap();
    let b = choose_hard(&season(&winter(), &cold(4, 4)), since, &[], 1).unwrap();
    assert_eq!(a, b);
    assert!(a.below && (-3.2..6.0).contains(&a.limit), "{a:?}");
}

#[test]
fn changes_are_rivals_and_judged_with_hindsight() {
    let mut s = season(&winter(), &cold(10, 0));
    let change = |day: i64, what: &str| ChangeRow {
        at: UnixMs(day * 86_400_000 - 1000),
        what: what.into(),
        old: "1.0".into(),
        new: "1.1".into(),
    };
    s.changes = vec![change(20, "program.mount version"), change(20, "kernel"), change(0, "kernel")];
    let j = judge(&s, &Causes::default(), None, &Options { permutations: 300, ..Options::default() }, QUIET);
    assert_eq!(j.len(), 2);
    assert!(
        j[0].rivals.len() == 2 && j[0].warnings.iter().any(|w| w.contains("kernel 1.0 → 1.1")),
        "{:?}",
        j[0].warnings
    );
    assert_eq!(j[1].origin, Origin::Change);
    assert!(j[1].hindsight && j[1].name.contains("program.mount version 1.0 → 1.1; kernel"));
    assert!(j[1].p_value < 0.05, "{}", j[1].p_value);
}

/// Hours of the night from `hard` on are warm; the fault, if any, stays where it was.
fn thaw(night: &mut Night, hard: usize) {
    for v in &mut night.values[0][hard..] {
        *v = 6.0;
    }
}

#[test]
fn a_night_that_was_hard_for_an_hour_and_quiet_is_no_hard_night_beside_long_ones() {
    let mut s = season(&cold(10, 6), &cold(6, 3));
    s.remedies[0].hard_when =
        Some(HardWhen { signal: Name::new("temperature.outside").unwrap(), below: true, limit: 1.0 });
    let judged = |s: &Season| judge(s, &Causes::default(), None, &Options::default(), QUIET).swap_remove(0);
    let j = judged(&s);
    assert_eq!((j.before.hard_nights, j.after.hard_nights, j.hard_night_hours), (10, 6, 2.0));
    // One quiet night on either side touches the rule for an hour, two for two hours.
    thaw(&mut s.nights[9], 1);
    thaw(&mut s.nights[15], 1);
    thaw(&mut s.nights[14], 2);
    let j = judged(&s);
    assert_eq!((j.before.hard_nights, j.after.hard_nights), (9, 5));
    assert_eq!((j.before.trouble_nights, j.after.trouble_nights), (6, 3));
    // A night with trouble in its only hard hour stays one.
    assert_eq!(s.nights[0].faults[0].slice, Some(0));
    thaw(&mut s.nights[0], 1);
    let j = judged(&s);
    assert_eq!((j.before.hard_nights, j.before.trouble_nights), (9, 6));
    // Where all nights are short, an hour is what a hard night has.
    for n in &mut s.nights {
        thaw(n, 1);
        n.faults.retain(|f| f.slice == Some(0));
    }
    let j = judged(&s);
    assert_eq!((j.before.hard_nights, j.after.hard_nights, j.hard_night_hours), (10, 6, 0.5));
}

#[test]
fn no_sign_is_said_once_a_cut_to_a_third_is_excluded_and_not_where_the_rate_halved() {
    let side = |hard_nights, trouble_nights, hours, faults| Stretch { hard_nights, trouble_nights, hours, faults };
    let said = |b: Stretch, a: Stretch| {
        let r = crate::analysis::poisson::compare(a.faults as u64, a.hours, b.faults as u64, b.hours, 0.95).unwrap();
        let rate = |s: Stretch| gamma_poisson::posterior(gamma_poisson::JEFFREYS, s.faults as u64, s.hours).unwrap();
        judge::no_sign(b, a, r.limits.low, rate(a).probability_below(rate(b), 1.0).ok())
    };
    // Nights much as before: by the faults per hour 0.34 to 1.85 times as often.
    assert!(said(side(18, 15, 84.2, 19), side(9, 7, 54.0, 10)));
    // A little fewer, and a third is possible (0.25 to 1.3).
    assert!(!said(side(7, 7, 28.6, 12), side(13, 11, 63.6, 15)));
    // Halved over a long time: no cure, but a sign (0.37 to 0.68).
    assert!(!said(side(90, 60, 400.0, 120), side(90, 40, 400.0, 60)));
    // Too few hard nights to have seen anything.
    assert!(!said(side(18, 15, 84.2, 19), side(4, 4, 20.0, 6)));
}
