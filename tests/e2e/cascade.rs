//! Three real processes that lean on each other: what failed first, in which order, and how far apart, as the report tells it.

use super::harness::{BOUND, Setting, now_ms, signal, wait_for};
use rustix::process::Signal;
use serde_json::Value;
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// A shell under another name, so that a watched program is found by its executable.
struct Shell(Child);

impl Shell {
    fn start(folder: &Path, name: &str, script: &str) -> Shell {
        let file = folder.join(name);
        if !file.exists() {
            std::fs::copy("/bin/bash", &file).unwrap();
        }
        // A file that was written by this test a moment ago may still be open in a process forked beside it.
        let child = wait_for("the copied shell starts", BOUND, || {
            Command::new(&file).args(["-c", script]).stdin(Stdio::null()).stdout(Stdio::null()).spawn().ok()
        });
        Shell(child)
    }
    fn pid(&self) -> u32 {
        self.0.id()
    }
}

impl Drop for Shell {
    fn drop(&mut self) {
        // A stopped process is ended by SIGKILL all the same.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

const CONFIG: &str = r#"
field = "orchard pier"
[agent]
every = "200 ms"
[link.gateway]
watch = false
[session]
chain = ["program.mount", "program.guiding", "program.camera"]
[program.mount]
executable = "orchard-mount"
[program.guiding]
title = "guiding"
executable = "orchard-guide"
leans_on = ["program.mount"]
[[program.guiding.alive]]
grows = "GROWS"
within = "2 s"
every = "500 ms"
[program.camera]
executable = "orchard-camera"
leans_on = ["program.guiding"]
"#;

fn report(agent: &super::harness::Agent, form: &str) -> String {
    let store = agent.store.to_str().unwrap().to_string();
    let o = agent.tilldawn(&["report", "--store", &store, "--night", "tonight", "--as", form]);
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    String::from_utf8(o.stdout).unwrap()
}

#[test]
fn what_failed_first_and_what_followed() {
    let dir = tempfile::tempdir().unwrap();
    let grows = dir.path().join("guiding.log");
    std::fs::write(&grows, "begun\n").unwrap();
    let mount = Shell::start(dir.path(), "orchard-mount", "while :; do read -t 1 <> <(:); done; sleep 1000");
    let guide = Shell::start(
        dir.path(),
        "orchard-guide",
        &format!("while :; do echo star >> {}; read -t 0.1 <> <(:); done", grows.display()),
    );
    // It ends by itself, with a code of its own, when it is told.
    let mut camera =
        Shell::start(dir.path(), "orchard-camera", "trap 'exit 3' TERM; while :; do read -t 0.05 <> <(:); done");
    let mut mount = mount;
    let config = CONFIG.replace("GROWS", grows.to_str().unwrap());
    let mut agent = Setting::new(&config).start();
    agent.wait_json("all three watched and the session begun", "/api/v1/summary", BOUND, |v| {
        let up = v["things"]
            .as_array()?
            .iter()
            .filter(|t| t["condition"] == "working" && t["thing"].as_str().is_some_and(|n| n.starts_with("program.")))
            .count();
        (up == 3 && !v["session"].is_null()).then_some(())
    });
    // The sign of life must have been seen growing before its absence can mean anything.
    let size = std::fs::metadata(&grows).unwrap().len();
    wait_for("the log grows", BOUND, || (std::fs::metadata(&grows).unwrap().len() > size + 50).then_some(()));

    let killed = now_ms();
    signal(mount.pid(), Signal::KILL);
    mount.0.wait().unwrap();
    wait_for("300 ms", BOUND, || (now_ms() - killed >= 300).then_some(()));
    signal(camera.pid(), Signal::TERM);
    camera.0.wait().unwrap();
    let ended = now_ms();
    // A stop is seen by looking, every 500 ms: sooner than that after the first end, the order would not be certain.
    wait_for("a second", BOUND, || (now_ms() - killed >= 1000).then_some(()));
    let stopped = now_ms();
    signal(guide.pid(), Signal::STOP);

    let incident = wait_for("one incident with all three", BOUND, || {
        let r: Value = serde_json::from_str(&report(&agent, "json")).unwrap();
        let all = r["incidents"].as_array().unwrap().clone();
        let i = all.first()?.clone();
        (i["cascade"]
            .as_array()?
            .iter()
            .filter(|m| m["thing"].as_str().is_some_and(|t| t.starts_with("program.")))
            .count()
            >= 3)
            .then_some(i)
    });
    let step = |thing: &str| -> Value {
        let all = incident["cascade"].as_array().unwrap();
        all.iter().find(|m| m["thing"] == thing).unwrap_or_else(|| panic!("no {thing} in {incident:#}")).clone()
    };
    let at = |v: &Value| v["at"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap().as_millisecond();
    assert_eq!(incident["failed_first"], "program.mount", "{incident:#}");
    assert_eq!(incident["counts_as"], "fault");
    assert_eq!(incident["order_certain"], true, "{incident:#}");
    let (m, g, c) = (step("program.mount"), step("program.guiding"), step("program.camera"));
    // Exits are events of the kernel: their instants and the offset between them within 50 ms.
    assert!((at(&m) - killed).abs() <= 50, "killed at {killed}, told {}", at(&m));
    assert!((at(&c) - ended).abs() <= 50, "ended at {ended}, told {}", at(&c));
    let offset = c["offset_milliseconds"].as_i64().unwrap();
    assert!((offset - (ended - killed)).abs() <= 50, "{offset} instead of {}", ended - killed);
    assert_eq!(c["belongs_by"], "leans_on");
    // The hang: within its limit and one period after it was stopped, and never before.
    let late = at(&g) - stopped;
    assert!((-50..=2000 + 500).contains(&late), "the hang is told {late} ms after the stop");
    let order: Vec<&str> = incident["cascade"].as_array().unwrap().iter().filter_map(|s| s["thing"].as_str()).collect();
    assert_eq!(order, ["program.mount", "program.camera", "program.guiding"]);

    let text = report(&agent, "text");
    for words in ["mount program ended (signal 9", "camera program", "code 3", "failed first"] {
        assert!(text.to_lowercase().contains(&words.to_lowercase()), "no `{words}` in\n{text}");
    }
    // The person's mark goes through the running agent.
    let id = incident["id"].to_string();
    let url = format!("http://{}", agent.address);
    let o = agent.tilldawn(&["note", &id, "test", "cables", "pulled", "--at", &url]);
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    let r: Value = serde_json::from_str(&report(&agent, "json")).unwrap();
    assert_eq!((&r["totals"]["faults"], &r["totals"]["marked"]), (&0.into(), &1.into()));
    assert_eq!(r["incidents"][0]["marks"][0]["words"], "cables pulled");
    agent.stop();
}
