//! Ten thousand mutated requests: no panic, no server error, no hang.

use crate::harness::{BOUND, Setting};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

const REQUESTS: usize = 10_000;
const THREADS: usize = 6;

/// Well-formed requests that the mutations start from.
fn corpus(host: &str) -> Vec<Vec<u8>> {
    let get = |path: &str| {
        format!("GET {path} HTTP/1.1\r\nhost: {host}\r\naccept: text/html\r\ncookie: look=day; said=6869\r\n\r\n")
    };
    let send = |method: &str, path: &str, kind: &str, body: &str| {
        format!(
            "{method} {path} HTTP/1.1\r\nhost: {host}\r\norigin: http://{host}\r\ncontent-type: {kind}\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        )
    };
    let json = |method: &str, path: &str, body: &str| send(method, path, "application/json", body);
    let form = |path: &str, body: &str| send("POST", path, "application/x-www-form-urlencoded", body);
    [
        get("/"),
        get("/look?as=night"),
        get("/pair?code=ABCD2345&wrong=1&wait=3"),
        get("/metrics"),
        get("/api/v1/summary"),
        get("/api/v1/signals"),
        get("/api/v1/signals/load.cpu?from=2026-01-12T18:00:00Z&to=1790000000000&points=500"),
        get("/api/v1/alarms?after=3&limit=10"),
        get("/api/v1/alarms/7"),
        get("/api/v1/events?kind=link_down,link_up&limit=5&from=0"),
        get("/api/v1/incidents?from=0&to=4102444799999"),
        get("/api/v1/openapi.json"),
        json("POST", "/api/v1/session", r#"{"do":"end"}"#),
        json("POST", "/api/v1/alarms/7/shelve", r#"{"lasting_s":3600}"#),
        json("POST", "/api/v1/alarms/acknowledge", "{}"),
        json("PUT", "/api/v1/incidents/3/mark", r#"{"mark":"cloud","words":"fog"}"#),
        json("POST", "/api/v1/remedies", r#"{"name":"pad","since":1768000000000,"only_nights":["2026-01-12"],"hard_when":{"signal":"temperature.outside","below":true,"limit":1.5}}"#),
        json("DELETE", "/api/v1/remedies/1", ""),
        form("/act", "do=shelve&alarm=7&lasting=noon"),
        form("/pair", "code=ABCD-2345&name=phone"),
        format!("POST /api/v1/session HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\ntransfer-encoding: chunked\r\n\r\n4\r\n{{\"do\r\n8\r\n\":\"end\"}}\r\n0\r\n\r\n"),
    ]
    .into_iter()
    .map(String::into_bytes)
    .collect()
}

/// Pieces that parsers have stumbled over.
const PIECES: [&[u8]; 22] = [
    b"\0",
    b"\r\n",
    b"\n",
    b"\r\n\r\n",
    b"%00",
    b"%ff",
    b"%",
    b"..%2f",
    b"\xff\xfe",
    b"\xc3\x28",
    b"-1",
    b"9223372036854775808",
    b"1e999",
    b"NaN",
    b"&&==",
    b"?",
    b"#",
    b"//",
    b"transfer-encoding: chunked\r\n",
    b"content-length: 18446744073709551616\r\n",
    b"host: evil.example\r\n",
    b"\xf0\x9f\x92\xa5",
];

fn mutated(r: &mut Xoshiro256PlusPlus, corpus: &[Vec<u8>]) -> Vec<u8> {
    let mut below = |n: usize| (r.next_u64() % n.max(1) as u64) as usize;
    let mut m = corpus[below(corpus.len())].clone();
    for _ in 0..1 + below(4) {
        let at = below(m.len());
        match below(8) {
            0 if !m.is_empty() => m[at] ^= 1 << below(8),
            1 => m.insert(at, below(256) as u8),
            2 if !m.is_empty() => drop(m.remove(at)),
            3 => m.truncate(at),
            4 => {
                let end = at + below(m.len() - at + 1).min(64);
                let copy = m[at..end].to_vec();
                m.splice(at..at, copy);
            }
            5 => {
                let piece = PIECES[below(PIECES.len())];
                m.splice(at..at, piece.iter().copied());
            }
            6 => {
                let long = vec![m.get(at).copied().unwrap_or(b'a'); below(20_000)];
                m.splice(at..at, long);
            }
            _ => {
                let other = &corpus[below(corpus.len())];
                let from = below(other.len());
                m.splice(at.., other[from..].iter().copied());
            }
        }
    }
    m
}

/// The status codes of all answers on a connection that was closed by us after sending.
fn statuses(address: &str, request: &[u8]) -> Result<Vec<u16>, String> {
    let begun = Instant::now();
    let mut s = TcpStream::connect(address).map_err(|e| format!("cannot connect: {e}"))?;
    s.set_read_timeout(Some(BOUND)).map_err(|e| e.to_string())?;
    s.set_write_timeout(Some(BOUND)).map_err(|e| e.to_string())?;
    // The other side may answer and close before everything is sent.
    let _ = s.write_all(request);
    let _ = s.shutdown(Shutdown::Write);
    let mut got = vec![];
    let end = s.read_to_end(&mut got);
    if let Err(e) = &end
        && matches!(e.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut)
    {
        return Err(format!("no end after {:?}", begun.elapsed()));
    }
    let text = String::from_utf8_lossy(&got);
    Ok(text
        .match_indices("HTTP/1.1 ")
        .filter(|(i, _)| *i == 0 || text[..*i].ends_with('\n'))
        .filter_map(|(i, _)| text[i + 9..].get(..3)?.parse().ok())
        .collect())
}

#[test]
fn mutated_requests_neither_break_nor_hold_up_the_agent() {
    let mut agent = Setting::new("").start();
    let corpus = corpus(&agent.address);
    let address = agent.address.clone();
    let (next, answered) = (AtomicUsize::new(0), AtomicUsize::new(0));
    std::thread::scope(|scope| {
        for _ in 0..THREADS {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= REQUESTS {
                        return;
                    }
                    let mut r = Xoshiro256PlusPlus::seed_from_u64(n as u64);
                    let request = mutated(&mut r, &corpus);
                    let got = statuses(&address, &request);
                    let shown = || String::from_utf8_lossy(&request[..request.len().min(600)]).into_owned();
                    match got {
                        Ok(all) => {
                            assert!(all.iter().all(|s| (200..500).contains(s)), "request {n}: {all:?}\n{}", shown());
                            answered.fetch_add(usize::from(!all.is_empty()), Ordering::Relaxed);
                        }
                        Err(e) => panic!("request {n}: {e}\n{}", shown()),
                    }
                }
            });
        }
    });
    let answered = answered.load(Ordering::Relaxed);
    assert!(
        answered > REQUESTS / 2,
        "only {answered} were answered at all: the mutations are too wild to test anything"
    );
    let begun = Instant::now();
    assert_eq!(agent.request("GET", "/api/v1/summary", &[], "").status, 200);
    assert!(begun.elapsed() < Duration::from_secs(5));
    // `stop` looks for panics in the log.
    assert!(agent.stop().success());
}
