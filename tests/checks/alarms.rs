//! Alarm management against the figures of IEC 62682 / ANSI/ISA-18.2 and EEMUA 191 as commonly quoted. `alarms.json` names the
//! source of each figure, and says which are from memory.

use crate::data::{count, entry, num, nums};
use jiff::tz::TimeZone;
use serde_json::Value;
use tilldawn::config::Config;
use tilldawn::config::model::{During, Test};
use tilldawn::engine::flood::{self, Load, load};
use tilldawn::engine::{Engine, Plan, chatter};
use tilldawn::model::{
    AlarmChange, Batch, BootMs, Name, NoticeKind, Reading, SignalDef, Signals, Span, Stamp, Unit, UnixMs,
};

fn seconds(v: &Value) -> Vec<Span> {
    nums(v).iter().map(|s| Span((s * 1000.0) as i64)).collect()
}

fn same_load(id: &str) {
    let e = entry("alarms", id);
    let lasting = Span((num(&e.input()["duration_s"]) * 1000.0) as i64);
    let got: Load = load(&seconds(&e.input()["alarm_times_s"]), lasting);
    let want = e.expected();
    assert_eq!(got.count as u64, count(&want["count"]));
    assert!((got.per_ten_minutes - num(&want["average_per_10min"])).abs() < 1e-12);
    let bins: Vec<f64> = got.bins.iter().map(|b| f64::from(*b)).collect();
    assert_eq!(bins, nums(&want["fixed_10min_bins"]));
    assert_eq!(got.bins.iter().filter(|b| **b > 10).count() as u64, count(&want["bins_over_10"]));
    assert_eq!(u64::from(*got.bins.iter().max().unwrap()), count(&want["peak_fixed_bin"]));
    assert_eq!(got.peak as u64, count(&want["peak_sliding_10min"]));
    assert_eq!(got.peak_minute as u64, count(&want["max_in_any_60s"]));
    let floods: Vec<Vec<f64>> = got.floods.iter().map(|f| vec![f.0.as_secs_f64(), f.1.as_secs_f64()]).collect();
    let wanted: Vec<Vec<f64>> = want["flood_intervals_sliding"].as_array().unwrap().iter().map(nums).collect();
    assert_eq!(floods, wanted);
}

#[test]
fn figures_are_those_of_the_standards() {
    let e = entry("alarms", "k1-alarm-figures");
    let said = |k: &str| e.expected()[k]["value"].as_str().unwrap().to_owned();
    // The words hold the numbers; each is looked for as it stands there.
    assert!(said("flood").starts_with(&format!(
        "more than {} alarms in {} minutes",
        flood::MORE_THAN,
        flood::WINDOW.0 / 60_000
    )));
    assert!(said("flood").contains(&format!("ends when below {} in", flood::FEWER_THAN)));
    assert!(said("chattering").contains(&format!("repeats {} or more times in one minute", chatter::TIMES)));
    assert_eq!(chatter::WITHIN, Span::mins(1));
    assert!(said("stale").contains("longer than 24 hours"));
}

#[test]
fn load_of_a_shift_with_a_flood() {
    same_load("k2-flood");
}

#[test]
fn load_of_a_shift_without_one() {
    same_load("k3-not-a-flood");
}

