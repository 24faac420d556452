//! Disks that are full, read-only or failing, while open and at start.

use super::mount::Mounted;
use super::*;
use crate::clock::Clock;
use std::path::PathBuf;

/// One reading each second, and the same on paper.
fn seconds(w: &Writer, c: &Arc<ManualClock>, id: SignalId, n: i64, paper: &mut Vec<(UnixMs, Value)>) {
    for i in 0..n {
        let r = Reading::known(id, c.now(), (i % 50) as f64 / 10.0);
        paper.push((r.at.wall, r.value.clone()));
        w.write_patiently(write(batch(c.now(), vec![r])));
        c.advance(1000);
    }
}

fn signal(o: &Opened, n: &str) -> SignalId {
    o.signals.register(SignalDef::new(name(n), Unit::Celsius, 0.1, "test"))
}

fn try_everything(path: &Path, id: SignalId) -> Result<Vec<(UnixMs, Value)>, StoreError> {
    Reader::open(path)?.fine(id, UnixMs(0), UnixMs(i64::MAX))
}

fn everything(path: &Path, id: SignalId) -> Vec<(UnixMs, Value)> {
    try_everything(path, id).unwrap()
}

fn states(path: &Path) -> Vec<String> {
    let r = Reader::open(path).unwrap();
    let all = r.events(UnixMs(0), UnixMs(i64::MAX), &[EventKind::StoreState]).unwrap();
    all.iter().map(|e| e.detail["state"].as_str().unwrap().to_string()).collect()
}

#[test]
fn a_full_disk_loses_nothing_while_memory_lasts() {
    let m = Mounted::tmpfs(2048);
    let path = m.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let id = signal(&o, "temperature.box");
    let mut paper = vec![];
    seconds(&w, &c, id, 60, &mut paper);
    wait(w.flush()).unwrap();
    let ballast = m.fill();
    // The log still has room of its own for a while; then the disk says no.
    until("the disk is noticed to be full", || {
        seconds(&w, &c, id, 200, &mut paper);
        let _ = wait(w.flush());
        !w.health().well
    });
    let e = wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(1, c.now())])).unwrap()).unwrap_err();
    assert_eq!(e, StoreError::Full { path: path.clone() });
    assert!(w.health().because.contains("no space left"), "{}", w.health().because);
    seconds(&w, &c, id, 600, &mut paper);
    until("all of it waits", || w.health().waiting >= 600);
    assert_eq!(w.health().dropped, 0);
    assert!(
        Reader::open(&path).unwrap().transitions(0, 9).unwrap().is_empty(),
        "reading works, and shows what is saved"
    );

    std::fs::remove_file(ballast).unwrap();
    until("the store is well again", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    assert_eq!(everything(&path, id), paper);
    assert_eq!(Reader::open(&path).unwrap().transitions(0, 9).unwrap().len(), 1);
    wait(w.flush()).unwrap();
    assert_eq!(states(&path), ["trouble", "well"]);
    w.close(Span::secs(20)).unwrap();
}

#[test]
fn when_memory_is_used_up_the_oldest_readings_go_first_and_are_counted() {
    let m = Mounted::tmpfs(2048);
    let path = m.path().join("a.db");
    let c = clock();
    let (w, o) = open(&path, Options { waiting_bytes: 20_000, ..options(&c) }).unwrap();
    let id = signal(&o, "temperature.box");
    let mut paper = vec![];
    seconds(&w, &c, id, 60, &mut paper);
    wait(w.flush()).unwrap();
    let ballast = m.fill();
    until("readings are dropped", || {
        seconds(&w, &c, id, 500, &mut paper);
        let _ = wait(w.flush());
        w.health().dropped > 100
    });
    let _ = wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(1, c.now())])).unwrap()).unwrap_err();
    std::fs::remove_file(ballast).unwrap();
    until("the store is well again", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    let dropped = w.health().dropped as usize;
    let got = everything(&path, id);
    assert_eq!(got.len() + dropped, paper.len(), "every reading is either there or counted");
    let gaps = Reader::open(&path).unwrap().gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap();
    let gap = gaps.iter().find(|g| g.why == "dropped").expect("a gap tells of it");
    let missing: Vec<_> = paper.iter().filter(|p| !got.contains(p)).collect();
    assert!(missing.iter().all(|(at, _)| (gap.from..=gap.to).contains(at)));
    assert!(missing.iter().all(|(at, _)| at < &got[got.len() - 1].0), "the newest are kept");
    assert_eq!(Reader::open(&path).unwrap().transitions(0, 9).unwrap().len(), 1, "no alarm is ever dropped");
}

