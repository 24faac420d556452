use super::*;
use crate::config::model::SensorSource;
use crate::model::{BootMs, UnixMs};
use proptest::prelude::*;

fn sensor(name: &str, place: &str) -> Sensor {
    Sensor {
        name: super::name(name),
        title: name.replace('.', " "),
        kind: if name.starts_with("hum") { SensorKind::Humidity } else { SensorKind::Temperature },
        place: place.into(),
        source: SensorSource::File { path: "x".into(), pointer: None },
        scale: 1.0,
        fahrenheit: false,
        offset: 0.0,
        plausible: (-60.0, 105.0),
        largest_jump: 20.0,
        frozen_after: None,
        silent_after: Span::mins(5),
        every: Span::secs(10),
        deadline: Span::secs(2),
    }
}

struct Desk {
    signals: Signals,
    derived: Derived,
    now: Stamp,
    last: Batch,
}

impl Desk {
    fn new(sensors: &[(&str, &str)]) -> Desk {
        let config = Config { sensors: sensors.iter().map(|(n, p)| sensor(n, p)).collect(), ..Config::default() };
        let signals = Signals::new();
        let derived = Derived::new(&config, &signals);
        for s in &config.sensors {
            signals.register(SignalDef::new(s.name.clone(), Unit::Celsius, 0.01, "x"));
        }
        Desk { signals, derived, now: Stamp::new(UnixMs(1_768_000_000_000), BootMs(1000)), last: Batch::default() }
    }
    fn after(&mut self, s: i64, readings: &[(&str, Result<f64, WhyCode>)]) {
        self.now = Stamp::new(self.now.wall + Span::secs(s), self.now.boot + Span::secs(s));
        let read = |(n, v): &(&str, Result<f64, WhyCode>)| {
            let id = self.signals.id(&super::name(n)).unwrap();
            match v {
                Ok(v) => Reading::known(id, self.now, *v),
                Err(c) => Reading::unavailable(id, self.now, Why::new(*c, "no wire")),
            }
        };
        let readings = readings.iter().map(read).collect();
        self.last = Batch { at: self.now, readings, events: vec![] };
        self.derived.add(&mut self.last);
    }
    fn value(&self, n: &str) -> Option<Value> {
        let id = self.signals.id(&super::name(n))?;
        self.last.readings.iter().rev().find(|r| r.signal == id).map(|r| r.value.clone())
    }
    fn known(&self, n: &str) -> Option<f64> {
        self.value(n)?.known()
    }
    fn why(&self, n: &str) -> Why {
        self.value(n).unwrap().why().unwrap().clone()
    }
}

const BOTH: &[(&str, &str)] = &[("temperature.box", "box"), ("temperature.outside", "outside")];

#[test]
fn lift_needs_both_and_says_which_is_missing() {
    let mut d = Desk::new(BOTH);
    d.after(1, &[("temperature.box", Ok(4.0))]);
    assert_eq!(d.why("temperature.lift").code, WhyCode::NotYet);
    d.after(1, &[("temperature.outside", Ok(-2.52))]);
    assert_eq!(d.known("temperature.lift"), Some(6.5));
    assert_eq!(d.value("dew.point"), None, "no humidity sensor, no word of dew");
    assert_eq!(d.value("dew.margin"), None);
    d.after(10, &[("temperature.outside", Err(WhyCode::Absent))]);
    let why = d.why("temperature.lift");
    assert_eq!((why.code, &*why.text), (WhyCode::Absent, "temperature outside: no wire"));
    // One that is no longer read at all is not used for ever.
    d.after(1, &[("temperature.outside", Ok(-2.0))]);
    d.after(600, &[("temperature.box", Ok(4.0))]);
    assert_eq!(d.why("temperature.lift").code, WhyCode::Silent);
    d.after(1, &[]);
    assert!(d.last.readings.is_empty(), "nothing new, nothing worked out");
}

