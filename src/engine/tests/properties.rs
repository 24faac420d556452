//! What must hold for every night.

use super::harness::{Night, name, run};
use crate::config;
use crate::engine::{Engine, EngineState, Plan, replay};
use crate::model::{
    AlarmChange, AlarmId, Batch, BootMs, Event, EventKind, Outcome, Reading, SignalDef, Signals, Span, Stamp, Unit,
    UnixMs,
};
use jiff::tz::TimeZone;
use proptest::prelude::*;
use std::collections::BTreeMap;

const THINGS: [&str; 8] = [
    "program.mount",
    "program.guiding",
    "program.camera",
    "device.cable",
    "device.camera",
    "link.house",
    "interface.wlan0",
    "machine.this",
];

const CONFIG: &str = r#"
[link.gateway]
watch = false
[disk.root]
watch = false
[session]
chain = ["program.mount", "program.guiding", "program.camera"]
[program.mount]
executable = "m"
leans_on = ["device.cable"]
[program.guiding]
executable = "g"
leans_on = ["program.mount"]
[program.camera]
executable = "c"
leans_on = ["device.camera"]
[device.cable]
node = "/dev/ttyUSB0"
[device.camera]
usb = "1209:0001"
[interface.wlan0]
[link.house]
to = "192.168.1.20"
leans_on = ["interface.wlan0"]
[temperature.box]
file = "/tmp/t"
[frames]
folder = "/tmp/frames"
"#;

/// One thing that happens in a made-up night.
#[derive(Clone, Debug)]
enum Act {
    Wait(i64),
    Happens { thing: usize, kind: usize, ago: i64, code: u8 },
    Frame,
    Box(f64),
    Restart,
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        4 => prop_oneof![Just(200i64), Just(1000), Just(10_000), Just(61_000), Just(301_000), Just(1_300_000)].prop_map(Act::Wait),
        6 => (0usize..8, 0usize..14, prop_oneof![Just(0i64), Just(0), Just(300), Just(4000)], 0u8..4)
            .prop_map(|(thing, kind, ago, code)| Act::Happens { thing, kind, ago, code }),
        2 => Just(Act::Frame),
        1 => prop_oneof![Just(20.0), Just(44.0), Just(46.0), Just(30.0)].prop_map(Act::Box),
        1 => Just(Act::Restart),
    ]
}

fn kind(i: usize) -> EventKind {
    use EventKind as E;
    [
        E::ProgramEnded,
        E::ProgramStarted,
        E::ProgramStopped,
        E::ProgramContinued,
        E::SignMissing,
        E::SignBack,
        E::DeviceLeft,
        E::DeviceArrived,
        E::LinkDown,
        E::LinkUp,
        E::KernelLine,
        E::MemoryKill,
        E::ClockStep,
        E::Suspended,
    ][i]
}

