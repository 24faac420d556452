//! An invented night in an invented orchard, for tests: two short breaks, one real fault with its cascade, a pause, a mark.

use super::rows::{EarlierNight, Measured, NightFrame, NightRows};
use crate::config::model::TemperatureScale;
use crate::model::incident::{Belongs, Member};
use crate::model::rows::{AlarmLife, Bucket, ChangeRow, GapRow, IncidentRow, RunRow};
use crate::model::{
    AlarmChange, AlarmId, BootMs, Event, EventKind, FaultKind, Incident, Mark, MarkKind, Name, Priority, Session,
    SessionEnd, SessionStart, SignalDef, Span, Stamp, Transition, Unit, UnixMs,
};
use crate::report::settings::{Settings, Thing};
use std::collections::BTreeMap;
use std::sync::Arc;

/// 2026-01-12 12:00 in UTC+01:00.
const NOON: i64 = 1_768_215_600_000;

/// An hour of the clock on that night: 25.22 is 01:13:12 after midnight.
pub fn at(hour: f64) -> UnixMs {
    UnixMs(NOON + ((hour - 12.0) * 3_600_000.0).round() as i64)
}

pub fn stamp(hour: f64) -> Stamp {
    Stamp::new(at(hour), BootMs(((hour - 10.0) * 3_600_000.0).round() as i64))
}

pub fn name(t: &str) -> Name {
    Name::new(t).unwrap()
}

/// A repeatable wobble in −1..1.
fn wobble(seed: u64, i: i64) -> f64 {
    let mut x = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ seed.wrapping_mul(0xd1b5_4a32_d192_ed03);
    x ^= x >> 29;
    x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x ^= x >> 32;
    (x % 2000) as f64 / 1000.0 - 1.0
}

fn def(n: &str, unit: Unit, resolution: f64, what: &str, place: &str) -> Arc<SignalDef> {
    Arc::new(SignalDef::new(name(n), unit, resolution, what).at(place))
}

/// The signals with a course over the clock hours.
type Course = fn(f64) -> f64;
const SIGNALS: &[(&str, Unit, f64, &str, &str, f64, Course)] = &[
    ("temperature.box", Unit::Celsius, 0.1, "box air temperature", "box", 0.2, |h| {
        9.6 + 5.0 * (-(h - 17.0) / 4.0).exp()
    }),
    ("temperature.outside", Unit::Celsius, 0.1, "outside air temperature", "outside", 0.2, |h| {
        -3.4 + 8.5 * (-(h - 16.5) / 4.0).exp()
    }),
    ("temperature.core", Unit::Celsius, 0.5, "processor temperature", "component", 1.5, |_| 41.0),
    ("dew.point", Unit::Celsius, 0.1, "dew point", "", 0.1, |h| -5.6 + 4.5 * (-(h - 16.5) / 5.0).exp()),
    ("dew.margin", Unit::Kelvin, 0.1, "outside temperature above the dew point", "", 0.1, |h| {
        2.2 + 4.0 * (-(h - 16.5) / 4.0).exp()
    }),
    ("load.cpu", Unit::Percent, 0.1, "processor busy", "", 9.0, |_| 38.0),
    ("pressure.cpu", Unit::Percent, 0.01, "time in which something waited for the processor", "", 1.5, |_| 3.0),
    ("memory.available-share", Unit::Percent, 0.1, "memory available", "", 1.0, |h| 58.0 - (h - 17.0) * 0.8),
    ("memory.kills", Unit::Count, 1.0, "programs killed for memory since start", "", 0.0, |_| 2.0),
    ("link.house.round-trip", Unit::Milliseconds, 0.1, "time until the house answered", "", 1.5, |_| 4.5),
    ("link.house.loss", Unit::Percent, 0.1, "answers lost", "", 0.0, |_| 0.0),
    ("link.gateway.round-trip", Unit::Milliseconds, 0.1, "time until the gateway answered", "", 0.8, |_| 2.2),
    ("interface.wlan0.signal", Unit::Dbm, 1.0, "Wi-Fi signal", "", 2.0, |_| -61.0),
    ("program.mount.cpu", Unit::Percent, 0.1, "processor use of the mount program", "", 0.6, |_| 4.0),
    ("program.mount.memory", Unit::Bytes, 4096.0, "memory of the mount program", "", 1e5, |_| 1.1e8),
    ("program.guiding.cpu", Unit::Percent, 0.1, "processor use of guiding", "", 3.0, |_| 22.0),
    ("program.guiding.memory", Unit::Bytes, 4096.0, "memory of guiding", "", 1e6, |_| 4.3e8),
    ("program.camera.cpu", Unit::Percent, 0.1, "processor use of the camera program", "", 2.0, |_| 9.0),
    ("link.house", Unit::Truth, 1.0, "the house answers", "", 0.0, |_| 1.0),
    ("link.gateway", Unit::Truth, 1.0, "the gateway answers", "", 0.0, |_| 1.0),
    ("device.mount-cable", Unit::Truth, 1.0, "it is there", "", 0.0, |_| 1.0),
    ("device.main-camera", Unit::Truth, 1.0, "it is there", "", 0.0, |_| 1.0),
    ("program.mount", Unit::Truth, 1.0, "it runs", "", 0.0, |_| 1.0),
    ("program.guiding", Unit::Truth, 1.0, "it runs", "", 0.0, |_| 1.0),
    ("program.camera", Unit::Truth, 1.0, "it runs", "", 0.0, |_| 1.0),
];

