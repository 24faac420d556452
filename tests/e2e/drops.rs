//! The way to the house cut while frames go on: how long it was, and that nothing was lost by it.

use super::frames::frame;
use super::harness::{Agent, BOUND, Setting, Sleeper, now_ms, wait_for};
use super::links::Cable;
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

const CONFIG: &str = r#"
field = "orchard pier"
[link.gateway]
watch = false
[link.house]
title = "link to the house"
to = "192.0.2.2"
[session]
chain = ["program.camera"]
[program.camera]
executable = "PROGRAMS/orchard-shutter"
[frames]
folder = "FOLDER"
leans_on = ["program.camera"]
# A machine that runs many tests at once is starved by them, which is another story.
[rule.processor-starved]
enabled = false
"#;

fn report(agent: &Agent, form: &str) -> String {
    let store = agent.store.to_str().unwrap();
    let o = agent.tilldawn(&["report", "--store", store, "--night", "tonight", "--as", form]);
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    String::from_utf8(o.stdout).unwrap()
}

/// Cuts the way for so many seconds and checks what the report tells.
fn cut(what: &str, seconds: u64) {
    let cable = Cable::new(what);
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("frames");
    std::fs::create_dir(&folder).unwrap();
    let template = frame(dir.path(), 0.8);
    let camera = Sleeper::start(dir.path(), "orchard-shutter");
    let mut setting = Setting::new(
        &CONFIG.replace("FOLDER", folder.to_str().unwrap()).replace("PROGRAMS", dir.path().to_str().unwrap()),
    );
    setting.before = ["ip", "netns", "exec", &cable.field].map(String::from).into();
    let mut agent = setting.start();
    // Frames go on through everything: a camera needs no house.
    let over = Arc::new(AtomicBool::new(false));
    let exposing = std::thread::spawn({
        let over = over.clone();
        move || {
            let mut n = 0;
            while !over.load(Ordering::Relaxed) {
                std::fs::copy(&template, folder.join(format!("field-{n:04}.fits"))).unwrap();
                n += 1;
                std::thread::sleep(Duration::from_secs(1));
            }
        }
    });
    let json = || -> Value { serde_json::from_str(&report(&agent, "json")).unwrap() };
    wait_for("a session begun by a light frame", BOUND, || {
        let r = json();
        (!r["sessions"].as_array()?.is_empty() && r["totals"]["light_frames"].as_i64()? > 8).then_some(())
    });
    let pulled = now_ms();
    cable.pull();
    // The length of the cut is what is tested, so these are real seconds.
    std::thread::sleep(Duration::from_secs(seconds));
    let plugged = now_ms();
    cable.plug();
    // Whether it mattered is judged some time after its end, when frames have had their chance to come.
    let r = wait_for("the cut is over and judged", Duration::from_secs(180), || {
        let r = json();
        let i = r["incidents"].as_array()?.first()?.clone();
        (!i["closed"].is_null() && i["counts_as"] != "fault").then_some(r)
    });
    over.store(true, Ordering::Relaxed);
    exposing.join().unwrap();
    let incidents = r["incidents"].as_array().unwrap();
    assert_eq!(incidents.len(), 1, "{r:#}");
    let i = &incidents[0];
    let at = |k: &str| i["cascade"][0][k].as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_millisecond();
    assert_eq!((&i["failed_first"], &i["counts_as"]), (&"link.house".into(), &"harmless".into()), "{i:#}");
    let (told, truth) = (at("until") - at("at"), plugged - pulled);
    // Within one sampling step, 1 s, and what the commands take on a loaded machine.
    assert!((told - truth).abs() <= 1300, "{told} ms instead of {truth}: {i:#}");
    assert!((at("at") - pulled).abs() <= 1300, "{i:#}");
    assert_eq!((&r["totals"]["faults"], &r["totals"]["harmless"]), (&0.into(), &1.into()));
    assert_eq!(r["totals"]["dark_lost_seconds"], 0);
    let text = report(&agent, "text");
    let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in ["One short break lost nothing.", "a Link to the house was out of reach at", "nothing was lost by it"]
    {
        assert!(flowing.contains(words), "no `{words}` in\n{text}");
    }
    drop(camera);
    agent.stop();
}

#[test]
fn a_cut_of_ten_seconds() {
    cut("ten", 10);
}

#[test]
fn a_cut_of_ninety_seconds() {
    cut("ninety", 90);
}
