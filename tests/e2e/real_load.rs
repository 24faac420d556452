//! Real input: a load that is started and stopped while the agent watches this very machine shows in the report.

use crate::harness::{BOUND, Setting, tilldawn};
use std::process::Command;

#[test]
fn a_load_that_comes_and_goes_is_in_the_report() {
    let mut agent = Setting::new("[agent]\nevery = \"500 ms\"\ncommit_every = \"1 s\"\n").start();
    agent.wait_json("ten cycles before", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 10).then_some(()));
    let begun = crate::harness::now_ms();
    let cores = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
    let mut load: Vec<_> =
        (0..cores).map(|_| Command::new("/bin/sh").args(["-c", "while :; do :; done"]).spawn().unwrap()).collect();
    let from = agent.json("/api/v1/summary")["cycle"].as_i64().unwrap();
    agent.wait_json("twenty cycles under load", "/api/v1/summary", BOUND, |v| {
        (v["cycle"].as_i64()? > from + 20).then_some(())
    });
    for l in &mut load {
        l.kill().unwrap();
        l.wait().unwrap();
    }
    let ended = crate::harness::now_ms();
    let from = agent.json("/api/v1/summary")["cycle"].as_i64().unwrap();
    agent.wait_json("cycles after", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > from + 10).then_some(()));

    // The API shows it in the seconds in which it was there. Other tests may load the machine too, so only its presence is told.
    let path = format!("/api/v1/signals/load.cpu?from={begun}&to={ended}&points=4");
    let v = agent.json(&path);
    let highest = v["buckets"].as_array().unwrap().iter().filter_map(|b| b["max"].as_f64()).fold(0.0, f64::max);
    assert!(highest > 90.0, "{v:#}");
    agent.stop();
    let out = tilldawn(&agent.folder, &["report", "--store", agent.store.to_str().unwrap(), "--night", "tonight"]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{text}{}", String::from_utf8_lossy(&out.stderr));
    let line = text.lines().find(|l| l.starts_with("load.cpu ")).unwrap_or_else(|| panic!("{text}"));
    // "load.cpu  LOWEST %  MEAN %  HIGHEST %  …"
    let highest: f64 = line.split(" %").nth(2).and_then(|w| w.split_whitespace().last()?.parse().ok()).unwrap();
    assert!(highest > 90.0, "{line}");
}