fn minutes(seed: u64, from: f64, to: f64, noise: f64, resolution: f64, f: impl Fn(f64) -> f64) -> Vec<Bucket> {
    let first = at(from).0.div_euclid(60_000);
    let last = at(to).0.div_euclid(60_000);
    let round = |v: f64| (v / resolution).round() * resolution;
    (first..last)
        .map(|m| {
            let from = UnixMs(m * 60_000);
            let hour = 12.0 + (from.0 - NOON) as f64 / 3_600_000.0;
            let mean = f(hour) + noise * wobble(seed, m);
            let spread = noise * (0.4 + 0.3 * wobble(seed + 77, m).abs());
            Bucket {
                from,
                to: from + Span::mins(1),
                min: round(mean - spread),
                mean,
                max: round(mean + spread),
                count: 30,
                unavailable: 0,
            }
        })
        .collect()
}

fn member(thing: &str, hour: f64, until: Option<f64>, event: EventKind, belongs: Belongs, text: &str) -> Member {
    Member {
        thing: name(thing),
        at: stamp(hour),
        within: Span::ZERO,
        until: until.map(stamp),
        alarm: None,
        event: Some(event),
        belongs,
        text: text.into(),
    }
}

fn incident(id: i64, kind: FaultKind, members: Vec<Member>, closed: Option<f64>) -> IncidentRow {
    let incident = Incident {
        id,
        session: Some(4),
        opened: members[0].at,
        closed: closed.map(stamp),
        members,
        order_certain: true,
        kind,
        harmless: false,
        pause_only: false,
        mark: None,
    };
    IncidentRow { incident, marks: vec![] }
}

fn alarm(id: i64, rule: &str, thing: &str, priority: Priority, from: f64, to: Option<f64>, text: &str) -> AlarmLife {
    let step = |seq, hour, change| Transition {
        seq,
        at: stamp(hour),
        announced: stamp(hour),
        alarm: AlarmId(id),
        rule: name(rule),
        thing: name(thing),
        priority,
        change,
        wakes: priority == Priority::High,
        text: text.into(),
        value: None,
        incident: (rule == "rule.device-gone").then_some(3),
        saved: true,
    };
    let mut steps = vec![step(id * 10, from, AlarmChange::Raised)];
    steps.extend(to.map(|t| step(id * 10 + 1, t, AlarmChange::Returned)));
    AlarmLife { steps }
}

