//! The API of the running agent: its description holds under a property tester, and what a peer can hold on to is bounded.

use crate::harness::{BOUND, Setting, Sleeper, request, signal, tilldawn, wait_for};
use crate::page::pier;
use rustix::process::Signal;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// Everything that the peer sends until it closes; what came and how long that took.
fn until_closed(mut s: TcpStream) -> (String, Duration) {
    let begun = Instant::now();
    s.set_read_timeout(Some(BOUND)).unwrap();
    let mut out = vec![];
    // A peer that resets the connection has closed it, too.
    let _ = s.read_to_end(&mut out);
    (String::from_utf8_lossy(&out).into_owned(), begun.elapsed())
}

fn open(address: &str, text: &str) -> TcpStream {
    let mut s = TcpStream::connect(address).unwrap();
    s.write_all(text.as_bytes()).unwrap();
    s
}

/// OpenAPI-driven property tests: every answer is as described, valid requests are accepted and invalid ones refused.
#[test]
fn the_description_holds_under_a_property_tester() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let tester = root.join("tests/.cache/venv/bin/schemathesis");
    assert!(tester.exists(), "the property tester is missing: run `bash tests/run --needs` first");
    let folder = tempfile::tempdir().unwrap();
    let mut mount = Sleeper::start(folder.path(), "page-mount");
    let _others = [Sleeper::start(folder.path(), "page-guiding"), Sleeper::start(folder.path(), "page-camera")];
    let mut agent = Setting::new(&pier(folder.path())).start();
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| v["session"].as_object().map(|_| ()));
    // Something to find: an alarm, an incident, a remedy.
    mount.end(Signal::KILL);
    agent.wait_json("the alarm", "/api/v1/alarms", BOUND, |v| (v["seq"].as_i64()? > 0).then_some(()));
    let remedy = serde_json::json!({ "name": "a heating pad", "since": 1_700_000_000_000_i64 });
    assert_eq!(agent.post("/api/v1/remedies", &remedy).status, 201);
    let description = folder.path().join("openapi.json");
    std::fs::write(&description, agent.get("/api/v1/openapi.json")).unwrap();
    let out = Command::new(tester)
        .args(["run", "--checks", "all", "--seed", "1", "--max-time", "100", "--no-color", "--url"])
        .arg(format!("http://{}", agent.address))
        .arg(&description)
        .current_dir(folder.path())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout);
    // A single generated body can fill a screen; what matters stands at the beginning of each line.
    let short: String = text.lines().map(|l| l.chars().take(240).collect::<String>() + "\n").collect();
    assert!(out.status.success(), "{short}{}", String::from_utf8_lossy(&out.stderr));
    assert!(agent.stop().success());
}

#[test]
fn half_a_request_is_not_waited_for() {
    let agent = Setting::new("").start();
    for text in ["GET / HT", "GET / HTTP/1.1\r\nhost: localhost\r\n", ""] {
        let (got, took) = until_closed(open(&agent.address, text));
        assert!(got.is_empty() || got.starts_with("HTTP/1.1 4"), "{got}");
        assert!(took < Duration::from_secs(12), "{text:?} was held for {took:?}");
    }
    let head = "POST /api/v1/session HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: 50\r\n\r\n{";
    let (got, took) = until_closed(open(&agent.address, head));
    assert!(got.starts_with("HTTP/1.1 408"), "{got}");
    assert!(took < Duration::from_secs(25), "half a body was held for {took:?}");
    let head = "POST /api/v1/session HTTP/1.1\r\nhost: localhost\r\ncontent-type: application/json\r\ncontent-length: 9999999999\r\n\r\n{";
    let s = open(&agent.address, head);
    s.shutdown(Shutdown::Write).unwrap();
    let (got, _) = until_closed(s);
    assert!(got.is_empty() || got.starts_with("HTTP/1.1 4"), "{got}");
}

#[test]
fn a_crowd_is_turned_away_and_the_agent_goes_on() {
    let agent = Setting::new("").start();
    let held: Vec<TcpStream> = (0..80).map(|_| TcpStream::connect(&agent.address).unwrap()).collect();
    // The last of them are told at once, those inside after their time for a header is over.
    let mut turned = 0;
    for mut s in held.into_iter().rev() {
        s.set_read_timeout(Some(BOUND)).unwrap();
        let mut first = [0; 12];
        if s.read_exact(&mut first).is_ok() && &first == b"HTTP/1.1 503" {
            turned += 1;
        }
    }
    assert!(turned >= 16, "only {turned} of 80 were turned away");
    wait_for("room again", BOUND, || {
        request(&agent.address, "GET", "/api/v1/summary", &[], "").ok().filter(|a| a.status == 200)
    });
}

#[test]
fn event_streams_are_counted_and_end_with_the_agent() {
    let mut agent = Setting::new("").start();
    let ask = format!("GET /stream HTTP/1.1\r\nhost: {}\r\n\r\n", agent.address);
    let first = |s: &mut TcpStream| {
        s.set_read_timeout(Some(BOUND)).unwrap();
        let mut head = [0; 12];
        s.read_exact(&mut head).unwrap();
        String::from_utf8_lossy(&head).into_owned()
    };
    let mut open_streams: Vec<TcpStream> = (0..16).map(|_| open(&agent.address, &ask)).collect();
    for s in &mut open_streams {
        assert_eq!(first(s), "HTTP/1.1 200");
    }
    assert_eq!(first(&mut open(&agent.address, &ask)), "HTTP/1.1 503");
    drop(open_streams.pop());
    wait_for("room for a stream", BOUND, || {
        let mut s = open(&agent.address, &ask);
        (first(&mut s) == "HTTP/1.1 200").then_some(())
    });
    let begun = Instant::now();
    signal(agent.child.id(), Signal::TERM);
    let status = wait_for("the end", BOUND, || agent.child.try_wait().unwrap());
    assert!(status.success() && begun.elapsed() < Duration::from_secs(10), "{status} after {:?}", begun.elapsed());
    for s in open_streams {
        until_closed(s);
    }
}

#[test]
fn tokens_are_made_listed_and_revoked_by_the_command() {
    let folder = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| {
        let o = tilldawn(folder.path(), words);
        (o.status.code(), String::from_utf8_lossy(&o.stdout).into_owned() + &String::from_utf8_lossy(&o.stderr))
    };
    let (code, text) = run(&["token", "add", "house", "--scope", "read-write"]);
    assert_eq!(code, Some(0), "{text}");
    let token = text.lines().next().unwrap().to_owned();
    assert!(token.starts_with("td_") && token.len() == 67, "{text}");
    let (_, text) = run(&["token", "list"]);
    assert!(text.contains("house   read-write") && !text.contains(&token), "{text}");
    let (code, text) = run(&["token", "add", "house"]);
    assert!(code == Some(2) && text.contains("already"), "{text}");
    assert_eq!(run(&["token", "revoke", "house"]).0, Some(0));
    let (code, text) = run(&["token", "revoke", "house"]);
    assert!(code == Some(2) && text.contains("there is none at all"), "{text}");
    // Loopback alone: a phone could not come in, and the command says so instead of showing a code.
    let (code, text) = run(&["pair"]);
    assert!(code == Some(2) && text.contains("tls = true"), "{text}");
}
