//! What may stand at the path when a store is opened, and what happens to it under a running agent.

use super::*;
use crate::clock::Clock;
use rusqlite::Connection;
use std::os::unix::fs::FileExt;

fn store_with(path: &Path, c: &Arc<ManualClock>, n: i64) -> SignalId {
    let (w, o) = open_at(path, c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    for _ in 0..n {
        w.write_patiently(write(batch(c.now(), vec![Reading::known(id, c.now(), 1.5)])));
        c.advance(1000);
    }
    w.close(Span::secs(20)).unwrap();
    id
}

#[test]
fn a_newer_store_is_refused_and_left_untouched() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    store_with(&path, &c, 5);
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = std::fs::read(&path).unwrap();
    let e = open(&path, options(&c)).map(|_| ()).unwrap_err();
    assert_eq!(e, StoreError::Newer { path: path.clone(), found: 99, known: 1 });
    assert!(e.to_string().contains("newer version"), "{e}");
    assert_eq!(Reader::open(&path).map(|_| ()).unwrap_err(), e);
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn what_is_no_store_is_refused_and_left_untouched() {
    let dir = tempfile::tempdir().unwrap();
    let c = clock();
    let open = |p: &Path| open(p, options(&c)).map(|_| ()).unwrap_err();
    assert_eq!(open(dir.path()), StoreError::IsFolder { path: dir.path().into() });
    assert_eq!(Reader::open(dir.path()).map(|_| ()).unwrap_err(), StoreError::IsFolder { path: dir.path().into() });

    let text = dir.path().join("notes.txt");
    std::fs::write(&text, "guide star lost at two\n".repeat(400)).unwrap();
    let before = std::fs::read(&text).unwrap();
    for _ in 0..2 {
        let e = open(&text);
        assert!(matches!(&e, StoreError::NotAStore { why, .. } if why == "it is no database"), "{e:?}");
        assert!(matches!(Import::open(&text, UnixMs(T0)), Err(StoreError::NotAStore { .. })));
        assert_eq!(std::fs::read(&text).unwrap(), before);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1, "nothing is left beside it");
    }

    let other = dir.path().join("other.db");
    Connection::open(&other).unwrap().execute_batch("CREATE TABLE holidays (d TEXT)").unwrap();
    let before = std::fs::read(&other).unwrap();
    for _ in 0..2 {
        let e = open(&other);
        assert!(matches!(&e, StoreError::NotAStore { why, .. } if why.contains("another program")), "{e:?}");
    }
    assert!(matches!(Reader::open(&other), Err(StoreError::NotAStore { .. })));
    assert_eq!(std::fs::read(&other).unwrap(), before);

    let under_a_file = text.join("a.db");
    assert!(matches!(open(&under_a_file), StoreError::NotAStore { .. }));
    assert!(matches!(Reader::open(&dir.path().join("none.db")), Err(StoreError::Missing { .. })));
}

#[test]
fn an_empty_file_becomes_a_store() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    std::fs::write(&path, "").unwrap();
    assert!(matches!(Reader::open(&path), Err(StoreError::Missing { .. })));
    let c = clock();
    store_with(&path, &c, 5);
    assert_eq!(Reader::open(&path).unwrap().signals().unwrap().len(), 1);
}

#[test]
fn a_second_agent_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, _) = open_at(&path, &c);
    let e = open(&path, options(&c)).map(|_| ()).unwrap_err();
    assert_eq!(e, StoreError::Held { path: path.clone(), pid: Some(std::process::id()) });
    assert_eq!(held_by(&path), Some(Some(std::process::id())));
    w.close(Span::secs(20)).unwrap();
    until("the store is free", || held_by(&path).is_none());
    open_at(&path, &c);
}