/// Settings of the invented pier.
pub fn settings() -> Settings {
    let thing = |n: &str, title: &str, leans: &[&str]| Thing {
        name: name(n),
        title: title.into(),
        leans_on: leans.iter().map(|l| name(l)).collect(),
    };
    Settings {
        field: "orchard pier".into(),
        zone: "Europe/Berlin".into(),
        scale: TemperatureScale::Celsius,
        site: Some((51.0, 10.0, 300.0)),
        dark_below: 12.0,
        things: vec![
            thing("device.mount-cable", "mount cable", &[]),
            thing("program.mount", "mount program", &["device.mount-cable"]),
            thing("program.guiding", "guiding", &["program.mount"]),
            thing("device.main-camera", "main camera", &[]),
            thing("program.camera", "camera program", &["device.main-camera", "program.guiding"]),
            thing("frames.main", "frames", &["program.camera"]),
            thing("link.house", "link to the house", &["link.gateway"]),
            thing("link.gateway", "gateway", &[]),
        ],
        chain: vec![],
        box_hot: Some(45.0),
        box_cold: Some(1.0),
        dew_margin: Some(2.0),
    }
}

/// The night.
pub fn night() -> NightRows {
    let (session_from, session_to) = (18.8, 30.0);
    let mut signals = BTreeMap::new();
    for (i, (n, unit, resolution, what, place, noise, f)) in SIGNALS.iter().enumerate() {
        // In the quarter of an hour before the fault something drew on the processor.
        let f = |h: f64| {
            let pull = if *n == "pressure.cpu" && (25.02..25.22).contains(&h) { 61.0 } else { 0.0 };
            let busy = if *n == "load.cpu" && (25.02..25.22).contains(&h) { 44.0 } else { 0.0 };
            f(h) + pull + busy
        };
        let mut all = minutes(i as u64, 17.0, 31.5, *noise, *resolution, f);
        all.retain(|b| b.to <= at(22.4) || b.from >= at(22.6));
        signals.insert(name(n), Measured { def: def(n, *unit, *resolution, what, place), minutes: all });
    }
    let earlier = (1..=14)
        .map(|k| {
            let day = -24.0 * f64::from(k);
            let mut night = EarlierNight {
                date: format!("2025-12-{:02}", 30 - k),
                sessions: vec![(at(session_from + day), at(session_to + day))],
                ..EarlierNight::default()
            };
            for (i, (n, _, resolution, _, _, noise, f)) in SIGNALS.iter().enumerate() {
                let warmer = if n.starts_with("temperature") { f64::from(k % 5) * 0.8 } else { 0.0 };
                let list = minutes(i as u64 + 1000 * k as u64, 24.0 + day, 27.0 + day, *noise, *resolution, |h| {
                    f(h - day) + warmer
                });
                let low = list.iter().map(|b| b.min).fold(f64::INFINITY, f64::min);
                let high = list.iter().map(|b| b.max).fold(f64::NEG_INFINITY, f64::max);
                if n.starts_with("temperature") {
                    night.extremes.insert(name(n), (low - 0.3, high + 5.0));
                }
                night.minutes.insert(name(n), list);
            }
            night
        })
        .collect();
    let sun = |h: f64| 38.0 * ((h - 12.2) / 24.0 * std::f64::consts::TAU).cos() - 17.0;
    let fault = 25.218_333_333_4;
    let mut contact = incident(
        2,
        FaultKind::Device,
        vec![member(
            "device.main-camera",
            21.9,
            Some(21.902),
            EventKind::ContactBreak,
            Belongs::First,
            "main camera is gone: the machine no longer sees it",
        )],
        Some(21.902),
    );
    contact.incident.harmless = true;
    let mut link = incident(
        1,
        FaultKind::Link,
        vec![member(
            "link.house",
            20.4,
            Some(20.403),
            EventKind::LinkDown,
            Belongs::First,
            "link to the house is out of reach",
        )],
        Some(20.403),
    );
    link.incident.harmless = true;
    let mut pause = incident(
        4,
        FaultKind::Program,
        vec![member(
            "frames.main",
            28.2,
            Some(28.7),
            EventKind::FrameArrived,
            Belongs::First,
            "no light frame for 20 min",
        )],
        Some(28.7),
    );
    pause.incident.pause_only = true;
    let mut marked = incident(
        5,
        FaultKind::Program,
        vec![member("program.guiding", 29.3, Some(29.33), EventKind::ProgramEnded, Belongs::First, "guiding ended")],
        Some(29.33),
    );
    let mark = Mark { at: stamp(32.0), kind: Some(MarkKind::MyDoing), words: "tried the new profile".into() };
    marked.incident.mark = Some(mark.clone());
    marked.marks.push(mark);
    let cascade = incident(
        3,
        FaultKind::Device,
        vec![
            member(
                "device.mount-cable",
                fault,
                Some(25.99),
                EventKind::DeviceLeft,
                Belongs::First,
                "mount cable is gone: the machine no longer sees it",
            ),
            member(
                "program.mount",
                fault + 1.4 / 3600.0,
                Some(26.0),
                EventKind::ProgramEnded,
                Belongs::LeansOn,
                "mount program ended (code 1)",
            ),
            member(
                "program.guiding",
                fault + 1.8 / 3600.0,
                Some(26.01),
                EventKind::ProgramEnded,
                Belongs::LeansOn,
                "guiding ended (code 1)",
            ),
            member(
                "frames.main",
                fault + 312.0 / 3600.0,
                Some(26.1),
                EventKind::FrameArrived,
                Belongs::LeansOn,
                "no light frame for 20 min",
            ),
        ],
        Some(26.1),
    );
    let mut events: Vec<Event> = vec![];
    let mut h = 18.9;
    while h < 29.98 {
        let stopped = (fault..26.02).contains(&h) || (28.12..28.7).contains(&h);
        if !stopped {
            events.push(
                Event::new(stamp(h), name("frames.main"), EventKind::FrameArrived, "")
                    .with("light", true)
                    .with("exposure_s", 300.0),
            );
        }
        h += 310.0 / 3600.0;
    }
    events.push(
        Event::new(
            stamp(fault),
            name("device.mount-cable"),
            EventKind::DeviceLeft,
            "mount cable is gone: the machine no longer sees it",
        )
        .with("port", "1-1.3"),
    );
    events.push(
        Event::new(stamp(fault - 0.4 / 3600.0), name("machine.this"), EventKind::KernelLine, "")
            .with("class", "usb")
            .with("line", "usb 1-1.3: USB disconnect, device number 7"),
    );
    events.push(
        Event::new(stamp(fault + 1.4 / 3600.0), name("program.mount"), EventKind::ProgramEnded, "")
            .with("code", 1)
            .with("uptime_s", 22_900.0),
    );
    events.sort_by_key(|e| e.at.wall);
    NightRows {
        settings: settings(),
        night: NightFrame {
            date: "2026-01-12".into(),
            from: at(12.0),
            to: at(36.0),
            sunset: Some(at(16.63)),
            sunrise: Some(at(32.2)),
            dark: vec![(at(17.95), at(30.9))],
            sun: (0..=288).map(|i| 12.0 + f64::from(i) / 12.0).map(|h| (at(h), sun(h))).collect(),
        },
        written: at(33.0),
        invented: true,
        sessions: vec![Session {
            id: 4,
            started: stamp(session_from),
            why: SessionStart::LightFrame,
            ended: Some(stamp(session_to)),
            end_why: Some(SessionEnd::OrderlyClose),
        }],
        incidents: vec![link, contact, cascade, pause, marked],
        alarms: vec![
            alarm(1, "rule.dew-margin-small", "dew.margin", Priority::Low, 27.5, Some(29.0), "dew margin below 2 K"),
            alarm(
                2,
                "rule.device-gone",
                "device.mount-cable",
                Priority::High,
                fault,
                Some(25.99),
                "mount cable is gone: the machine no longer sees it",
            ),
            alarm(
                3,
                "rule.cannot-read",
                "humidity.outside",
                Priority::Low,
                24.0,
                None,
                "outside humidity: no answer within 2 s",
            ),
        ],
        events,
        gaps: vec![GapRow { from: at(22.4), to: at(22.6), why: "crash".into() }],
        runs: vec![RunRow {
            id: 1,
            started: at(17.0),
            last_seen: at(31.5),
            ended: "clean".into(),
            boot_id: "invented".into(),
            version: "0.1.0".into(),
        }],
        changes: vec![ChangeRow {
            at: at(-10.0),
            what: "program.mount version".into(),
            old: "1.4".into(),
            new: "1.5".into(),
        }],
        quiet: None,
        detailed: vec![3],
        signals,
        earlier,
    }
}

