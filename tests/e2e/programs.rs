//! A real program killed, restarted, stopped and closed under the running agent.

use crate::harness::{Agent, BOUND, Setting, Sleeper, now_ms, signal, wait_for};
use rustix::process::Signal;
use serde_json::Value;
use std::time::{Duration, Instant};

/// The tests run side by side, so each has programs with names of its own.
fn config(mark: &str) -> String {
    format!(
        r#"
[session]
chain = ["program.mount", "program.camera"]
[program.mount]
title = "mount program"
executable = "mount-{mark}"
[program.camera]
executable = "camera-{mark}"
"#
    )
}

fn in_session(agent: &Agent) {
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| (!v["session"].is_null()).then_some(()));
}

fn alarms(agent: &Agent) -> Vec<Value> {
    agent.json("/api/v1/summary")["alarms"].as_array().unwrap().clone()
}

fn events(agent: &Agent, kind: &str) -> Vec<Value> {
    agent.json(&format!("/api/v1/events?kind={kind}"))["events"].as_array().unwrap().clone()
}

#[test]
fn a_kill_is_an_alarm_at_once_and_the_restart_returns_it() {
    let folder = tempfile::tempdir().unwrap();
    // One after another: a single program that keeps falling would soon be told of as chattering.
    let names: Vec<String> = (1..=5).map(|n| format!("killed-{n}")).collect();
    let chain: Vec<String> = names.iter().map(|n| format!("\"program.{n}\"")).collect();
    let mut text = format!("[session]\nchain = [{}]\n", chain.join(", "));
    names.iter().for_each(|n| text += &format!("[program.{n}]\ntitle = \"{n} program\"\nexecutable = \"{n}\"\n"));
    let mut programs: Vec<Sleeper> = names.iter().map(|n| Sleeper::start(folder.path(), n)).collect();
    let mut setting = Setting::new(&text);
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    let mut delays = vec![];
    let mut seq = 0;
    for (n, name) in names.iter().enumerate() {
        let thing = format!("program.{name}");
        let (begun, wall) = (Instant::now(), now_ms());
        programs[n].end(Signal::KILL);
        let raised = wait_for("the alarm in the API", BOUND, || {
            let v = agent.json(&format!("/api/v1/alarms?after={seq}"));
            let all = v["transitions"].as_array()?.clone();
            seq = all.last().map_or(seq, |t| t["seq"].as_i64().unwrap());
            all.into_iter().find(|t| t["thing"] == thing.as_str() && t["change"] == "raised")
        });
        delays.push(begun.elapsed());
        assert_eq!((raised["rule"].as_str(), raised["priority"].as_str()), (Some("rule.program-ended"), Some("high")));
        assert!(raised["text"].as_str().unwrap().contains(name), "{raised:#}");
        // The time is that of the exit, by its event.
        let ended = events(&agent, "program_ended");
        assert_eq!(ended.len(), n + 1);
        let e = &ended[n];
        assert_eq!((e["detail"]["signal"].as_i64(), e["within_ms"].as_i64()), (Some(9), Some(0)), "{e:#}");
        assert!((e["at"].as_i64().unwrap() - wall).abs() < 1000, "{e:#}");

        programs[n] = Sleeper::start(folder.path(), name);
        // What is stored is shown a moment later in the summary, so the start is awaited first.
        let started = wait_for("its start", BOUND, || {
            let pid = programs[n].pid();
            events(&agent, "program_started").pop().filter(|e| e["detail"]["pid"] == pid)
        });
        assert_eq!(started["detail"]["restart"], true);
        agent.wait_json("the alarm's return", "/api/v1/summary", BOUND, |v| {
            let standing =
                v["alarms"].as_array()?.iter().any(|a| a["thing"] == thing.as_str() && a["standing"] == true);
            (!standing).then_some(())
        });
    }
    // Other work on this machine may delay one or two of them.
    delays.sort();
    println!("from the exit to the alarm in the API: {delays:?}");
    assert!(delays[2] < Duration::from_millis(200), "from the exit to the alarm in the API: {delays:?}");
    assert!(agent.get("/").contains("killed-1 program"), "the page names it");
    agent.stop();
    let report = agent.tilldawn(&["report", "--store", agent.store.to_str().unwrap()]);
    let text = String::from_utf8(report.stdout).unwrap();
    assert!(text.contains("killed-1 program"), "{text}");
}