#[test]
fn invented_and_real_data_stay_apart() {
    let dir = tempfile::tempdir().unwrap();
    let (real, invented) = (dir.path().join("real.db"), dir.path().join("invented.db"));
    let c = clock();
    store_with(&real, &c, 1);
    let rehearsal = || Options { invented: true, ..options(&c) };
    let e = open(&real, rehearsal()).map(|_| ()).unwrap_err();
    assert_eq!(e, StoreError::Mixed { path: real.clone(), holds_invented: false });
    let (w, _) = open(&invented, rehearsal()).unwrap();
    w.close(Span::secs(20)).unwrap();
    assert!(matches!(open(&invented, options(&c)), Err(StoreError::Mixed { holds_invented: true, .. })));
    assert!(Reader::open(&invented).unwrap().is_invented().unwrap());
    assert!(!Reader::open(&real).unwrap().is_invented().unwrap());
}

fn asides(dir: &Path) -> Vec<std::path::PathBuf> {
    let mut v: Vec<_> = std::fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| {
            let n = p.file_name().unwrap().to_string_lossy();
            n.contains(".damaged-") && !n.ends_with("-wal") && !n.ends_with("-shm")
        })
        .collect();
    v.sort();
    v
}

#[test]
fn a_store_without_its_first_page_is_set_aside_at_start() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    store_with(&path, &c, 5);
    std::fs::OpenOptions::new().write(true).open(&path).unwrap().write_all_at(&[0xAA; 4096], 0).unwrap();
    assert!(matches!(Reader::open(&path), Err(StoreError::Damaged { .. })));
    let (w, o) = open_at(&path, &c);
    assert_eq!(o.last_run, LastRun::First);
    assert_eq!(asides(dir.path()), [o.set_aside.clone().unwrap()]);
    assert_eq!(&std::fs::read(o.set_aside.unwrap()).unwrap()[..4096], &[0xAA; 4096], "kept as it was");
    wait(w.flush()).unwrap();
    let told = Reader::open(&path).unwrap().events(UnixMs(0), UnixMs(i64::MAX), &[EventKind::StoreState]).unwrap();
    assert!(told[0].text.contains("set aside as a.db.damaged-20260112T"), "{}", told[0].text);
}

/// Destroys the root page of a table in the middle of the file.
fn destroy(path: &Path, table: &str) {
    let page: i64 = Connection::open(path)
        .unwrap()
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = ?", [table], |r| r.get(0))
        .unwrap();
    std::fs::OpenOptions::new()
        .write(true)
        .open(path)
        .unwrap()
        .write_all_at(&[0xAA; 4096], (page as u64 - 1) * 4096)
        .unwrap();
}

#[test]
fn damage_is_found_in_the_background_and_the_agent_goes_on_in_a_new_store() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let id = store_with(&path, &c, 5);
    destroy(&path, "remedies");
    let (w, o) = open(&path, Options { check_after: Some(Span::secs(20)), ..options(&c) }).unwrap();
    assert_eq!(o.set_aside, None, "opening does not look everywhere");
    c.advance(30_000);
    until("the damage is found", || {
        w.write(write(batch(c.now(), vec![Reading::known(id, c.now(), 2.5)])));
        c.advance(1000);
        let _ = wait(w.flush());
        !asides(dir.path()).is_empty()
    });
    let aside = asides(dir.path()).remove(0);
    wait(w.write(urgent(batch(c.now(), vec![Reading::known(id, c.now(), 3.5)]), vec![raised(1, c.now())])).unwrap())
        .unwrap();
    assert!(w.health().well);
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.transitions(0, 9).unwrap().len(), 1);
    assert_eq!(r.signal_id(&name("temperature.box")).unwrap(), Some(id), "signals keep their numbers");
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().last().unwrap().1, Value::Known(3.5));
    let told = r.events(UnixMs(0), UnixMs(i64::MAX), &[EventKind::StoreState]).unwrap();
    assert!(told.iter().any(|e| e.text.contains(aside.file_name().unwrap().to_str().unwrap())), "{told:?}");
    // What is still readable in the old one can be read.
    assert_eq!(Reader::open(&aside).unwrap().fine(id, UnixMs(0), UnixMs(T0 + 5000)).unwrap().len(), 5);
}

