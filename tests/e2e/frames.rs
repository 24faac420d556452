//! Real FITS frames at a steady pace with a hole: yield and missing frames in the report.

use super::harness::{Agent, BOUND, Setting, Sleeper, now_ms, wait_for};
use rustix::process::Signal;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

/// Exposure and pace of the frames: as a night, but with seconds for minutes.
const EXPOSURE_MS: i64 = 800;
const PACE_MS: i64 = 1000;
const HOLE: i64 = 20;

/// A frame as a general-purpose FITS library (Python's `astropy`) writes it, IEEE 754 image and all.
pub fn frame(dir: &Path, exposure_s: f64) -> PathBuf {
    let out = dir.join("template.fits");
    let script = "import sys, numpy\nfrom astropy.io import fits\n\
                  h = fits.Header()\n\
                  h['IMAGETYP'] = 'Light Frame'\nh['EXPTIME'] = (float(sys.argv[2]), 'seconds')\n\
                  h['OBJECT'] = 'invented field'\nh['FILTER'] = 'L'\nh['CCD-TEMP'] = -10.1\nh['SET-TEMP'] = -10.0\n\
                  fits.PrimaryHDU(numpy.zeros((64, 48), dtype='int16'), header=h).writeto(sys.argv[1])\n";
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/.cache/venv/bin/python");
    let o =
        Command::new(&python).args(["-c", script]).arg(&out).arg(exposure_s.to_string()).output().unwrap_or_else(|e| {
            panic!("{}: {e}; `bash tests/run --needs` installs what the tests need", python.display())
        });
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    out
}

/// Writes frames at the pace until `until`; gives when each was complete.
fn expose(template: &Path, folder: &Path, from: i64, until: i64, written: &mut Vec<i64>) {
    let mut due = from;
    while due < until {
        std::thread::sleep(Duration::from_millis(u64::try_from((due - now_ms()).max(0)).unwrap()));
        std::fs::copy(template, folder.join(format!("field-{:04}.fits", written.len()))).unwrap();
        written.push(now_ms());
        due += PACE_MS;
    }
}

const CONFIG: &str = r#"
field = "orchard pier"
[agent]
every = "200 ms"
[link.gateway]
watch = false
[session]
chain = ["program.camera"]
[program.camera]
executable = "orchard-exposures"
[frames]
folder = "FOLDER"
leans_on = ["program.camera"]
"#;

fn report(agent: &Agent) -> Value {
    let store = agent.store.to_str().unwrap();
    let o = agent.tilldawn(&["report", "--store", store, "--night", "tonight", "--as", "json"]);
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    serde_json::from_slice(&o.stdout).unwrap()
}

#[test]
fn yield_and_missing_frames_are_right() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("frames");
    std::fs::create_dir(&folder).unwrap();
    let template = frame(dir.path(), EXPOSURE_MS as f64 / 1000.0);
    let mut camera = Sleeper::start(dir.path(), "orchard-exposures");
    let mut agent = Setting::new(&CONFIG.replace("FOLDER", folder.to_str().unwrap())).start();
    agent.wait_json("the camera program is seen", "/api/v1/summary", BOUND, |v| {
        v["things"].as_array()?.iter().any(|t| t["thing"] == "program.camera").then_some(())
    });
    // The agent must be looking at the folder before the first frame comes.
    agent.wait_json("the frames folder is watched", "/api/v1/signals", BOUND, |v| {
        v.to_string().contains("frames.main.count").then_some(())
    });
    let mut written = vec![];
    let begun = now_ms();
    expose(&template, &folder, begun, begun + 20 * PACE_MS, &mut written);
    agent.wait_json("the session begun by a light frame", "/api/v1/summary", BOUND, |v| {
        (!v["session"].is_null()).then_some(())
    });

    // The camera program is killed right after a frame; twenty frames are missing until it is back.
    camera.end(Signal::KILL);
    let last = *written.last().unwrap();
    let again = last + (HOLE + 1) * PACE_MS;
    std::thread::sleep(Duration::from_millis(u64::try_from(again - 1500 - now_ms()).unwrap()));
    let camera = Sleeper::start(dir.path(), "orchard-exposures");
    expose(&template, &folder, again, again + 15 * PACE_MS, &mut written);
    let n = written.len();
    let r = wait_for("the last frame is counted", BOUND, || {
        let r = report(&agent);
        (r["totals"]["light_frames"] == n as i64).then_some(r)
    });
    let totals = &r["totals"];
    assert_eq!(totals["faults"], 1, "{r:#}");
    let fault = &r["incidents"][0];
    assert_eq!(fault["failed_first"], "program.camera");
    let missing = fault["cost"]["light_frames_missing"].as_i64().unwrap();
    assert!((missing - HOLE).abs() <= 1, "{missing} frames missing: {fault:#}");
    assert_eq!(totals["light_frames_missing"], missing);
    // Lost from the fault until the next exposure began: the pace before it was 1 s, the exposure 0.8 s.
    let lost = fault["cost"]["dark_lost_seconds"].as_f64().unwrap();
    let truth = (written[20] - EXPOSURE_MS - last) as f64 / 1000.0;
    assert!((lost - truth).abs() < 1.0, "{lost} s lost instead of {truth}");
    // Light divided by session time. The frame with which the session began was exposed before it.
    let session = totals["session_seconds"].as_f64().unwrap();
    let light = (n - 1) as f64 * EXPOSURE_MS as f64 / 1000.0;
    let share = totals["yield"].as_f64().unwrap();
    assert!((share - light / session).abs() < 0.02, "yield {share} instead of {}", light / session);
    // Light, loss and the time between frames make up the session.
    let sum: f64 =
        ["light_seconds", "dark_lost_seconds", "paused_seconds", "between_frames_seconds", "dark_not_watched_seconds"]
            .iter()
            .map(|k| totals[*k].as_f64().unwrap())
            .sum();
    assert!((sum - session).abs() < 0.01, "{sum} of {session}: {totals:#}");
    drop(camera);
    agent.stop();
}