/// One engine that raises an alarm on a signal of its own at each of these seconds; gives what it said about floods.
fn floods_of(times_s: &[f64], until_s: f64) -> Vec<(f64, NoticeKind)> {
    let signals = Signals::new();
    let mut c = Config::default();
    let mut r = c.rules[0].clone();
    r.name = Name::new("rule.high").unwrap();
    r.test = Test::Above(50.0);
    r.during = During::Always;
    let ids: Vec<_> = (0..times_s.len())
        .map(|i| {
            let n = Name::new(format!("pressure.p{i}")).unwrap();
            r.on.push(n.clone());
            signals.register(SignalDef::new(n, Unit::Percent, 0.1, "test"))
        })
        .collect();
    c.rules = vec![r];
    let mut e = Engine::new(Plan::from_config(&c, vec![], TimeZone::UTC), None);
    let mut out = vec![];
    for s in 1..=until_s as i64 {
        let at = Stamp::new(UnixMs(s * 1000), BootMs(s * 1000));
        let v = |i: usize| if s as f64 >= times_s[i] { 60.0 } else { 10.0 };
        let readings = ids.iter().enumerate().map(|(i, id)| Reading::known(*id, at, v(i))).collect();
        let o = e.step(&Batch { at, readings, events: vec![] }, &signals);
        let flood = |k: NoticeKind| matches!(k, NoticeKind::FloodBegan | NoticeKind::FloodEnded);
        out.extend(o.notices.iter().filter(|n| flood(n.kind)).map(|n| (n.at.boot.0 as f64 / 1000.0, n.kind)));
    }
    out
}

#[test]
fn the_engine_folds_the_same_flood() {
    for id in ["k2-flood", "k3-not-a-flood"] {
        let e = entry("alarms", id);
        let got = floods_of(&nums(&e.input()["alarm_times_s"]), num(&e.input()["duration_s"]));
        let wanted: Vec<(f64, NoticeKind)> = e.expected()["flood_intervals_sliding"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|f| [(num(&f[0]), NoticeKind::FloodBegan), (num(&f[1]), NoticeKind::FloodEnded)])
            .collect();
        assert_eq!(got, wanted, "{id}");
    }
}

/// On and off of a high alarm on the samples of the entry, by the engine.
fn high_alarm(deadband: f64, on_s: f64, off_s: f64) -> Vec<(f64, String)> {
    let e = entry("alarms", "k4-deadband-delay");
    let (step, limit) = (num(&e.input()["step_s"]), num(&e.input()["limit"]));
    let mut c = Config::default();
    let mut r = c.rules[0].clone();
    r.name = Name::new("rule.high").unwrap();
    r.on = vec![Name::new("pressure.test").unwrap()];
    r.test = Test::Above(limit);
    r.deadband = deadband;
    (r.on_delay, r.off_delay) = (Span((on_s * 1000.0) as i64), Span((off_s * 1000.0) as i64));
    r.during = During::Always;
    c.rules = vec![r];
    let signals = Signals::new();
    let id = signals.register(SignalDef::new(Name::new("pressure.test").unwrap(), Unit::None, 0.1, "test"));
    let mut engine = Engine::new(Plan::from_config(&c, vec![], TimeZone::UTC), None);
    let mut out = vec![];
    for (i, v) in nums(&e.input()["samples"]).iter().enumerate() {
        let ms = (i as f64 * step * 1000.0) as i64;
        let at = Stamp::new(UnixMs(ms), BootMs(ms));
        let o = engine.step(&Batch { at, readings: vec![Reading::known(id, at, *v)], events: vec![] }, &signals);
        for t in o.transitions {
            let word = match t.change {
                AlarmChange::Raised => "ON",
                AlarmChange::Returned => "OFF",
                _ => continue,
            };
            out.push((t.announced.boot.0 as f64 / 1000.0, word.to_owned()));
        }
    }
    out
}

#[test]
fn deadband_and_delays() {
    let e = entry("alarms", "k4-deadband-delay");
    let (deadband, delay) = (num(&e.input()["deadband"]), num(&e.input()["on_delay_s"][1]));
    for (key, got) in [
        ("no_delay_no_deadband", high_alarm(0.0, 0.0, 0.0)),
        ("deadband_only", high_alarm(deadband, 0.0, 0.0)),
        ("deadband_and_delays_20s", high_alarm(deadband, delay, num(&e.input()["off_delay_s"][1]))),
    ] {
        let want: Vec<(f64, String)> = e.expected()[key]
            .as_array()
            .unwrap()
            .iter()
            .map(|x| (num(&x[0]), x[1].as_str().unwrap().to_owned()))
            .collect();
        assert_eq!(got, want, "{key}");
    }
}