#[test]
fn damage_that_a_reader_meets_is_looked_into() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    store_with(&path, &c, 5);
    destroy(&path, "remedies");
    let (w, _) = open_at(&path, &c); // no look of its own is due
    wait(w.flush()).unwrap();
    assert!(asides(dir.path()).is_empty());
    let e = Reader::open(&path).unwrap().remedies().unwrap_err();
    assert!(e.is_damage(), "{e:?}");
    until("the store is set aside", || {
        let _ = wait(w.flush());
        !asides(dir.path()).is_empty()
    });
    wait(w.flush()).unwrap();
    assert!(Reader::open(&path).unwrap().remedies().unwrap().is_empty());
}

#[test]
fn damage_that_a_commit_meets_loses_nothing_that_waits() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let id = store_with(&path, &c, 5);
    destroy(&path, "marks"); // nothing reads it before a mark is made
    let (w, _) = open_at(&path, &c);
    let mut marked = urgent(batch(c.now(), vec![Reading::known(id, c.now(), 2.5)]), vec![raised(1, c.now())]);
    marked.outcome.marks.push((1, Mark { at: c.now(), kind: None, words: "a test".into() }));
    wait(w.write(marked).unwrap()).unwrap();
    assert_eq!(Reader::open(&path).unwrap().transitions(0, 9).unwrap().len(), 1, "saved in the new store");
    assert_eq!(asides(dir.path()).len(), 1);
    assert_eq!(Reader::open(&path).unwrap().fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 1);
}

#[test]
fn a_damaged_piece_leaves_the_rest_readable() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    for i in 0..4000 {
        w.write_patiently(write(batch(c.now(), vec![Reading::known(id, c.now(), f64::from(i % 60) / 10.0)])));
        c.advance(1000);
    }
    let db = Connection::open(&path).unwrap();
    let count = |sql: &str| -> i64 { db.query_row(sql, [], |r| r.get(0)).unwrap() };
    // Time goes on: what the writer had not taken in yet when it last looked is sealed at a later look.
    until("the first three windows are sealed whole", || {
        c.advance(60_000);
        wait(w.flush()).unwrap();
        count("SELECT min(window_s) FROM journal") >= T0 / 1000 + 1800 && count("SELECT through_row FROM sealing") == 0
    });
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 4000);
    // One byte of the second piece's body, and one figure of the third.
    db.execute("UPDATE pieces SET body = CAST(x'00' || substr(body, 2) AS BLOB) WHERE id = (SELECT id FROM pieces ORDER BY id LIMIT 1 OFFSET 1)", [])
        .unwrap();
    db.execute("UPDATE pieces SET max = max + 0.1 WHERE id = (SELECT id FROM pieces ORDER BY id LIMIT 1 OFFSET 2)", [])
        .unwrap();
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 4000 - 1200);
    let b = &r.buckets(id, UnixMs(T0), UnixMs(T0 + 4_000_000), 1).unwrap()[0];
    assert!(b.count < 4000 && b.max == 5.9, "{b:?}");
    // Minutes are rows of their own and still whole.
    let m = r.minutes(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert_eq!(m.iter().map(|b| b.count).sum::<u32>(), 4000);
}

#[test]
fn a_log_that_is_nonsense_is_passed_over() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let id = store_with(&path, &c, 5);
    std::fs::write(dir.path().join("a.db-wal"), vec![0x37; 70_000]).unwrap();
    let (w, o) = open_at(&path, &c);
    assert_eq!((o.last_run, o.set_aside), (LastRun::Clean, None));
    wait(w.flush()).unwrap();
    assert_eq!(Reader::open(&path).unwrap().fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 5);
}

