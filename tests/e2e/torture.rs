//! The agent killed at two hundred random moments under load. The store must open, be whole, hold every alarm that was shown, and
//! record every gap; at most one batch of readings may be missing.

use crate::harness::{BOUND, Setting, Sleeper, now_ms};
use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};
use rustix::process::Signal;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};
use tilldawn::model::UnixMs;
use tilldawn::store::Reader;

/// Programs that come and go. Several, since a single one would soon be told of as chattering and raise nothing anew.
const FLAPPERS: usize = 12;

fn config() -> String {
    let mut text = "[agent]\nevery = \"200 ms\"\n[session]\nchain = [".to_string();
    text += &(0..FLAPPERS).map(|n| format!("\"program.flapper-{n}\"")).collect::<Vec<_>>().join(", ");
    text += "]\n";
    for n in 0..FLAPPERS {
        text += &format!("[program.flapper-{n}]\nexecutable = \"flapper-{n}-under-test\"\n");
    }
    text
}

/// Longest stretch of readings that may be lost: one interval between commits of quiet cycles, and a cycle.
const BATCH_MS: i64 = 10_000 + 2_000;

#[test]
fn two_hundred_kills_lose_no_alarm_and_no_more_than_a_batch() {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(20_260_112);
    let mut range = |from: u64, to: u64| from + random.next_u64() % (to - from);
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("tilldawn.db");
    let start = |n: usize| Sleeper::start(folder.path(), &format!("flapper-{n}-under-test"));
    let mut programs: Vec<Option<Sleeper>> = (0..FLAPPERS).map(|n| Some(start(n))).collect();
    let mut shown = BTreeSet::new();
    let mut runs = Vec::new();
    for turn in 0..200 {
        let mut setting = Setting::new(&config());
        setting.folder = Some(folder.path().into());
        let begun = now_ms();
        let mut agent = setting.start();
        // The session outlives the kills; the first run begins it. Later ones are told that it goes on already.
        agent.post("/api/v1/session", &serde_json::json!({"do": "start"}));
        let end = Instant::now() + Duration::from_millis(range(1, 700));
        // The watched programs come and go, so that alarms are being raised when the end comes.
        while Instant::now() < end {
            let v = agent.json(&format!("/api/v1/alarms?after={}", shown.last().copied().unwrap_or(0)));
            shown.extend(v["transitions"].as_array().unwrap().iter().map(|t| t["seq"].as_i64().unwrap()));
            let n = range(0, FLAPPERS as u64) as usize;
            match &mut programs[n] {
                Some(p) => {
                    p.end(Signal::KILL);
                    programs[n] = None;
                }
                none => *none = Some(start(n)),
            }
            std::thread::sleep(Duration::from_millis(range(1, 60)));
        }
        agent.kill();
        runs.push((begun, now_ms()));

        let db = rusqlite::Connection::open_with_flags(&store, rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
        let whole: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).unwrap();
        assert_eq!(whole, "ok", "turn {turn}");
    }
    let reader = Reader::open(&store).unwrap();
    let kept: BTreeSet<i64> = reader.transitions(0, 1_000_000).unwrap().into_iter().map(|t| t.seq).collect();
    let lost: Vec<_> = shown.difference(&kept).collect();
    assert!(lost.is_empty(), "alarms that were shown and are lost: {lost:?}");
    assert!(shown.len() > 100, "the load raised only {} transitions", shown.len());

    // One more start, in which the gap after the last kill is written down.
    let mut setting = Setting::new(&config());
    setting.folder = Some(folder.path().into());
    let mut agent = setting.start();
    agent.wait_json("a first cycle", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 1).then_some(()));
    agent.stop();
    let gaps = Reader::open(&store).unwrap().gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap();
    for (i, pair) in runs.windows(2).enumerate() {
        let (ended, begun) = (pair[0].1, pair[1].0);
        let gap = gaps.iter().find(|g| g.from.0 <= ended && g.to.0 >= begun);
        let gap = gap.unwrap_or_else(|| panic!("no gap between run {i} ({ended}) and the next ({begun}): {gaps:?}"));
        assert!(ended - gap.from.0 <= BATCH_MS, "run {i}: readings of {} ms are missing", ended - gap.from.0);
        assert_eq!(gap.why, "crash");
    }
}