/// WMO-No. 8, Annex 4.B, as worked out in `tests/checks/dew.rs` with a general library.
#[test]
fn dew_of_each_air_and_the_margin_of_the_box() {
    let mut d = Desk::new(&[
        ("temperature.box", "box"),
        ("humidity.box", "box"),
        ("temperature.outside", "outside"),
        ("humidity.outside", "outside"),
    ]);
    let all = [
        ("temperature.box", Ok(10.0)),
        ("humidity.box", Ok(80.0)),
        ("temperature.outside", Ok(20.0)),
        ("humidity.outside", Ok(50.0)),
    ];
    d.after(1, &all);
    // 10 °C and 80 %: 6.7 °C. 20 °C and 50 %: 9.3 °C.
    assert_eq!(d.known("dew.point"), Some(9.3));
    assert_eq!(d.known("dew.point-box"), Some(6.7));
    assert_eq!(d.known("dew.margin"), Some(3.3));
    // Only outside humidity: outside air let into the colder box.
    let mut d = Desk::new(&[BOTH[0], BOTH[1], ("humidity.outside", "outside")]);
    d.after(1, &[all[0], all[2], all[3]]);
    assert_eq!((d.known("dew.point"), d.known("dew.margin")), (Some(9.3), Some(0.7)));
    assert_eq!(d.value("dew.point-box"), None);
    d.after(1, &[("humidity.outside", Ok(0.0))]);
    assert_eq!(d.why("dew.margin").code, WhyCode::OutOfRange);
    // Below 0 °C frost comes first: -10 °C and 80 % have their frost point at -11.4 °C, their dew point at -12.8 °C.
    let mut d = Desk::new(&[("temperature.outside", "outside"), ("humidity.outside", "outside")]);
    d.after(1, &[("temperature.outside", Ok(-10.0)), ("humidity.outside", Ok(80.0))]);
    assert_eq!(d.known("dew.point"), Some(-12.8));
    assert_eq!(d.known("dew.margin"), Some(1.4));
}

#[test]
fn the_rate_is_a_slope_over_a_quarter_of_an_hour() {
    let mut d = Desk::new(BOTH);
    for i in 0..29 {
        d.after(10, &[("temperature.box", Ok(5.0 - 0.01 * f64::from(i)))]);
        assert_eq!(d.why("temperature.box.rate").code, WhyCode::NotYet);
    }
    d.after(20, &[("temperature.box", Ok(4.70))]);
    // 0.01 K in 10 s.
    assert_eq!(d.known("temperature.box.rate"), Some(-3.6));
    assert_eq!(d.value("temperature.outside.rate"), None);
    // What lies further back than the window no longer counts.
    for _ in 0..91 {
        d.after(10, &[("temperature.box", Ok(4.7))]);
    }
    assert_eq!(d.known("temperature.box.rate"), Some(0.0));
    d.after(10, &[("temperature.box", Err(WhyCode::Garbled))]);
    assert_eq!(d.why("temperature.box.rate").code, WhyCode::Garbled);
}

#[test]
fn the_sensor_with_the_places_own_name_counts() {
    let mut d =
        Desk::new(&[("temperature.lid", "box"), ("temperature.box", "box"), ("temperature.outside", "outside")]);
    let all = [("temperature.lid", Ok(1.0)), ("temperature.box", Ok(2.0)), ("temperature.outside", Ok(0.0))];
    d.after(1, &all);
    assert_eq!(d.known("temperature.lift"), Some(2.0));
}

#[test]
fn configuration_and_agent_agree_on_what_there_is() {
    for sensors in [
        BOTH,
        &[BOTH[0], ("humidity.box", "box")],
        &[BOTH[0], BOTH[1], ("humidity.outside", "outside")],
        &[BOTH[0], ("humidity.box", "box"), BOTH[1], ("humidity.outside", "outside")],
        &[BOTH[0], ("humidity.outside", "outside")],
        &[("humidity.box", "box")],
        &[("temperature.shelf", "shelf")],
    ] {
        let config = Config { sensors: sensors.iter().map(|(n, p)| sensor(n, p)).collect(), ..Config::default() };
        let signals = Signals::new();
        Derived::new(&config, &signals);
        let known = crate::config::signals::known(&config);
        let told: Vec<_> = signals.all().into_iter().map(|(_, d)| (d.name.clone(), d.unit)).collect();
        for (n, unit) in &told {
            assert_eq!(known.get(n), Some(unit), "{n} with {sensors:?}");
        }
        let ours = |n: &Name| n.kind() == "dew" || n.own() == "lift" || n.of_thing() == Some("rate");
        assert_eq!(known.keys().filter(|n| ours(n)).count(), told.len(), "{sensors:?}");
    }
}

proptest! {
    #[test]
    fn whatever_the_sensors_say_stays_in_range(
        numbers in proptest::collection::vec((0..4_usize, proptest::option::of(-1e3..1e3_f64), 0..400_i64), 1..60),
    ) {
        let names = ["temperature.box", "humidity.box", "temperature.outside", "humidity.outside"];
        let mut d = Desk::new(&[(names[0], "box"), (names[1], "box"), (names[2], "outside"), (names[3], "outside")]);
        for (which, v, s) in numbers {
            d.after(s, &[(names[which], v.ok_or(WhyCode::Failed))]);
            for r in &d.last.readings {
                let def = d.signals.def(r.signal).unwrap();
                if let Value::Known(v) = r.value {
                    prop_assert!(v.is_finite() && (def.low..=def.high).contains(&v), "{} {v}", def.name);
                }
            }
        }
    }
}
