//! An invented pier in an invented orchard: a store with a night of 12 h and quiet nights before it, written through the
//! store itself. For tests of reports on the built binary, and for their benchmark.

use std::path::Path;
use tilldawn::clock::{Clock, ManualClock};
use tilldawn::model::incident::{Belongs, Member};
use tilldawn::model::{
    Batch, BootMs, Event, EventKind, FaultKind, Incident, Name, Outcome, Reading, Session, SessionEnd, SessionStart,
    SignalDef, SignalId, Span, Stamp, Unit, UnixMs,
};
use tilldawn::report::settings::{KEPT_AS, Settings, Thing};
use tilldawn::store::{Options, Write, Writer, open};

/// 2026-01-12 17:00 UTC: the session of the night begins.
pub const EVENING: i64 = 1_768_237_200_000;
/// One day.
pub const DAY: i64 = 86_400_000;
/// Length of a session.
pub const HOURS: i64 = 12;

/// How large the store becomes.
pub struct Shape {
    /// Signals, at least the fifteen named ones.
    pub signals: usize,
    /// Step of the readings of the night, ms.
    pub step: i64,
    /// Quiet nights before it, with a reading a minute.
    pub earlier: i64,
}

fn name(t: &str) -> Name {
    Name::new(t).expect("a literal that is a name")
}

/// An instant on both clocks.
pub fn stamp(ms: i64) -> Stamp {
    Stamp::new(UnixMs(ms), BootMs(ms - EVENING + 400 * DAY))
}

/// An instant of the night, in hours since the session began.
pub fn at(hours: f64) -> Stamp {
    stamp(EVENING + (hours * 3_600_000.0).round() as i64)
}

fn signals(wanted: usize) -> Vec<SignalDef> {
    let named = [
        ("temperature.box", Unit::Celsius, 0.1, "box air temperature", "box"),
        ("temperature.outside", Unit::Celsius, 0.1, "outside air temperature", "outside"),
        ("temperature.core", Unit::Celsius, 0.5, "processor temperature", "component"),
        ("dew.point", Unit::Celsius, 0.1, "dew point", ""),
        ("dew.margin", Unit::Kelvin, 0.1, "outside temperature above the dew point", ""),
        ("load.cpu", Unit::Percent, 0.1, "processor busy", ""),
        ("pressure.cpu", Unit::Percent, 0.01, "time in which something waited for the processor", ""),
        ("memory.available-share", Unit::Percent, 0.1, "memory available", ""),
        ("link.house.round-trip", Unit::Milliseconds, 0.001, "time until the house answered", ""),
        ("link.house.loss", Unit::Percent, 0.1, "answers lost", ""),
        ("interface.wlan0.signal", Unit::Dbm, 1.0, "Wi-Fi signal", ""),
    ];
    let mut out: Vec<SignalDef> =
        named.iter().map(|(n, u, r, w, p)| SignalDef::new(name(n), *u, *r, *w).at(*p)).collect();
    for thing in ["device.mount-cable", "program.mount", "program.guiding", "link.house"] {
        out.push(SignalDef::new(name(thing), Unit::Truth, 1.0, "it is there").within(0.0, 1.0));
    }
    for i in 0..wanted.saturating_sub(out.len()) {
        out.push(SignalDef::new(name(&format!("program.p{i}.cpu")), Unit::Percent, 0.1, "processor use"));
    }
    out
}