#[test]
fn a_store_on_a_full_disk_is_gone_on_with_in_memory() {
    let m = Mounted::tmpfs(3072);
    let path = m.path().join("a.db");
    let c = clock();
    let mut paper = vec![];
    let (w, o) = open_at(&path, &c);
    signal(&o, "temperature.other");
    let id = signal(&o, "temperature.box");
    seconds(&w, &c, id, 60, &mut paper);
    let state = serde_json::json!({"alarms": 3});
    let mut last = urgent(batch(c.now(), vec![]), vec![raised(7, c.now())]);
    last.engine_state = Some(state.clone());
    wait(w.write(last).unwrap()).unwrap();
    w.close(Span::secs(20)).unwrap();
    let ballast = m.fill();
    c.advance(60_000);

    let (w, o) = open_at(&path, &c);
    assert!(o.in_memory.as_deref().unwrap().contains("no space left"), "{:?}", o.in_memory);
    assert_eq!(o.last_run, LastRun::Unknown);
    assert_eq!(o.engine_state, Some(state), "the engine goes on from where it was all the same");
    assert_eq!(o.latest_seq, 7);
    assert_eq!(o.signals.id(&name("temperature.box")), Some(id));
    seconds(&w, &c, id, 120, &mut paper);
    let more = signal(&o, "temperature.more");
    seconds(&w, &c, more, 5, &mut vec![]);
    let e = wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(8, c.now())])).unwrap()).unwrap_err();
    assert_eq!(e, StoreError::Full { path: path.clone() });
    std::fs::remove_file(ballast).unwrap();
    until("the store is open", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    assert_eq!(everything(&path, id), paper);
    assert_eq!(everything(&path, more).len(), 5);
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.transitions(0, 9).unwrap().iter().map(|t| t.seq).collect::<Vec<_>>(), [7, 8]);
    let runs = r.runs().unwrap();
    assert_eq!((runs.len(), runs[0].ended.as_str()), (2, "clean"));
    assert_eq!(r.gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap()[0].why, "stopped");
}

/// A disk that became read-only, with a store of twenty readings, which are noted on the paper.
fn read_only(c: &Arc<ManualClock>, paper: &mut Vec<(UnixMs, Value)>) -> (Mounted, PathBuf, SignalId) {
    let m = Mounted::tmpfs(3072);
    let path = m.path().join("a.db");
    let (w, o) = open_at(&path, c);
    let id = signal(&o, "temperature.box");
    seconds(&w, c, id, 20, paper);
    w.close(Span::secs(20)).unwrap();
    m.remount("ro");
    (m, path, id)
}

#[test]
fn a_read_only_disk_is_written_once_it_can_be() {
    let c = clock();
    let mut paper = vec![];
    let (m, path, id) = read_only(&c, &mut paper);
    let (w, o) = open_at(&path, &c);
    assert!(o.in_memory.as_deref().unwrap().contains("cannot be written"), "{:?}", o.in_memory);
    assert_eq!(o.signals.id(&name("temperature.box")), Some(id));
    seconds(&w, &c, id, 20, &mut paper);
    // It can be read meanwhile, as it was.
    assert_eq!(everything(&path, id).len(), 20);
    m.remount("rw");
    until("the store is open", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    assert_eq!(everything(&path, id), paper);
}

#[test]
fn a_reader_is_not_put_off_while_an_agent_tries_a_read_only_disk() {
    let mut paper = vec![];
    let (_m, path, id) = read_only(&clock(), &mut paper);
    let done = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|s| {
        s.spawn(|| {
            while !done.load(std::sync::atomic::Ordering::Relaxed) {
                drop(crate::store::lock::take(&path));
                std::thread::yield_now();
            }
        });
        // Nothing may end this before the other thread is told to.
        let read: Vec<_> = (0..40).map(|_| try_everything(&path, id)).collect();
        done.store(true, std::sync::atomic::Ordering::Relaxed);
        assert_eq!(read, vec![Ok(paper); 40]);
    });
}

