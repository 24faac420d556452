//! The morning report of a 12 h night with 60 signals at 2 s: must take under 1 s and under 100 MB.
//!
//!     cargo bench --bench report
//!
//! Prints the time to build the report in this process, and time and peak memory of the built binary that does the whole
//! command. Ends with an error when a bound is missed by the binary.

use criterion::Criterion;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};
use tilldawn::clock::ManualClock;
use tilldawn::model::incident::{Belongs, Member};
use tilldawn::model::{
    Batch, BootMs, Event, EventKind, FaultKind, Incident, Name, Outcome, Reading, Session, SessionEnd, SessionStart,
    SignalDef, SignalId, Span, Stamp, Unit, UnixMs,
};
use tilldawn::night::night_of;
use tilldawn::report::morning;
use tilldawn::report::settings::Settings;
use tilldawn::store::{Options, Reader, Write, Writer, open};

/// 2026-01-12 17:00 UTC.
const EVENING: i64 = 1_768_237_200_000;
const DAY: i64 = 86_400_000;
const SIGNALS: usize = 60;
/// Nights before, to be compared with: their minutes are what is read of them.
const EARLIER: i64 = 20;
const BOUND: Duration = Duration::from_secs(1);
const BOUND_MB: f64 = 100.0;

fn name(t: &str) -> Name {
    Name::new(t).expect("a literal that is a name")
}

fn stamp(ms: i64) -> Stamp {
    Stamp::new(UnixMs(ms), BootMs(ms - EVENING + 100 * DAY))
}

