//! Drawing in software, for real: Mesa's software renderer under a virtual display (packages xvfb, mesa-utils, libgl1-mesa-dri). There is no
//! graphics hardware on the machine that tests this; hardware is a made-up tree in `fixtures.rs`.

use crate::harness::{Setting, tilldawn, wait_for};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A process that ends with the test.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A virtual display on a number that the server picks itself.
fn display() -> (Running, String) {
    let mut child = Command::new("Xvfb")
        .args(["-displayfd", "1", "-screen", "0", "320x240x24", "-nolisten", "tcp"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("Xvfb runs (package xvfb)");
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    (Running(child), format!(":{}", line.trim()))
}

/// A program that draws all the time, under a name of its own so that it is found by it.
fn drawing(folder: &Path, name: &str, display: &str, driver: &str) -> Running {
    let file = folder.join(name);
    std::fs::copy("/usr/bin/glxgears", &file).expect("glxgears is there (package mesa-utils)");
    // Started low in rank: it takes whatever processor it can get, and other tests run beside it.
    let child = Command::new("nice")
        .args(["-n", "19"])
        .arg(&file)
        .args(["-display", display])
        .env("GALLIUM_DRIVER", driver)
        .env("LIBGL_ALWAYS_SOFTWARE", "1")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    Running(child)
}

#[test]
fn a_program_that_draws_on_the_processor_is_named_with_what_it_costs() {
    let folder = tempfile::tempdir().unwrap();
    let (_x, display) = display();
    // The kernel keeps fifteen letters of a name.
    let gears = drawing(folder.path(), "sky-gears", &display, "llvmpipe");
    let soft = drawing(folder.path(), "soft-gears", &display, "softpipe");
    let tasks = format!("/proc/{}/task", gears.0.id());
    wait_for("its drawing threads", Duration::from_secs(60), || {
        let all = std::fs::read_dir(&tasks).ok()?;
        let comm = |e: std::fs::DirEntry| std::fs::read_to_string(e.path().join("comm")).unwrap_or_default();
        all.flatten().map(comm).any(|c| c.starts_with("llvmpipe-")).then_some(())
    });
    let maps = format!("/proc/{}/maps", soft.0.id());
    wait_for("the other one's library", Duration::from_secs(60), || {
        std::fs::read_to_string(&maps).ok().filter(|m| m.contains("swrast_dri") || m.contains("libgallium")).map(drop)
    });
    let config = "[agent]\ncommit_every = \"1 s\"\n[program.gears]\nexecutable = \"sky-gears\"\n[program.soft]\nexecutable = \"soft-gears\"\n\
        [program.test]\ncommand = \"a_program_that_draws_on_the_processor\"\n[program.away]\nexecutable = \"no-such-drawing\"\n";
    let mut agent = Setting::new(config).start();
    let latest = |name: &str| {
        agent.wait_json(name, "/api/v1/signals", Duration::from_secs(90), |v| {
            let s = v["signals"].as_array()?.iter().find(|s| s["name"] == name)?;
            let l = &s["latest"];
            (l["value"].is_number() || (!l["unavailable"].is_null() && l["unavailable"]["code"] != "not_yet"))
                .then(|| l.clone())
        })
    };
    assert_eq!(latest("graphics.hardware")["value"], 0.0);
    assert_eq!(latest("program.gears.software-drawing")["value"], 1.0);
    assert_eq!(latest("program.soft.software-drawing")["value"], 1.0, "no thread tells, the libraries do");
    assert_eq!(latest("program.soft.drawing-cpu")["unavailable"]["code"], "unsupported");
    assert_eq!(latest("program.away.software-drawing")["unavailable"]["code"], "absent");
    // The second look comes after half a minute; by then it has drawn for that long.
    let share = latest("program.gears.drawing-cpu")["value"].as_f64().unwrap();
    assert!(share > 0.0 && share <= 102_400.0, "{share}");
    let all = agent.json("/api/v1/signals").to_string();
    assert!(!all.contains("program.sky-gears."), "what is watched is told of once");
    assert!(latest("graphics.software-programs")["value"].as_f64().unwrap() >= 2.0);

    let state = tempfile::tempdir().unwrap();
    let told = tilldawn(state.path(), &["look"]);
    let told = String::from_utf8(told.stdout).unwrap();
    let one_line = told.split_whitespace().collect::<Vec<_>>().join(" ");
    for part in
        ["drawing in software now:", "sky-gears (at least", "soft-gears", "12 to 15 frames a second", "magnitude 5"]
    {
        assert!(one_line.contains(part), "{part}:\n{told}");
    }
    // And the report of the night says what it cost.
    let (store, config) = (agent.store.to_str().unwrap().to_string(), agent.config.to_str().unwrap().to_string());
    let report = wait_for("the line in the report", Duration::from_secs(60), || {
        let out = agent.tilldawn(&["report", "--store", &store, "--config", &config]);
        let text = String::from_utf8(out.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
        text.contains("Gears program drew without graphics hardware for").then_some(text)
    });
    assert!(
        report.contains("Drawing without graphics hardware") && report.contains("12 to 15 frames a second"),
        "{report}"
    );
    assert!(!report.contains("How soft program draws"), "{report}");
    assert!(agent.stop().success());
}