/// The same at the pace of a real night, with the time injected: real FITS files, the real probe, engine, store and report, one frame
/// a minute and a hole of twenty minutes.
#[test]
fn a_hole_of_twenty_minutes() {
    use std::fs::{self, File};
    use tilldawn::clock::{Clock, ManualClock, SharedClock};
    use tilldawn::engine::{Engine, Plan};
    use tilldawn::model::{Batch, BootMs, Event, EventKind, Name, Reading, SignalDef, Span, Stamp, Unit, UnixMs};
    use tilldawn::probe::{self, Roots, Setup as ProbeSetup, Take};
    use tilldawn::report::settings::{KEPT_AS, Settings};
    use tilldawn::store::{Options, Write, open};

    const STEP: i64 = 5_000;
    const MINUTE: i64 = 60_000;
    /// 2026-01-12 20:00 UTC.
    const BEGIN: i64 = 1_768_248_000_000;
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("frames");
    fs::create_dir(&folder).unwrap();
    let template = frame(dir.path(), 50.0);
    let text = CONFIG.replace("FOLDER", folder.to_str().unwrap()).replace("200 ms", "5 s");
    let config = tilldawn::config::parse(&text, None).unwrap();
    let clock = ManualClock::at(Stamp::new(UnixMs(BEGIN), BootMs(MINUTE * 60)));
    let store = dir.path().join("night.db");
    let options = Options { check_after: None, ..Options::new(clock.clone(), "one boot") };
    let (writer, opened) = open(&store, options).unwrap();
    let signals = opened.signals.clone();
    let shared: SharedClock = clock.clone();
    let setup = ProbeSetup { config: &config, roots: Roots::system(), signals: signals.clone(), clock: shared.clone() };
    let mut probe = probe::frames::probes(&setup).pop().unwrap();
    let camera = Name::new("program.camera").unwrap();
    let runs = signals.register(SignalDef::new(camera.clone(), Unit::Truth, 1.0, "camera runs").within(0.0, 1.0));
    let mut engine = Engine::new(Plan::from_config(&config, vec![], jiff::tz::TimeZone::UTC), None);

    // Frames at the minutes 1 to 30 and 51 to 80; the camera program is gone from a moment after the first hole minute begins.
    let exposes = |minute: i64| (1..=30).contains(&minute) || (51..=80).contains(&minute);
    let gone = |ms: i64| (30 * MINUTE + STEP..=50 * MINUTE).contains(&ms);
    let (mut written, mut was_gone) = (0, false);
    let mut first = vec![
        Event::new(clock.now(), Name::new("agent.this").unwrap(), EventKind::ConfigLoaded, "")
            .with(KEPT_AS, Settings::from_config(&config).to_json()),
    ];
    for ms in (0..=85 * MINUTE).step_by(STEP as usize) {
        let at = clock.now();
        let mut readings = vec![];
        let mut events = std::mem::take(&mut first);
        if ms % MINUTE == 0 && exposes(ms / MINUTE) {
            let path = folder.join(format!("field-{written:04}.fits"));
            fs::copy(&template, &path).unwrap();
            let when = std::time::UNIX_EPOCH + Duration::from_millis(u64::try_from(at.wall.0).unwrap());
            File::options().write(true).open(&path).unwrap().set_modified(when).unwrap();
            written += 1;
        }
        if gone(ms) != was_gone {
            was_gone = !was_gone;
            events.push(match was_gone {
                true => {
                    Event::new(at, camera.clone(), EventKind::ProgramEnded, "").with("how", "crashed").with("signal", 9)
                }
                false => Event::new(at, camera.clone(), EventKind::ProgramStarted, "").with("restart", true),
            });
        }
        readings.push(Reading::known(runs, at, f64::from(u8::from(!was_gone))));
        probe.take(&mut Take::new(&shared, &signals, &mut readings, &mut events));
        let batch = Batch { at, readings, events };
        let outcome = engine.step(&batch, &signals);
        drop(writer.write_patiently(Write { batch, outcome, engine_state: None }));
        clock.advance(STEP);
    }
    writer.close(Span::secs(60)).unwrap();

    let path = store.to_str().unwrap();
    let o = super::harness::tilldawn(dir.path(), &["report", "--store", path, "--night", "2026-01-12", "--as", "json"]);
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    let r: Value = serde_json::from_slice(&o.stdout).unwrap();
    let totals = &r["totals"];
    assert_eq!((&totals["light_frames"], &totals["faults"]), (&60.into(), &1.into()), "{r:#}");
    let cost = &r["incidents"][0]["cost"];
    // Minutes 31 to 50: twenty frames at the pace of one a minute.
    assert!((cost["light_frames_missing"].as_i64().unwrap() - 20).abs() <= 1, "{cost:#}");
    // From the end of the program until the next exposure began: 51 min minus 50 s of exposure, minus 30 min and one step.
    let lost = cost["dark_lost_seconds"].as_f64().unwrap();
    assert!((lost - (21.0 * 60.0 - 50.0 - 5.0)).abs() <= 10.0, "{lost} s lost");
    // Light divided by session time; the frame with which the session began was exposed before it.
    let session = totals["session_seconds"].as_f64().unwrap();
    let share = totals["yield"].as_f64().unwrap();
    assert!((share - 59.0 * 50.0 / session).abs() < 0.02, "yield {share} of {session} s");
}