fn signals() -> Vec<SignalDef> {
    let named = [
        ("temperature.box", Unit::Celsius, 0.1, "box"),
        ("temperature.outside", Unit::Celsius, 0.1, "outside"),
        ("dew.point", Unit::Celsius, 0.1, ""),
        ("dew.margin", Unit::Kelvin, 0.1, ""),
        ("load.cpu", Unit::Percent, 0.1, ""),
        ("pressure.cpu", Unit::Percent, 0.01, ""),
        ("memory.available-share", Unit::Percent, 0.1, ""),
        ("link.house.round-trip", Unit::Milliseconds, 0.001, ""),
        ("link.house.loss", Unit::Percent, 0.1, ""),
        ("interface.wlan0.signal", Unit::Dbm, 1.0, ""),
    ];
    let mut out: Vec<SignalDef> =
        named.iter().map(|(n, u, r, p)| SignalDef::new(name(n), *u, *r, "invented").at(*p)).collect();
    for i in 0.. {
        if out.len() == SIGNALS {
            return out;
        }
        out.push(SignalDef::new(name(&format!("program.p{i}.cpu")), Unit::Percent, 0.1, "invented"));
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

fn night(
    writer: &Writer,
    clock: &ManualClock,
    ids: &[(SignalId, SignalDef)],
    id: i64,
    from: i64,
    step: i64,
    fault: bool,
) {
    let to = from + 12 * 3_600_000;
    let mut at = from;
    while at < to {
        let hours = (at - from) as f64 / 3_600_000.0;
        let readings = ids
            .iter()
            .enumerate()
            .map(|(k, (id, def))| {
                let v = 20.0 - hours + 3.0 * noise(at / 1000, k as i64);
                Reading::known(*id, stamp(at), def.round(v))
            })
            .collect();
        writer.write_patiently(Write { batch: Batch { at: stamp(at), readings, events: vec![] }, ..Write::default() });
        clock.advance(step);
        at += step;
    }
    let mut outcome = Outcome {
        sessions: vec![Session {
            id,
            started: stamp(from),
            why: SessionStart::LightFrame,
            ended: Some(stamp(to)),
            end_why: Some(SessionEnd::Dawn),
        }],
        ..Outcome::default()
    };
    if fault {
        for (k, hour) in [3.0, 6.5, 9.0].into_iter().enumerate() {
            let opened = stamp(from + (hour * 3_600_000.0) as i64);
            let closed = opened.plus(Span::mins(20));
            let thing = name("program.p1");
            let member = Member {
                thing: thing.clone(),
                at: opened,
                within: Span::ZERO,
                until: Some(closed),
                alarm: None,
                event: Some(EventKind::ProgramEnded),
                belongs: Belongs::First,
                text: "it ended".into(),
            };
            outcome.incidents.push(Incident {
                id: k as i64 + 1,
                session: Some(id),
                opened,
                closed: Some(closed),
                members: vec![member],
                order_certain: true,
                kind: FaultKind::Program,
                harmless: false,
                pause_only: false,
                mark: None,
            });
            outcome.events.push(Event::new(opened, thing, EventKind::ProgramEnded, "").with("signal", 11));
        }
        let mut arrived = from;
        while arrived < to {
            let frame = Event::new(stamp(arrived), name("frames.main"), EventKind::FrameArrived, "");
            outcome.events.push(frame.with("light", true).with("exposure_s", 120.0));
            arrived += 130_000;
        }
    }
    writer.write_patiently(Write { batch: Batch { at: stamp(to), ..Batch::default() }, outcome, engine_state: None });
}

fn make(path: &Path) {
    let clock = ManualClock::at(stamp(EVENING - EARLIER * DAY - 1000));
    let options = Options { check_after: None, invented: true, ..Options::new(clock.clone(), "invented") };
    let (writer, opened) = open(path, options).expect("a new store");
    let ids: Vec<(SignalId, SignalDef)> =
        signals().into_iter().map(|d| (opened.signals.register(d.clone()), d)).collect();
    for k in (0..=EARLIER).rev() {
        let from = EVENING - k * DAY;
        let now = tilldawn::clock::Clock::now(clock.as_ref()).wall.0;
        clock.advance(from - now);
        let (step, fault) = if k == 0 { (2_000, true) } else { (60_000, false) };
        night(&writer, &clock, &ids, EARLIER - k + 1, from, step, fault);
    }
    writer.close(Span::secs(120)).expect("the store is written");
}

fn settings() -> Settings {
    Settings {
        field: "invented pier".into(),
        zone: "Europe/Berlin".into(),
        site: Some((51.0, 10.0, 300.0)),
        dark_below: 12.0,
        ..Settings::default()
    }
}

/// The whole command in a process of its own: time, and peak memory from the kernel's account of it.
fn whole_command(store: &Path, out: &Path) -> (Duration, f64) {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tilldawn"))
        .args(["report", "--night", "2026-01-12", "--as", "html", "--store"])
        .arg(store)
        .arg("--out")
        .arg(out)
        .stdout(Stdio::null())
        .spawn()
        .expect("the built binary runs");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb: f64 = 0.0;
    loop {
        // The high-water mark only grows, so the last one seen is missing what came in the last millisecond at most.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|l| l.strip_prefix("VmHWM:")).and_then(|v| v.split_whitespace().next());
        peak_kb = peak_kb.max(mark.and_then(|v| v.parse().ok()).unwrap_or(0.0));
        match child.try_wait().expect("the child can be asked") {
            Some(s) => {
                assert!(s.success(), "the report failed");
                return (begun.elapsed(), peak_kb / 1024.0);
            }
            None => std::thread::sleep(Duration::from_millis(1)),
        }
    }
}

fn main() -> ExitCode {
    let dir: PathBuf = std::env::temp_dir().join(format!("tilldawn-bench-{}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a temporary folder");
    let path = dir.join("night.db");
    make(&path);
    let size = std::fs::metadata(&path).map_or(0, |m| m.len()) as f64 / 1e6;
    println!("store: {size:.1} MB, {SIGNALS} signals, one night at 2 s, {EARLIER} nights before it");

    let zone = settings().time_zone();
    let night = night_of(UnixMs(EVENING), &zone);
    let written = UnixMs(EVENING + DAY);
    let mut c = Criterion::default().sample_size(10).measurement_time(Duration::from_secs(8)).configure_from_args();
    c.bench_function("report of a night, gathered and composed", |b| {
        b.iter(|| {
            let reader = Reader::open(&path).expect("the store");
            morning::build(&reader, &night, settings(), written).expect("a report")
        });
    });
    let reader = Reader::open(&path).expect("the store");
    let report = morning::build(&reader, &night, settings(), written).expect("a report");
    c.bench_function("report as HTML", |b| b.iter(|| morning::to_html(&report)));
    c.bench_function("picture of the night for the page", |b| {
        b.iter(|| morning::picture(&reader, &night, settings(), written).expect("a picture"));
    });

    let runs: Vec<(Duration, f64)> = (0..5).map(|_| whole_command(&path, &dir.join("report.html"))).collect();
    let mut times: Vec<Duration> = runs.iter().map(|r| r.0).collect();
    times.sort();
    let peak = runs.iter().map(|r| r.1).fold(0.0, f64::max);
    println!(
        "tilldawn report --as html: median {:?} of {} runs (bound {BOUND:?}), peak {peak:.1} MB (bound {BOUND_MB} MB)",
        times[times.len() / 2],
        times.len()
    );
    let _ = std::fs::remove_dir_all(&dir);
    if times[times.len() / 2] < BOUND && peak < BOUND_MB { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