#[test]
fn the_way_it_ended_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let _camera = Sleeper::start(folder.path(), "camera-way");
    std::fs::copy("/bin/sh", folder.path().join("mount-way")).unwrap();
    let run = |script: &str| {
        let path = folder.path().join("mount-way");
        std::process::Command::new(path).args(["-c", script]).stdin(std::process::Stdio::piped()).spawn().unwrap()
    };
    let mut setting = Setting::new(&config("way"));
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    for (n, (script, want)) in
        [("read x; exit 7", ("code", 7)), ("read x; kill -SEGV $$", ("signal", 11)), ("read x; exit 0", ("code", 0))]
            .into_iter()
            .enumerate()
    {
        let mut child = run(script);
        agent.wait_json("it runs", "/api/v1/signals", BOUND, |v| {
            let one = v["signals"].as_array()?.iter().find(|s| s["name"] == "program.mount")?;
            (one["latest"]["value"].as_f64() == Some(1.0) || one["value"].as_f64() == Some(1.0)).then_some(())
        });
        // The end of its input makes it go on.
        drop(child.stdin.take());
        child.wait().unwrap();
        let ended = wait_for("its end", BOUND, || events(&agent, "program_ended").get(n).cloned());
        assert_eq!(ended["detail"][want.0].as_i64(), Some(want.1), "{ended:#}");
    }
    agent.stop();
}

#[test]
fn programs_closed_one_after_another_are_no_alarm() {
    let folder = tempfile::tempdir().unwrap();
    let mut mount = Sleeper::start(folder.path(), "mount-closed");
    let mut camera = Sleeper::start(folder.path(), "camera-closed");
    let mut setting = Setting::new(&config("closed"));
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    camera.end(Signal::TERM);
    mount.end(Signal::TERM);
    agent.wait_json("the session's end", "/api/v1/summary", BOUND, |v| v["session"].is_null().then_some(()));
    let mine: Vec<_> =
        alarms(&agent).into_iter().filter(|a| a["thing"].as_str().unwrap().starts_with("program.")).collect();
    assert!(mine.iter().all(|a| a["standing"] == false), "{mine:#?}");
    agent.stop();
}

#[test]
fn a_zombie_has_ended_and_a_stopped_program_hangs() {
    let folder = tempfile::tempdir().unwrap();
    let _camera = Sleeper::start(folder.path(), "camera-stopped");
    let mut mount = Sleeper::start(folder.path(), "mount-stopped");
    let mut setting = Setting::new(&config("stopped"));
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    signal(mount.pid(), Signal::STOP);
    let e = wait_for("the stop", BOUND, || events(&agent, "program_stopped").first().cloned());
    assert_eq!(e["thing"], "program.mount");
    agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
        v["alarms"].as_array()?.iter().any(|a| a["rule"] == "rule.program-hangs" && a["standing"] == true).then_some(())
    });
    signal(mount.pid(), Signal::CONT);
    wait_for("the going on", BOUND, || events(&agent, "program_continued").first().cloned());
    agent.wait_json("the alarm's return", "/api/v1/summary", BOUND, |v| {
        (!v["alarms"].as_array()?.iter().any(|a| a["rule"] == "rule.program-hangs" && a["standing"] == true))
            .then_some(())
    });
    // Killed and not reaped by its parent: it has ended all the same, and says how.
    signal(mount.pid(), Signal::KILL);
    let e = wait_for("the end", BOUND, || events(&agent, "program_ended").first().cloned());
    assert_eq!(e["detail"]["signal"], 9);
    mount.end(Signal::KILL);
    agent.stop();
}