/// Plays a night, with a change to each batch before it is given to the engine.
fn play(acts: &[Act], mut change: impl FnMut(&mut Batch), restarts: bool) -> (Vec<Outcome>, Vec<Batch>, Night) {
    let mut n = Night::new(CONFIG);
    n.step = Span::secs(10);
    for t in &THINGS[..7] {
        n.set(t, Ok(1.0));
    }
    n.set("temperature.box", Ok(20.0));
    let (mut outcomes, mut batches) = (vec![], vec![]);
    let mut give = |n: &mut Night, events: Vec<Event>, outcomes: &mut Vec<Outcome>| {
        let mut b = Batch { at: n.now, readings: n.readings(), events };
        batches.push(b.clone());
        change(&mut b);
        outcomes.push(n.engine.step(&b, &n.signals));
    };
    give(&mut n, vec![], &mut outcomes);
    let frame = |n: &Night| {
        Event::new(n.now, name("frames.main"), EventKind::FrameArrived, "").with("light", true).with("exposure_s", 60.0)
    };
    let e = frame(&n);
    give(&mut n, vec![e], &mut outcomes);
    let mut waiting: Vec<Event> = vec![];
    for a in acts {
        // Nothing falls on the instant of a batch that is already judged.
        n.now = n.now.plus(Span(1));
        match a {
            Act::Wait(ms) => {
                let end = n.now.boot + Span(*ms);
                while n.now.boot < end {
                    let by = n.step.min(end - n.now.boot);
                    n.now = n.now.plus(by);
                    let events = std::mem::take(&mut waiting);
                    give(&mut n, events, &mut outcomes);
                }
            }
            Act::Frame => waiting.push(frame(&n)),
            Act::Box(v) => n.set("temperature.box", Ok(*v)),
            Act::Restart => {
                if restarts {
                    let text = serde_json::to_string(&n.engine.state()).unwrap();
                    let state: EngineState = serde_json::from_str(&text).unwrap();
                    n.engine = Engine::new(n.engine.plan().clone(), Some(state));
                }
                // It is back at once; what a longer absence does is told by the case files.
                n.now = n.now.plus(Span(200));
                let events = std::mem::take(&mut waiting);
                give(&mut n, events, &mut outcomes);
            }
            Act::Happens { thing, kind: k, ago, code } => {
                let at = Stamp::new(n.now.wall - Span(*ago), n.now.boot - Span(*ago));
                let mut e = Event::new(at, name(THINGS[*thing]), kind(*k), "");
                match code {
                    0 => e = e.with("code", 0),
                    1 => e = e.with("signal", 11),
                    2 => e = e.with("signal", 15).with("sign", "tcp"),
                    _ => e = e.with("class", "crash").with("for_ms", 20_000),
                }
                let up = match e.kind {
                    EventKind::ProgramEnded | EventKind::DeviceLeft | EventKind::LinkDown => Some(0.0),
                    EventKind::ProgramStarted | EventKind::DeviceArrived | EventKind::LinkUp => Some(1.0),
                    _ => None,
                };
                if let Some(v) = up.filter(|_| *thing < 7) {
                    n.set(THINGS[*thing], Ok(v));
                }
                waiting.push(e);
            }
        }
    }
    (outcomes, batches, n)
}

