//! Evidence beyond figures: what a program's own log says, a device node that is closed, the kernel's own log and forged lines in
//! it, what changed since the last time, and the minutes around an incident.

use crate::harness::{Agent, BOUND, Setting, Sleeper, wait_for};
use rustix::process::Signal;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

fn in_session(agent: &Agent) {
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| (!v["session"].is_null()).then_some(()));
}

fn events(agent: &Agent, kind: &str) -> Vec<Value> {
    agent.json(&format!("/api/v1/events?kind={kind}"))["events"].as_array().unwrap().clone()
}

fn chain(mark: &str, more: &str) -> String {
    format!(
        "[session]\nchain = [\"program.mount\", \"program.camera\"]\n[program.mount]\ntitle = \"mount program\"\nexecutable = \
         \"mount-{mark}\"\n[program.camera]\nexecutable = \"camera-{mark}\"\n{more}"
    )
}

fn text(agent: &Agent, arguments: &[&str]) -> String {
    let out = agent.tilldawn(arguments);
    assert!(out.status.code() != Some(2), "{arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
    // Lines are broken for paper.
    String::from_utf8(out.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
}

fn append(log: &Path, bytes: &[u8]) {
    std::fs::OpenOptions::new().create(true).append(true).open(log).unwrap().write_all(bytes).unwrap();
}

#[test]
fn what_a_program_says_in_its_log_comes_into_the_report_and_the_minutes_around_are_kept() {
    let folder = tempfile::tempdir().unwrap();
    let config = chain(
        "said",
        &format!(
            "[log.mount]\ntitle = \"mount log\"\npath = \"{}/mount-*.log\"\nof = \"program.mount\"\n\
             [[log.mount.pattern]]\nregex = '(?i)no answer from (?P<device>\\S+)'\nmeans = \"device lost\"\nbroken = true\n\
             [[log.mount.pattern]]\nregex = '(?i)link restored'\nmeans = \"link restored\"\nbroken = false\n",
            folder.path().display()
        ),
    );
    let mut mount = Sleeper::start(folder.path(), "mount-said");
    let _camera = Sleeper::start(folder.path(), "camera-said");
    // UTF-16 with a byte-order mark, as some systems write it.
    let wide = |t: &str| t.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
    let log = folder.path().join("mount-1.log");
    append(&log, &wide("\u{feff}22:00 No answer from ttyUSB7\n"));
    let mut setting = Setting::new(&config);
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    agent.wait_json("the log is followed", "/api/v1/signals", BOUND, |v| {
        let one = v["signals"].as_array()?.iter().find(|s| s["name"] == "log.mount")?;
        (!one["latest"].is_null()).then_some(())
    });
    assert!(events(&agent, "log_line").is_empty(), "what was there before is no news");
    // A torn line is waited for.
    append(&log, &wide("22:41 No ans"));
    append(&log, &wide("wer from ttyUSB0\r\n"));
    let e = wait_for("the event", BOUND, || events(&agent, "log_line").first().cloned());
    assert_eq!(
        (e["thing"].as_str(), e["detail"]["device"].as_str()),
        (Some("program.mount"), Some("ttyUSB0")),
        "{e:#}"
    );
    assert_eq!(e["text"], "device lost (device ttyUSB0)");
    agent.wait_json("it is told as impaired", "/api/v1/summary", BOUND, |v| {
        let t =
            v["things"].as_array()?.iter().find(|t| t["name"] == "program.mount" || t["thing"] == "program.mount")?;
        (t["condition"] == "impaired").then_some(())
    });
    let pid = mount.pid();
    mount.end(Signal::KILL);
    let incident =
        agent.wait_json("the incident", "/api/v1/incidents", BOUND, |v| v["incidents"][0]["incident"].as_i64());
    let around =
        agent.wait_json("the minutes before are kept", &format!("/api/v1/incidents/{incident}/leadup"), BOUND, |v| {
            (!v["before"].is_null()).then(|| v.clone())
        });
    let before = &around["before"];
    let programs = before["programs"].as_array().unwrap();
    assert!(programs.iter().any(|p| p["pid"] == pid && p["name"] == "mount-said"), "{programs:#?}");
    let signals = before["signals"].as_array().unwrap();
    assert!(signals.iter().any(|s| s["name"] == "load.cpu" && !s["values"].as_array().unwrap().is_empty()));
    assert!(before["to"].as_i64() <= before["opened"].as_i64(), "{}", before["to"]);
    assert_eq!(agent.request("GET", "/api/v1/incidents/999/leadup", &[], "").status, 404);
    for nowhere in ["/incidents/999", "/incidents/x", "/incidents/99999999999999999999"] {
        let a = agent.request("GET", nowhere, &[], "");
        assert!(a.status == 404 && a.body.contains("There is no incident"), "{nowhere}: {}", a.body);
    }
    let page = agent.get(&format!("/incidents/{incident}"));
    assert!(page.contains("The minutes around it") && page.contains("Programs, % of a core"), "{page}");
    agent.stop();

    let store = agent.store.to_str().unwrap();
    let report = text(&agent, &["report", "--store", store]);
    assert!(report.contains("the talk with a device was dead"), "{report}");
    assert!(report.contains("22:41 No answer from ttyUSB0"), "{report}");
    assert!(report.contains(&format!("`tilldawn incident {incident}`")), "{report}");
    let shown = text(&agent, &["incident", &incident.to_string(), "--store", store]);
    assert!(shown.contains("In detail: before and after") && shown.contains(&format!("mount-said ({pid})")), "{shown}");
    assert!(shown.contains("Signals, what moved most first -10 min -5 min -1 min before +1 min +5 min"), "{shown}");
    let all = text(&agent, &["incident", "last", "--all", "--store", store]);
    assert!(all.contains("memory.available"), "{all}");
    let json = agent.tilldawn(&["incident", "last", "--as", "json", "--store", store]);
    let json: Value = serde_json::from_slice(&json.stdout).unwrap();
    // The agent was stopped within the five minutes after: what there was of them is kept.
    assert!(!json["around"]["after"].is_null(), "{json:#}");
}

#[test]
fn a_program_that_closes_its_device_and_runs_on_is_a_hang() {
    let folder = tempfile::tempdir().unwrap();
    // A device node that every machine has.
    let script = "import sys,time\nf=open('/dev/zero','rb')\nsys.stdin.readline()\nf.close()\ntime.sleep(600)";
    let mut child =
        Command::new("python3").args(["-c", script, "holder-of-zero"]).stdin(Stdio::piped()).spawn().unwrap();
    let config = "[session]\nchain = [\"program.mount\"]\n[program.mount]\ntitle = \"mount program\"\ncommand = \
                  \"holder-of-zero\"\nholds = [\"/dev/zero\"]\n";
    let mut setting = Setting::new(config);
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    agent.wait_json("it is seen holding", "/api/v1/signals", BOUND, |v| {
        let one = v["signals"].as_array()?.iter().find(|s| s["name"] == "program.mount.holds")?;
        (one["latest"]["value"].as_f64() == Some(1.0)).then_some(())
    });
    drop(child.stdin.take());
    let e = wait_for("the event", BOUND, || events(&agent, "device_closed").first().cloned());
    assert_eq!((e["detail"]["node"].as_str(), e["detail"]["must"].as_bool()), (Some("/dev/zero"), Some(true)), "{e:#}");
    agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
        let hit = |a: &&Value| a["rule"] == "rule.program-hangs" && a["standing"] == true;
        let a = v["alarms"].as_array()?.iter().find(hit)?.clone();
        a["text"].as_str()?.contains("its device is closed").then_some(())
    });
    let _ = child.kill();
    let _ = child.wait();
    agent.stop();
}