#[test]
fn a_failing_file_system_is_left_and_found_again_by_its_path() {
    let m = Mounted::ext4(24);
    let path = m.path().join("a.db");
    let c = clock();
    let mut paper = vec![];
    let (w, o) = open_at(&path, &c);
    let id = signal(&o, "temperature.box");
    seconds(&w, &c, id, 60, &mut paper);
    wait(w.flush()).unwrap();
    // What a kernel does when a disk gives errors.
    m.remount("abort");
    seconds(&w, &c, id, 60, &mut paper);
    let e = wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(1, c.now())])).unwrap()).unwrap_err();
    assert!(e.is_passing(), "{e:?}");
    assert!(!w.health().well);
    m.unmount();
    m.mount_image(&m.image());
    until("the store is open again", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    assert_eq!(everything(&path, id), paper);
    assert_eq!(Reader::open(&path).unwrap().transitions(0, 9).unwrap().len(), 1);
    w.close(Span::secs(20)).unwrap();
}

#[test]
fn numbers_made_without_knowing_the_store_are_fitted_to_it() {
    let m = Mounted::ext4(24);
    let path = m.path().join("state/a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    for n in ["temperature.first", "temperature.second"] {
        signal(&o, n);
    }
    let why = Why::new(WhyCode::TimedOut, "no answer");
    let at = c.now();
    let old = signal(&o, "temperature.second");
    wait(
        w.write(urgent(batch(at, vec![Reading::unavailable(old, at, why)]), vec![raised(1, at), raised(2, at)]))
            .unwrap(),
    )
    .unwrap();
    w.close(Span::secs(20)).unwrap();
    m.unmount();
    // The disk is not mounted yet when the agent starts, and nothing can be written where it will be.
    let bare = Mounted::tmpfs(64);
    std::fs::remove_dir(m.path()).unwrap();
    std::os::unix::fs::symlink(bare.path(), m.path()).unwrap();
    bare.remount("ro");

    c.advance(60_000);
    let (w, o) = open_at(&path, &c);
    assert!(o.in_memory.is_some());
    let mut paper = vec![];
    let second = signal(&o, "temperature.second");
    assert_eq!(second, SignalId(1), "numbered without knowing the store");
    seconds(&w, &c, second, 30, &mut paper);
    let gone = Reading::unavailable(second, c.now(), Why::new(WhyCode::Absent, "unplugged"));
    paper.push((gone.at.wall, gone.value.clone()));
    w.write(write(batch(c.now(), vec![gone])));
    let _ = wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(1, c.now())])).unwrap()).unwrap_err();

    std::fs::remove_file(m.path()).unwrap();
    std::fs::create_dir(m.path()).unwrap();
    m.mount_image(&m.image());
    until("the store is open", || {
        c.advance(60_000);
        let _ = wait(w.flush());
        w.health().well
    });
    let third = signal(&o, "temperature.third");
    let mut other = vec![];
    seconds(&w, &c, second, 30, &mut paper);
    seconds(&w, &c, third, 30, &mut other);
    wait(w.flush()).unwrap();
    let r = Reader::open(&path).unwrap();
    let id = |n: &str| r.signal_id(&name(n)).unwrap().unwrap();
    let mut all = everything(&path, id("temperature.second"));
    assert_eq!(all.remove(0).1.why().unwrap().text.as_ref(), "no answer");
    assert_eq!(all, paper);
    assert_eq!(everything(&path, id("temperature.third")), other);
    assert!(everything(&path, id("temperature.first")).is_empty());
    assert_eq!(
        r.transitions(0, 9).unwrap().iter().map(|t| (t.seq, t.alarm.0)).collect::<Vec<_>>(),
        [(1, 1), (2, 2), (3, 3)]
    );
}
