//! Power cuts and kills: what was answered as committed is there afterwards.

use super::mount::Mounted;
use super::*;
use crate::clock::{Clock, SystemClock};
use std::io::{BufRead, Write as _};
use std::process::{Command, Stdio};

#[test]
fn a_committed_transition_survives_a_power_cut() {
    let m = Mounted::ext4(24);
    let path = m.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    let mut images = vec![];
    for n in 1..=12 {
        for _ in 0..7 {
            w.write(write(batch(c.now(), vec![Reading::known(id, c.now(), 1.5)])));
            c.advance(1000);
        }
        wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(n, c.now())])).unwrap()).unwrap();
        // The disk as it would be found if the power went at this instant: what only the system's memory holds is lost.
        let image = m.dir.path().join(format!("cut-{n}"));
        std::fs::copy(m.image(), &image).unwrap();
        images.push((n, image));
    }
    drop(w);
    until("the store is closed", || held_by(&path).is_none());
    m.unmount();
    for (n, image) in images {
        m.mount_image(&image);
        look_for_damage(&path).unwrap();
        let r = Reader::open(&path).unwrap();
        assert_eq!(r.transitions(0, 99).unwrap().len() as i64, n, "every alarm that was answered as saved");
        assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len() as i64, 7 * n, "and its evidence");
        drop(r);
        let (w, o) = open(&path, Options { boot_id: "boot-b".into(), ..options(&c) }).unwrap();
        assert_eq!(o.last_run, LastRun::PowerCut);
        w.close(Span::secs(20)).unwrap();
        m.unmount();
    }
    m.mount_image(&m.image());
}

const CHILD: &str = "TILLDAWN_TEST_STORE_TO_TORTURE";

/// Not a test of its own: the process that the next one kills. Writes as fast as it can and says what was answered as saved.
#[test]
fn the_process_that_is_killed() {
    let Some(path) = std::env::var_os(CHILD) else { return };
    let options = Options {
        commit_every: Span(20),
        seal_every: Some(Span::mins(10)),
        check_after: None,
        ..Options::new(Arc::new(SystemClock), "boot-a")
    };
    let (w, o) = open(Path::new(&path), options).unwrap();
    let ids: Vec<_> = (0..20)
        .map(|i| o.signals.register(SignalDef::new(name(&format!("a.s-{i}")), Unit::None, 0.1, "test")))
        .collect();
    let mut seq = o.latest_seq;
    let mut out = std::io::stdout().lock();
    // Time runs 600 times as fast in the readings, so that sealing is under way most of the time.
    let (start, began) = (SystemClock.now(), std::time::Instant::now());
    loop {
        let ms = began.elapsed().as_millis() as i64 * 600;
        let at = Stamp::new(start.wall - Span::hours(3) + Span(ms), start.boot + Span(ms / 600));
        let readings = ids.iter().map(|&id| Reading::known(id, at, (ms % 977) as f64 / 10.0)).collect();
        seq += 1;
        let answer = w.write_patiently(urgent(batch(at, readings), vec![raised(seq, at)])).unwrap();
        wait(answer).unwrap();
        writeln!(out, "saved {seq}").unwrap();
        out.flush().unwrap();
    }
}

#[test]
fn killed_at_any_moment_the_store_opens_whole_with_all_that_was_answered() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let mut last = 0;
    for round in 0..15 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "store::tests::hard::the_process_that_is_killed", "--nocapture"])
            .env(CHILD, &path)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
        let saved = |l: String| l.rsplit_once("saved ").and_then(|(_, n)| n.trim().parse::<i64>().ok());
        // Killed after a number of answers that differs each round, and then in the middle of something.
        let enough = 3 + round * 7 % 40;
        for _ in 0..enough {
            last = loop {
                match lines.next() {
                    Some(l) => {
                        if let Some(n) = saved(l.unwrap()) {
                            break n;
                        }
                    }
                    None => panic!("the child ended by itself"),
                }
            };
        }
        std::thread::sleep(std::time::Duration::from_micros(round as u64 * 731 % 9000));
        child.kill().unwrap();
        child.wait().unwrap();
        last = lines.filter_map(|l| saved(l.ok()?)).last().unwrap_or(last);
        look_for_damage(&path).unwrap();
        let r = Reader::open(&path).unwrap();
        let seqs: Vec<i64> = r.transitions(0, 1 << 20).unwrap().iter().map(|t| t.seq).collect();
        assert!(seqs.len() as i64 >= last, "{} of {last}", seqs.len());
        assert!(seqs.iter().enumerate().all(|(i, s)| *s == i as i64 + 1), "none is missing in between");
        let id = r.signal_id(&name("a.s-7")).unwrap().unwrap();
        let fine = r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
        assert_eq!(fine.len(), seqs.len(), "each with its evidence, none of it twice");
    }
    let runs = Reader::open(&path).unwrap().runs().unwrap();
    assert_eq!(runs.len(), 15);
    assert!(runs[..14].iter().all(|r| r.ended == "crash"));
}