#[test]
fn a_log_of_another_store_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let (path, other) = (dir.path().join("a.db"), dir.path().join("b.db"));
    let c = clock();
    store_with(&path, &c, 5);
    // A log left by a crash, of a store with much in it, put beside this small one.
    let (w, o) = open_at(&other, &c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    let busy = |n: i64| {
        for i in 0..n {
            let at = c.now();
            let mut one = write(batch(at, vec![Reading::known(id, at, i as f64)]));
            one.batch.events.push(event(at, &"a long text, so that many pages are written ".repeat(8)));
            w.write_patiently(one);
            c.advance(1000);
        }
        wait(w.flush()).unwrap();
    };
    busy(2000);
    // Most of it is in the file by now, so that the log is only the latest part of that store.
    Connection::open(&other).unwrap().execute_batch("PRAGMA wal_checkpoint(RESTART)").unwrap();
    busy(500);
    std::fs::copy(dir.path().join("b.db-wal"), dir.path().join("a.db-wal")).unwrap();
    let (w2, o2) = open(&path, Options { check_after: Some(Span::ZERO), ..options(&c) }).unwrap();
    until("it is set aside", || {
        c.advance(1000);
        w2.write(write(batch(c.now(), vec![])));
        let _ = wait(w2.flush());
        o2.set_aside.is_some() || !asides(dir.path()).is_empty()
    });
    drop(w);
}

#[test]
fn a_deleted_store_is_written_anew() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let id = store_with(&path, &c, 5);
    let (w, _) = open_at(&path, &c);
    wait(w.write(urgent(batch(c.now(), vec![Reading::known(id, c.now(), 2.5)]), vec![raised(1, c.now())])).unwrap())
        .unwrap();
    for end in ["", "-wal", "-shm"] {
        std::fs::remove_file(crate::store::lock::beside(&path, end)).unwrap();
    }
    c.advance(1000);
    wait(w.write(urgent(batch(c.now(), vec![Reading::known(id, c.now(), 3.5)]), vec![raised(2, c.now())])).unwrap())
        .unwrap();
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.transitions(0, 9).unwrap().len(), 2);
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 7);
    let told = r.events(UnixMs(0), UnixMs(i64::MAX), &[EventKind::StoreState]).unwrap();
    assert!(told[0].text.contains("deleted while the agent ran; it was written anew"), "{told:?}");
    w.close(Span::secs(20)).unwrap();
}

#[test]
fn a_copy_put_in_place_under_a_running_agent_is_used() {
    let dir = tempfile::tempdir().unwrap();
    let (path, spare) = (dir.path().join("a.db"), dir.path().join("spare.db"));
    let c = clock();
    let id = store_with(&path, &c, 5);
    let (w, _) = open_at(&path, &c);
    copy(&path, &spare, |_, _| {}).unwrap();
    wait(w.write(urgent(batch(c.now(), vec![]), vec![raised(1, c.now())])).unwrap()).unwrap();
    std::fs::rename(&spare, &path).unwrap();
    for end in ["-wal", "-shm"] {
        std::fs::remove_file(crate::store::lock::beside(&path, end)).unwrap();
    }
    c.advance(1000);
    wait(w.write(urgent(batch(c.now(), vec![Reading::known(id, c.now(), 3.5)]), vec![raised(2, c.now())])).unwrap())
        .unwrap();
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.transitions(0, 9).unwrap().iter().map(|t| t.seq).collect::<Vec<_>>(), [2]);
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 6);
}

#[test]
fn a_copy_is_whole_while_the_agent_writes() {
    let dir = tempfile::tempdir().unwrap();
    let (path, to) = (dir.path().join("a.db"), dir.path().join("copy.db"));
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    std::thread::scope(|s| {
        let go = s.spawn(|| {
            for i in 0..6000 {
                w.write_patiently(write(batch(c.now(), vec![Reading::known(id, c.now(), f64::from(i))])));
                c.advance(1000);
            }
            wait(w.flush()).unwrap();
        });
        until("there is something", || w.health().bytes > 200_000);
        let mut last = (0, 0);
        let bytes = copy(&path, &to, |done, all| last = (done, all)).unwrap();
        assert_eq!(bytes, std::fs::metadata(&to).unwrap().len());
        assert!(last.0 == last.1 && last.1 > 0, "{last:?}");
        go.join().unwrap();
    });
    look_for_damage(&to).unwrap();
    let r = Reader::open(&to).unwrap();
    let fine = r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert!(fine.iter().enumerate().all(|(i, f)| f.1 == Value::Known(i as f64)), "a whole stretch from the beginning");
    let e = copy(&path, &to, |_, _| {}).unwrap_err();
    assert!(e.to_string().contains("exists already"), "{e}");
}
