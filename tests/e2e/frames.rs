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
pub fn frame(dir: &Path) -> PathBuf {
    let out = dir.join("template.fits");
    let script = "import sys, numpy\nfrom astropy.io import fits\n\
                  h = fits.Header()\n\
                  h['IMAGETYP'] = 'Light Frame'\nh['EXPTIME'] = (float(sys.argv[2]), 'seconds')\n\
                  h['OBJECT'] = 'invented field'\nh['FILTER'] = 'L'\nh['CCD-TEMP'] = -10.1\nh['SET-TEMP'] = -10.0\n\
                  fits.PrimaryHDU(numpy.zeros((64, 48), dtype='int16'), header=h).writeto(sys.argv[1])\n";
    let python = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/.cache/venv/bin/python");
    let o = Command::new(&python)
        .args(["-c", script])
        .arg(&out)
        .arg((EXPOSURE_MS as f64 / 1000.0).to_string())
        .output()
        .unwrap_or_else(|e| panic!("{}: {e}; `bash tests/run --needs` installs what the tests need", python.display()));
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
    let template = frame(dir.path());
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