/// The life of each alarm is one that the standard knows, and numbers only grow.
fn well_formed(outcomes: &[Outcome]) {
    let mut seq = 0;
    let mut lives: BTreeMap<AlarmId, Vec<&'static str>> = BTreeMap::new();
    let mut incidents = std::collections::BTreeSet::new();
    for o in outcomes {
        for i in &o.incidents {
            incidents.insert(i.id);
            assert!(!i.members.is_empty());
            assert!(
                i.members.iter().all(|m| m.at.boot >= i.opened.boot || m.event == Some(EventKind::ClockStep)),
                "{i:?}"
            );
        }
        for t in &o.transitions {
            assert_eq!(t.seq, seq + 1, "no number is left out");
            seq = t.seq;
            assert!(t.at.boot <= t.announced.boot, "{t:?}");
            let life = lives.entry(t.alarm).or_default();
            let code = t.change.code();
            let was = life.iter().rev().find(|c| ["raised", "returned", "removed"].contains(c));
            match (code, was) {
                ("raised", None) => {}
                ("raised", _) => panic!("raised twice: {t:?}"),
                ("acknowledged" | "shelved" | "unshelved", Some(_)) => {}
                (_, Some(&"raised")) => {}
                _ => panic!("{code} after {life:?}: {t:?}"),
            }
            life.push(code);
            if let Some(i) = t.incident {
                assert!(incidents.contains(&i), "an incident is handed out no later than its alarm");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_order_of_arrival_in_a_batch_says_nothing(acts in proptest::collection::vec(act(), 1..60), seed in any::<u64>()) {
        let (a, _, one) = play(&acts, |_| {}, false);
        let mut x = seed | 1;
        let mut shuffle = |n: usize| {
            // A small multiplicative generator: this only has to mix, not to be random.
            x = x.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (x >> 33) as usize % n.max(1)
        };
        let (b, _, two) = play(&acts, |batch| {
            for i in (1..batch.events.len()).rev() {
                batch.events.swap(i, shuffle(i + 1));
            }
            for i in (1..batch.readings.len()).rev() {
                batch.readings.swap(i, shuffle(i + 1));
            }
        }, false);
        prop_assert_eq!(&a, &b);
        prop_assert_eq!(one.engine.standing(), two.engine.standing());
        well_formed(&a);
    }

    #[test]
    fn a_replay_of_what_was_stored_gives_the_same(acts in proptest::collection::vec(act(), 1..60)) {
        let (a, batches, n) = play(&acts, |_| {}, false);
        let again = replay(n.engine.plan().clone(), &n.signals, &batches);
        prop_assert_eq!(a, again);
    }

    #[test]
    fn stored_readings_cut_anew_raise_the_same_alarms(acts in proptest::collection::vec(act(), 1..60)) {
        // Without late events: cut anew, a late one takes its place in time, as it should.
        let acts: Vec<Act> = acts.into_iter().map(|a| match a {
            Act::Happens { thing, kind, code, .. } => Act::Happens { thing, kind, ago: 0, code },
            a => a,
        }).filter(|a| !matches!(a, Act::Happens { kind: 13, .. })).collect();
        let (a, given, n) = play(&acts, |_| {}, false);
        let readings = given.iter().flat_map(|b| b.readings.clone()).collect();
        let events: Vec<Event> = given.iter().flat_map(|b| b.events.clone()).chain(a.iter().flat_map(|o| o.events.clone())).collect();
        let cut = crate::engine::replay::batches(readings, events, Span(1));
        let b = replay(n.engine.plan().clone(), &n.signals, &cut);
        let told = |o: &[Outcome]| {
            let all = o.iter().flat_map(|o| o.transitions.clone());
            let mut t: Vec<_> = all
                .filter(|t| matches!(t.change, AlarmChange::Raised | AlarmChange::Returned | AlarmChange::Removed))
                .map(|t| (t.at.boot, t.rule, t.thing, t.change.code(), t.text))
                .collect();
            t.sort();
            t
        };
        prop_assert_eq!(told(&a), told(&b));
    }

    #[test]
    fn a_restart_of_the_agent_changes_nothing(acts in proptest::collection::vec(act(), 1..60)) {
        let (a, _, one) = play(&acts, |_| {}, false);
        let (b, _, two) = play(&acts, |_| {}, true);
        // Only the instant of waking is that of looking again.
        let told = |o: &[Outcome]| o.iter().flat_map(|o| o.transitions.clone()).map(|mut t| {
            if t.change == AlarmChange::WakesNow {
                t.at = t.announced;
            }
            t
        }).collect::<Vec<_>>();
        prop_assert_eq!(told(&a), told(&b));
        let cases = |o: &[Outcome]| o.iter().flat_map(|o| o.incidents.clone()).map(|i| (i.id, i)).collect::<BTreeMap<_, _>>();
        prop_assert_eq!(cases(&a), cases(&b));
        prop_assert_eq!(one.engine.standing(), two.engine.standing());
        well_formed(&b);
    }

    #[test]
    fn steps_of_the_wall_clock_change_no_order_and_no_delay(
        acts in proptest::collection::vec(act(), 1..60),
        steps in proptest::collection::vec(prop_oneof![Just(3_600_000i64), Just(-3_600_000), Just(0)], 64),
    ) {
        let (a, _, _) = play(&acts, |_| {}, false);
        let mut i = 0;
        let mut off = 0;
        let (b, _, _) = play(&acts, |batch| {
            i += 1;
            if i % 7 == 0 {
                off += steps[(i / 7) % steps.len()];
            }
            batch.at.wall.0 += off;
            batch.readings.iter_mut().for_each(|r| r.at.wall.0 += off);
            batch.events.iter_mut().for_each(|e| e.at.wall.0 += off);
        }, false);
        let told = |o: &[Outcome]| o.iter().flat_map(|o| o.transitions.clone())
            .map(|t| (t.seq, t.at.boot, t.announced.boot, t.alarm, t.rule, t.thing, t.change.code(), t.incident)).collect::<Vec<_>>();
        prop_assert_eq!(told(&a), told(&b));
    }

    #[test]
    fn no_alarm_without_a_cause(temperatures in proptest::collection::vec(1.5f64..44.9, 1..80), gaps in proptest::collection::vec(1i64..20, 80)) {
        let mut n = Night::new(CONFIG);
        n.step = Span::secs(10);
        for t in &THINGS[..7] {
            n.set(t, Ok(1.0));
        }
        for (i, v) in temperatures.iter().enumerate() {
            n.set("temperature.box", Ok(*v));
            n.line("light 60");
            n.until(n.now.wall + Span::secs(gaps[i] * 30));
        }
        prop_assert!(n.outcomes.iter().all(|o| o.transitions.is_empty() && o.incidents.is_empty()));
    }

    #[test]
    fn delays_and_deadband_are_those_of_the_definition(
        values in proptest::collection::vec(45.0f64..55.0, 1..120),
        on in 0i64..6, off in 0i64..6, deadband in 0.0f64..3.0,
    ) {
        let told = high_alarm(&values, 50.0, deadband, Span::mins(on), Span::mins(off));
        prop_assert_eq!(told, by_definition(&values, 50.0, deadband, on, off));
    }
}

/// On and off of a high alarm on samples a minute apart (too far for chattering), in minutes, by the engine.
fn high_alarm(values: &[f64], limit: f64, deadband: f64, on: Span, off: Span) -> Vec<(i64, bool)> {
    let mut config = config::Config::default();
    let mut r = config.rules[0].clone();
    r.name = name("rule.high");
    r.on = vec![name("pressure.test")];
    r.test = config::model::Test::Above(limit);
    (r.on_delay, r.off_delay, r.deadband) = (on, off, deadband);
    r.during = config::model::During::Always;
    config.rules = vec![r];
    let signals = Signals::new();
    let id = signals.register(SignalDef::new(name("pressure.test"), Unit::None, 1e-6, "test"));
    let mut e = Engine::new(Plan::from_config(&config, vec![], TimeZone::UTC), None);
    let mut out = vec![];
    for (i, v) in values.iter().enumerate() {
        let at = Stamp::new(UnixMs(i as i64 * 60_000), BootMs(i as i64 * 60_000));
        let b = Batch { at, readings: vec![Reading::known(id, at, *v)], events: vec![] };
        for t in e.step(&b, &signals).transitions {
            match t.change {
                AlarmChange::Raised => out.push((t.announced.boot.0 / 60_000, true)),
                AlarmChange::Returned => out.push((t.announced.boot.0 / 60_000, false)),
                _ => {}
            }
        }
    }
    out
}

/// The same by its definition, written down once more: on when above the limit for the on-delay, off when below limit less
/// deadband for the off-delay, both counted from the first such sample; equality does not count.
fn by_definition(values: &[f64], limit: f64, deadband: f64, on: i64, off: i64) -> Vec<(i64, bool)> {
    let (mut raised, mut since, mut out) = (false, None, vec![]);
    for (i, v) in values.iter().enumerate() {
        let t = i as i64;
        let holds = if raised { *v < limit - deadband } else { *v > limit };
        if !holds {
            since = None;
            continue;
        }
        let first = *since.get_or_insert(t);
        if t - first >= if raised { off } else { on } {
            raised = !raised;
            since = None;
            out.push((t, raised));
        }
    }
    out
}

#[test]
fn a_thousand_signals_at_their_limits() {
    let signals = Signals::new();
    let mut c = config::Config::default();
    let mut r = c.rules[0].clone();
    r.name = name("rule.high");
    r.test = config::model::Test::Above(50.0);
    r.on_delay = Span::secs(30);
    r.during = config::model::During::Always;
    let ids: Vec<_> = (0..1000)
        .map(|i| {
            let n = name(&format!("pressure.p{i}"));
            r.on.push(n.clone());
            signals.register(SignalDef::new(n, Unit::Percent, 0.1, "test"))
        })
        .collect();
    c.rules = vec![r];
    let mut e = Engine::new(Plan::from_config(&c, vec![], TimeZone::UTC), None);
    let (mut raised, mut said) = (0, 0);
    for s in 0..60 {
        let at = Stamp::new(UnixMs(s * 1000), BootMs(s * 1000));
        let v = if s < 10 { 10.0 } else { 60.0 };
        let readings = ids.iter().map(|i| Reading::known(*i, at, v)).collect();
        let out = e.step(&Batch { at, readings, events: vec![] }, &signals);
        raised += out.transitions.len();
        said += out.notices.len();
    }
    assert_eq!((raised, said), (1000, 11), "ten messages and one about the flood");
    let new = name("pressure.late");
    assert!(signals.id(&new).is_none());
    let id = signals.register(SignalDef::new(new, Unit::Percent, 0.1, "test"));
    let at = Stamp::new(UnixMs(61_000), BootMs(61_000));
    e.step(&Batch { at, readings: vec![Reading::known(id, at, 99.0)], events: vec![] }, &signals);
}

#[test]
fn a_learned_limit_holds_until_a_person_sets_one() {
    let toml = "[link.gateway]\nwatch = false\n[disk.root]\nwatch = false\n[temperature.box]\nfile = \"/tmp/t\"\n";
    let told = |learned: Option<f64>, toml: &str| {
        let mut n = Night::new(toml);
        n.engine.set_learned(crate::engine::Learned { box_cold: learned, longest_pause: None });
        n.set("temperature.box", Ok(0.5));
        n.until(n.now.wall + Span::mins(6));
        n.outcomes.iter().flat_map(|o| o.transitions.clone()).map(|t| t.text).collect::<Vec<_>>()
    };
    assert!(told(None, toml).is_empty(), "nothing learned, nothing said");
    assert_eq!(told(Some(1.5), toml), ["box cold: 0.5 °C"]);
    assert!(told(Some(1.5), &format!("{toml}[rule.box-cold]\nbelow = \"-5 °C\"\n")).is_empty());
}

#[test]
fn values_that_are_no_numbers_are_unavailable() {
    let n = run(
        CONFIG,
        "set temperature.box=20 program.mount=1\nfor 5s\nset temperature.box=nan\nfor 10m\nset temperature.box=inf\nfor 1m",
    );
    assert!(n.said.is_empty(), "no session, so no alarm: {}", n.said);
    let sensor = n.engine.standing().things.into_iter().find(|t| t.thing.as_str() == "temperature.box").unwrap();
    assert_eq!(sensor.condition, crate::model::Condition::Unknown);
}

#[test]
fn a_night_of_flapping_stays_small() {
    let mut n = Night::new(CONFIG);
    for t in &THINGS[..7] {
        n.set(t, Ok(1.0));
    }
    n.set("temperature.box", Ok(20.0));
    n.line("light 60");
    let mut largest = 0;
    for _ in 0..120 {
        n.line("event interface.wlan0 link_down");
        n.line("for 5s");
        n.line("event interface.wlan0 link_up");
        n.line("for 3m");
        n.line("light 60");
        largest = largest.max(serde_json::to_string(&n.engine.state()).unwrap().len());
    }
    assert_eq!(n.incidents.len(), 120);
    assert!(n.incidents.values().all(|i| i.harmless), "{}", n.incidents());
    // Stored with every commit: at one in ten seconds this bounds what the flash memory has to take.
    assert!(largest < 8_000, "{largest} bytes");
}
