//! The wall clock stepped an hour forward and back under the running binary: no false outage, no lost order.

use crate::harness::{Agent, BOUND, Setting, Sleeper};
use rustix::process::Signal;
use std::path::Path;
use tilldawn::model::UnixMs;
use tilldawn::store::Reader;

const CONFIG: &str = r#"
[agent]
every = "200 ms"
[session]
chain = ["program.steady"]
[program.steady]
executable = "steady-under-test"
[link.self]
to = "127.0.0.1"
every = "200 ms"
"#;

/// The agent's wall clock, and no other, is off by what stands in the file, now and whenever it is written anew.
pub fn fake_wall_clock(setting: &mut Setting, file: &Path) {
    for (k, v) in [
        ("LD_PRELOAD", faketime_library()),
        ("FAKETIME_TIMESTAMP_FILE", file.to_str().unwrap().into()),
        ("FAKETIME_NO_CACHE", "1".into()),
        ("DONT_FAKE_MONOTONIC", "1".into()),
        ("FAKETIME_DONT_FAKE_MONOTONIC", "1".into()),
    ] {
        setting.env.push((k.into(), v));
    }
}

fn faketime_library() -> String {
    let found = ["x86_64-linux-gnu", "aarch64-linux-gnu"]
        .map(|t| format!("/usr/lib/{t}/faketime/libfaketime.so.1"))
        .into_iter()
        .find(|p| Path::new(p).exists());
    found.expect("libfaketime is installed by tests/run (package faketime)")
}

fn step(agent: &Agent, file: &Path, offset: &str) {
    let before = agent.json("/api/v1/summary")["cycle"].as_i64().unwrap();
    std::fs::write(file, format!("{offset}\n")).unwrap();
    // Twenty cycles are four seconds: longer than any delay of the rules that could be fooled within it.
    agent.wait_json("twenty cycles after the step", "/api/v1/summary", BOUND, |v| {
        (v["cycle"].as_i64()? > before + 20).then_some(())
    });
}

#[test]
fn an_hour_forward_and_back_makes_no_outage_and_keeps_the_order() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("offset");
    std::fs::write(&file, "+0\n").unwrap();
    let mut setting = Setting::new(CONFIG);
    setting.folder = Some(folder.path().into());
    fake_wall_clock(&mut setting, &file);
    let mut program = Sleeper::start(folder.path(), "steady-under-test");
    let mut agent = setting.start();
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| (!v["session"].is_null()).then_some(()));
    step(&agent, &file, "+3600");
    step(&agent, &file, "+0");
    let v = agent.json("/api/v1/summary");
    let outages: Vec<_> = v["alarms"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|a| a["rule"] != "rule.clock-not-set" && a["rule"] != "rule.cannot-read")
        .collect();
    assert!(outages.is_empty(), "{outages:#?}");
    // A real end afterwards is still seen, and comes last in order.
    program.end(Signal::KILL);
    agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
        v["alarms"].as_array()?.iter().any(|a| a["thing"] == "program.steady").then_some(())
    });
    agent.stop();
    let reader = Reader::open(&agent.store).unwrap();
    let mut events = reader.events(UnixMs(0), UnixMs(i64::MAX), &[]).unwrap();
    // The store lists them by the wall clock, on which the step back comes first.
    events.sort_by_key(|e| e.at.boot);
    let steps: Vec<i64> =
        events.iter().filter(|e| e.kind.code() == "clock_step").map(|e| e.detail["by_ms"].as_i64().unwrap()).collect();
    assert_eq!(steps.len(), 2, "{steps:?}");
    assert!((steps[0] - 3_600_000).abs() < 2000 && (steps[1] + 3_600_000).abs() < 2000, "{steps:?}");
    let seqs: Vec<_> = reader.transitions(0, 1000).unwrap().into_iter().map(|t| (t.seq, t.announced.boot)).collect();
    assert!(seqs.windows(2).all(|w| w[0].0 < w[1].0 && w[0].1 <= w[1].1), "{seqs:?}");
}