/// A repeatable number between 0 and 1.
fn noise(i: i64, k: i64) -> f64 {
    let mut x = (i as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (k as u64).wrapping_mul(0xd1b5_4a32_d192_ed03);
    x ^= x >> 29;
    x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    (x >> 40) as f64 / (1u64 << 24) as f64
}

fn value(signal: &str, hours: f64, n: f64) -> f64 {
    match signal {
        "temperature.box" => 9.0 + 5.0 * (-hours / 4.0).exp() + 0.3 * n,
        "temperature.outside" => -3.0 + 6.0 * (-hours / 4.0).exp() + 0.3 * n,
        "temperature.core" => 40.0 + 3.0 * n,
        "dew.point" => -5.0 + 3.0 * (-hours / 5.0).exp() + 0.1 * n,
        "dew.margin" => 2.0 + 3.0 * (-hours / 4.0).exp() + 0.2 * n,
        "load.cpu" => 30.0 + 15.0 * n,
        "pressure.cpu" => 2.0 + 3.0 * n,
        "memory.available-share" => 58.0 - hours + n,
        "link.house.round-trip" => 3.0 + 3.0 * n * n,
        "link.house.loss" => 0.0,
        "device.mount-cable" | "program.mount" | "program.guiding" | "link.house" => 1.0,
        "interface.wlan0.signal" => -62.0 + 4.0 * n,
        _ => 3.0 + 4.0 * n,
    }
}

fn member(thing: &str, hours: f64, until: f64, event: EventKind, belongs: Belongs, text: &str) -> Member {
    Member {
        thing: name(thing),
        at: at(hours),
        within: Span::ZERO,
        until: Some(at(until)),
        alarm: None,
        event: Some(event),
        belongs,
        text: text.into(),
    }
}

fn incident(id: i64, session: i64, kind: FaultKind, members: Vec<Member>) -> Incident {
    Incident {
        id,
        session: Some(session),
        opened: members[0].at,
        closed: members.iter().filter_map(|m| m.until).max_by_key(|u| u.wall),
        members,
        order_certain: true,
        kind,
        harmless: false,
        pause_only: false,
        mark: None,
    }
}

/// What happened in the night: a short break, a cable that took mount and guiding with it, and two ends of one program.
pub fn happened(session: i64) -> (Vec<Incident>, Vec<Event>) {
    use Belongs::{First, LeansOn};
    let mut short = incident(
        1,
        session,
        FaultKind::Link,
        vec![member("link.house", 1.5, 1.503, EventKind::LinkDown, First, "link to the house is out of reach")],
    );
    short.harmless = true;
    let second = 1.0 / 3600.0;
    let cable = incident(
        2,
        session,
        FaultKind::Device,
        vec![
            member("device.mount-cable", 3.0, 3.3, EventKind::DeviceLeft, First, "mount cable is gone"),
            member(
                "program.mount",
                3.0 + 1.4 * second,
                3.32,
                EventKind::ProgramEnded,
                LeansOn,
                "mount program ended (code 1)",
            ),
            member(
                "program.guiding",
                3.0 + 1.8 * second,
                3.33,
                EventKind::ProgramEnded,
                LeansOn,
                "guiding ended (code 1)",
            ),
        ],
    );
    let end = |id, hours: f64| {
        incident(
            id,
            session,
            FaultKind::Program,
            vec![member(
                "program.guiding",
                hours,
                hours + 0.3,
                EventKind::ProgramEnded,
                First,
                "guiding ended (signal 11)",
            )],
        )
    };
    let incidents = vec![short, cable, end(3, 6.5), end(4, 9.0)];
    let mut events = vec![
        Event::new(at(3.0), name("device.mount-cable"), EventKind::DeviceLeft, "").with("port", "1-1.3"),
        Event::new(at(3.0 + 1.4 * second), name("program.mount"), EventKind::ProgramEnded, "").with("code", 1),
    ];
    for hours in [6.5, 9.0] {
        events.push(Event::new(at(hours), name("program.guiding"), EventKind::ProgramEnded, "").with("signal", 11));
    }
    let lost = [(3.0, 3.35), (6.5, 6.85), (9.0, 9.35)];
    let mut arrived = 130.0 / 3600.0;
    while arrived < HOURS as f64 {
        let begun = arrived - 120.0 / 3600.0;
        if !lost.iter().any(|(a, b)| begun < *b && arrived > *a) {
            let frame = Event::new(at(arrived), name("frames.main"), EventKind::FrameArrived, "");
            events.push(frame.with("light", true).with("exposure_s", 120.0));
        }
        arrived += 130.0 / 3600.0;
    }
    events.sort_by_key(|e| e.at.wall);
    (incidents, events)
}

/// Settings of the pier.
pub fn settings() -> Settings {
    let thing = |n: &str, title: &str, leans: &[&str]| Thing {
        name: name(n),
        title: title.into(),
        leans_on: leans.iter().map(|l| name(l)).collect(),
    };
    Settings {
        field: "orchard pier".into(),
        zone: "Europe/Berlin".into(),
        site: Some((51.0, 10.0, 300.0)),
        dark_below: 12.0,
        things: vec![
            thing("device.mount-cable", "mount cable", &[]),
            thing("program.mount", "mount program", &["device.mount-cable"]),
            thing("program.guiding", "guiding", &["program.mount"]),
            thing("frames.main", "frames", &["program.guiding"]),
            thing("link.house", "link to the house", &[]),
        ],
        ..Settings::default()
    }
}

fn night(writer: &Writer, clock: &ManualClock, ids: &[(SignalId, SignalDef)], id: i64, from: i64, step: i64) {
    let to = from + HOURS * 3_600_000;
    let mut now = from;
    while now < to {
        let hours = (now - from) as f64 / 3_600_000.0;
        let readings = ids
            .iter()
            .enumerate()
            .map(|(k, (id, def))| {
                let v = value(def.name.as_str(), hours, noise(now / 1000, k as i64));
                Reading::known(*id, stamp(now), def.round(v))
            })
            .collect();
        writer.write_patiently(Write { batch: Batch { at: stamp(now), readings, events: vec![] }, ..Write::default() });
        clock.advance(step);
        now += step;
    }
    let session = Session {
        id,
        started: stamp(from),
        why: SessionStart::LightFrame,
        ended: Some(stamp(to)),
        end_why: Some(SessionEnd::Dawn),
    };
    let mut outcome = Outcome { sessions: vec![session], ..Outcome::default() };
    if from == EVENING {
        (outcome.incidents, outcome.events) = happened(id);
    }
    writer.write_patiently(Write { batch: Batch { at: stamp(to), ..Batch::default() }, outcome, engine_state: None });
}

/// Writes the store.
pub fn write(path: &Path, shape: &Shape) {
    let first = EVENING - shape.earlier * DAY;
    let clock = ManualClock::at(stamp(first - 1000));
    let options = Options { check_after: None, invented: true, ..Options::new(clock.clone(), "invented") };
    let (writer, opened) = open(path, options).expect("a new store");
    let ids: Vec<(SignalId, SignalDef)> =
        signals(shape.signals).into_iter().map(|d| (opened.signals.register(d.clone()), d)).collect();
    let loaded =
        Event::new(stamp(first - 1000), name("agent.this"), EventKind::ConfigLoaded, "the configuration was loaded")
            .with(KEPT_AS, settings().to_json());
    writer.write_patiently(Write {
        batch: Batch { at: stamp(first - 1000), ..Batch::default() },
        outcome: Outcome { events: vec![loaded], ..Outcome::default() },
        engine_state: None,
    });
    for k in (0..=shape.earlier).rev() {
        let from = EVENING - k * DAY;
        clock.advance(from - clock.now().wall.0);
        let step = if k == 0 { shape.step } else { 60_000 };
        night(&writer, &clock, &ids, shape.earlier - k + 1, from, step);
    }
    writer.close(Span::secs(120)).expect("the store is written");
}