/// A night of which nothing is known.
pub fn nothing() -> NightRows {
    NightRows {
        sessions: vec![],
        incidents: vec![],
        alarms: vec![],
        events: vec![],
        gaps: vec![],
        runs: vec![],
        changes: vec![],
        detailed: vec![],
        signals: BTreeMap::new(),
        earlier: vec![],
        ..night()
    }
}

/// The night in a real store at `path`: readings every 20 s, and the same events, sessions, incidents and alarms.
pub fn store(path: &std::path::Path) {
    use crate::model::{Batch, Outcome, Reading};
    use crate::store::{Options, Write, open};
    let rows = night();
    let clock = crate::clock::ManualClock::at(stamp(16.9));
    let options = Options { check_after: None, invented: true, ..Options::new(clock.clone(), "invented-boot") };
    let (writer, opened) = open(path, options).unwrap();
    let ids: Vec<_> = rows.signals.values().map(|m| opened.signals.register(m.def.as_ref().clone())).collect();
    let loaded = Event::new(stamp(16.9), name("agent.this"), EventKind::ConfigLoaded, "the configuration was loaded")
        .with(crate::report::settings::KEPT_AS, settings().to_json());
    let begin = Write {
        batch: Batch { at: stamp(16.9), ..Batch::default() },
        outcome: Outcome { events: vec![loaded], ..Outcome::default() },
        engine_state: None,
    };
    writer.write_patiently(begin);
    for step in 0..(14 * 180 + 90) {
        let hour = 17.0 + f64::from(step) / 180.0;
        let now = stamp(hour);
        let readings = rows
            .signals
            .values()
            .zip(&ids)
            .filter_map(|(m, id)| {
                let k = m.minutes.partition_point(|b| b.to <= now.wall);
                let b = m.minutes.get(k).filter(|b| b.from <= now.wall)?;
                Some(Reading::known(*id, now, m.def.round([b.min, b.mean, b.max][step as usize % 3])))
            })
            .collect();
        writer.write_patiently(Write { batch: Batch { at: now, readings, events: vec![] }, ..Write::default() });
        clock.advance(20_000);
    }
    let outcome = Outcome {
        sessions: rows.sessions.clone(),
        incidents: rows.incidents.iter().map(|r| r.incident.clone()).collect(),
        marks: rows.incidents.iter().flat_map(|r| r.marks.iter().map(|m| (r.incident.id, m.clone()))).collect(),
        events: rows.events.clone(),
        transitions: rows.alarms.iter().flat_map(|a| a.steps.clone()).collect(),
        ..Outcome::default()
    };
    writer.write_patiently(Write { batch: Batch { at: stamp(31.6), ..Batch::default() }, outcome, engine_state: None });
    for g in &rows.gaps {
        drop(writer.gap(g.clone(), stamp(22.4).boot, stamp(22.6).boot));
    }
    writer.close(Span::secs(30)).unwrap();
}