#[test]
fn the_kernels_own_line_is_evidence_and_a_forged_one_is_not() {
    if !rustix::process::geteuid().is_root() || std::fs::File::open("/dev/kmsg").is_err() {
        println!("skipped: needs the superuser and /dev/kmsg");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("crash.c");
    std::fs::write(
        &source,
        "#include <unistd.h>\nint main(void){ char c; read(0,&c,1); *(volatile int *)0 = 1; return 0; }\n",
    )
    .unwrap();
    let program = folder.path().join("mount-crash");
    assert!(Command::new("cc").arg(&source).arg("-o").arg(&program).status().unwrap().success());
    let mut mount = Command::new(&program).stdin(Stdio::piped()).spawn().unwrap();
    let _camera = Sleeper::start(folder.path(), "camera-crash");
    let mut setting = Setting::new(&chain("crash", ""));
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    in_session(&agent);
    agent.wait_json("the log is read", "/api/v1/signals", BOUND, |v| {
        let one = v["signals"].as_array()?.iter().find(|s| s["name"] == "machine.kernel-log")?;
        (one["latest"]["value"].as_f64() == Some(1.0)).then_some(())
    });
    let mark = format!("forged-by-{}", std::process::id());
    let mut kmsg = std::fs::OpenOptions::new().write(true).open("/dev/kmsg").unwrap();
    for pretended in ["", "<0>", "<3>"] {
        kmsg.write_all(format!("{pretended}usb 9-9-port4: over-current condition {mark}\n").as_bytes()).unwrap();
    }
    drop(mount.stdin.take());
    let pid = mount.id();
    mount.wait().unwrap();
    let e = wait_for("the kernel's line", BOUND, || {
        events(&agent, "kernel_line").into_iter().find(|e| e["detail"]["pid"] == pid)
    });
    assert_eq!((e["detail"]["class"].as_str(), e["thing"].as_str()), (Some("crash"), Some("machine.this")), "{e:#}");
    assert_eq!(e["detail"]["watched"], true, "{e:#}");
    // Its own time, not that of the reading: it comes before the end that it explains, or with it.
    let ended = wait_for("the end", BOUND, || events(&agent, "program_ended").first().cloned());
    let lag = ended["at"].as_i64().unwrap() - e["at"].as_i64().unwrap();
    assert!((-50..2000).contains(&lag), "{lag} ms between the line and the end");
    // The forged lines were written before it, so they would be here by now.
    let lines = events(&agent, "kernel_line");
    assert!(!lines.iter().any(|e| e.to_string().contains(&mark)), "{lines:#?}");
    agent.stop();
    let report = text(&agent, &["report", "--store", agent.store.to_str().unwrap()]);
    assert!(
        report.contains("a mistake inside the program itself (the record points to it)")
            || report.contains("the kernel's log has its crash"),
        "{report}"
    );
    assert!(!report.contains("over-current"), "{report}");
}

#[test]
fn a_program_that_was_replaced_is_a_change() {
    let folder = tempfile::tempdir().unwrap();
    let look = |agent: &mut Agent| {
        in_session(agent);
    };
    let file = folder.path().join("mount-new");
    let first = {
        let mut mount = Sleeper::start(folder.path(), "mount-new");
        let mut camera = Sleeper::start(folder.path(), "camera-new");
        let mut setting = Setting::new(&chain("new", ""));
        setting.folder = Some(folder.path().into());
        let mut agent = setting.start();
        look(&mut agent);
        // What is there the first time is no change; it is kept all the same.
        wait_for("what is installed is kept", BOUND, || {
            let out = Command::new("python3")
                .args(["-c", "import sqlite3,sys\nr=sqlite3.connect('file:'+sys.argv[1]+'?mode=ro',uri=True).execute(\"SELECT value FROM state WHERE key='installed'\").fetchone()\nprint(r[0].decode() if r else '')"])
                .arg(&agent.store)
                .output()
                .unwrap();
            let text = String::from_utf8_lossy(&out.stdout).into_owned();
            text.contains("program.mount version").then_some(text)
        });
        assert!(events(&agent, "changed").is_empty());
        agent.stop();
        camera.end(Signal::KILL);
        mount.end(Signal::KILL);
        agent.store.clone()
    };
    append(&file, b"\0another version");
    let _mount = Sleeper::start(folder.path(), "mount-new");
    let _camera = Sleeper::start(folder.path(), "camera-new");
    let mut setting = Setting::new(&chain("new", ""));
    setting.folder = Some(folder.path().into());
    setting.store = Some(first);
    let mut agent = setting.start();
    look(&mut agent);
    let e = wait_for("the change", std::time::Duration::from_secs(60), || {
        events(&agent, "changed").into_iter().find(|e| e["thing"] == "program.mount")
    });
    assert_eq!(e["detail"]["what"], "program.mount version", "{e:#}");
    assert_ne!(e["detail"]["old"], e["detail"]["new"]);
    let others: Vec<Value> = events(&agent, "changed").into_iter().filter(|e| e["thing"] != "program.mount").collect();
    assert!(others.is_empty(), "{others:#?}");
    agent.stop();
}
