//! Programs that go on running and do nothing: stopped by a signal while their port still accepts, and probes that hang.

use crate::harness::{Agent, BOUND, Setting, now_ms, signal, wait_for};
use rustix::process::Signal;
use serde_json::Value;
use std::path::Path;
use std::process::{Child, Command};

struct Program(Child);

impl Program {
    fn start(folder: &Path, script: &str, mark: &str) -> Program {
        Program(Command::new("python3").args(["-c", script, mark]).current_dir(folder).spawn().expect("python3 runs"))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn events(agent: &Agent, kind: &str) -> Vec<Value> {
    agent.json(&format!("/api/v1/events?kind={kind}"))["events"].as_array().unwrap().clone()
}

fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Limit and period of every sign in this test.
const WITHIN_MS: i64 = 4_000;
const EVERY_MS: i64 = 1_000;

#[test]
fn each_sign_of_life_tells_a_hang_within_its_limit_and_one_period() {
    let folder = tempfile::tempdir().unwrap();
    let (tcp, http) = (free_port(), free_port());
    let grows = folder.path().join("grows-1.txt");
    let config = format!(
        r#"
[session]
chain = ["program.speaker", "program.pages", "program.writer"]
[program.speaker]
command = "speaker-{tcp}"
[[program.speaker.alive]]
tcp = "127.0.0.1:{tcp}"
expect = "ready"
within = "4 s"
every = "1 s"
[program.pages]
command = "pages-{http}"
[[program.pages.alive]]
http = "http://127.0.0.1:{http}/state"
within = "4 s"
every = "1 s"
[program.writer]
command = "writer-{tcp}"
[[program.writer.alive]]
grows = "{}"
within = "4 s"
every = "1 s"
"#,
        folder.path().join("grows-*.txt").display()
    );
    let speaker = format!(
        "import socket\ns=socket.create_server(('127.0.0.1',{tcp}),backlog=64)\nwhile 1:\n c,_=s.accept(); c.sendall(b'ready\\n'); c.close()"
    );
    let pages = format!(
        "import http.server as h\nclass P(h.BaseHTTPRequestHandler):\n def do_GET(s):\n  s.send_response(200); s.end_headers(); s.wfile.write(b'ok')\n def log_message(s,*a): pass\nh.HTTPServer(('127.0.0.1',{http}),P).serve_forever()"
    );
    let writer = "import time\nf=open('grows-1.txt','a')\nwhile 1:\n f.write('.'); f.flush(); time.sleep(0.2)";
    let programs = [
        ("program.speaker", "tcp", Program::start(folder.path(), &speaker, &format!("speaker-{tcp}"))),
        ("program.pages", "http", Program::start(folder.path(), &pages, &format!("pages-{http}"))),
        ("program.writer", "file", Program::start(folder.path(), writer, &format!("writer-{tcp}"))),
    ];
    wait_for("the file", BOUND, || grows.exists().then_some(()));
    let mut setting = Setting::new(&config);
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| (!v["session"].is_null()).then_some(()));
    // Every sign has been seen: after this many cycles of a second its age would be larger.
    agent.wait_json("six cycles", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 6).then_some(()));
    for (thing, ..) in &programs {
        agent.wait_json("a sign of life", "/api/v1/signals", BOUND, |v| {
            let age = v["signals"].as_array()?.iter().find(|s| s["name"] == format!("{thing}.alive-age"))?;
            (latest(age)? < 2.0).then_some(())
        });
    }
    let stopped = now_ms();
    programs.iter().for_each(|p| signal(p.2.0.id(), Signal::STOP));
    for (thing, sign, _) in &programs {
        let e = wait_for(&format!("{sign} of {thing} missing"), BOUND, || {
            events(&agent, "sign_missing").into_iter().find(|e| e["thing"] == *thing && e["detail"]["sign"] == *sign)
        });
        let after = e["at"].as_i64().unwrap() - stopped;
        // The last sign may have come a period before the stop, and other work on this machine may have delayed it.
        assert!((WITHIN_MS - 3 * EVERY_MS..=WITHIN_MS + EVERY_MS).contains(&after), "{after} ms: {e:#}");
        agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
            let hit = |a: &Value| a["rule"] == "rule.program-hangs" && a["thing"] == *thing && a["standing"] == true;
            v["alarms"].as_array()?.iter().any(hit).then_some(())
        });
    }
    programs.iter().for_each(|p| signal(p.2.0.id(), Signal::CONT));
    for (thing, sign, _) in &programs {
        wait_for(&format!("{sign} of {thing} back"), BOUND, || {
            events(&agent, "sign_back").into_iter().find(|e| e["thing"] == *thing && e["detail"]["sign"] == *sign)
        });
    }
    agent.wait_json("all alarms' return", "/api/v1/summary", BOUND, |v| {
        let hit = |a: &Value| a["rule"] == "rule.program-hangs" && a["standing"] == true;
        (!v["alarms"].as_array()?.iter().any(hit)).then_some(())
    });
    agent.stop();
}

fn latest(s: &Value) -> Option<f64> {
    s["latest"]["value"].as_f64().or_else(|| s["value"].as_f64()).or_else(|| s["latest"].as_f64())
}

#[test]
fn a_probe_that_hangs_is_told_of_and_delays_nothing() {
    let folder = tempfile::tempdir().unwrap();
    // Opening a FIFO for reading blocks in the kernel until somebody writes: a sensor that hangs.
    let fifo = folder.path().join("sensor");
    let made = Command::new("mkfifo").arg(&fifo).status().unwrap();
    assert!(made.success());
    let config = format!(
        "[temperature.box]\nfile = \"{}\"\nevery = \"1 s\"\ndeadline = \"1 s\"\n[link.self]\nto = \"127.0.0.1\"\n",
        fifo.display()
    );
    let mut setting = Setting::new(&config);
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    let e = wait_for("the stuck probe", BOUND, || {
        events(&agent, "probe_state").into_iter().find(|e| e["detail"]["state"] == "stuck")
    });
    assert!(e["thing"].as_str().unwrap().contains("box"), "{e:#}");
    let cycle = agent.json("/api/v1/summary")["cycle"].as_i64().unwrap();
    agent.wait_json("further cycles", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > cycle + 3).then_some(()));
    agent.wait_json("the other values go on", "/api/v1/signals", BOUND, |v| {
        let one = v["signals"].as_array()?.iter().find(|s| s["name"] == "load.cpu")?;
        latest(one).map(|_| ())
    });
    agent.wait_json("the alarm about it", "/api/v1/summary", BOUND, |v| {
        v["alarms"].as_array()?.iter().any(|a| a["rule"] == "rule.probe-stuck").then_some(())
    });
    // The hung thread is left behind at the stop.
    assert!(agent.stop().success());
}
