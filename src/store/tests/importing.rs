//! Bringing in what was recorded elsewhere.

use super::*;
use crate::clock::Clock;
use crate::model::rows::ImportedFault;

fn logger(n: &str, every_s: i64, count: i64, from: i64) -> Foreign {
    let gone = Why::new(WhyCode::Absent, "battery empty");
    Foreign {
        signal: SignalDef::new(name(n), Unit::Celsius, 0.1, "logger"),
        readings: (0..count)
            .map(|i| {
                let v =
                    if i % 50 == 49 { Value::Unavailable(gone.clone()) } else { Value::Known((i % 90) as f64 / 10.0) };
                (UnixMs(from + i * every_s * 1000), v)
            })
            .collect(),
    }
}

fn dump(path: &Path) -> String {
    let c = rusqlite::Connection::open(path).unwrap();
    let mut all = String::new();
    for table in ["signals", "reasons", "pieces", "times", "hours", "imported_faults", "imports"] {
        let mut q = c.prepare(&format!("SELECT * FROM {table} ORDER BY 1")).unwrap();
        let n = q.column_count();
        let mut rows = q.query([]).unwrap();
        while let Some(r) = rows.next().unwrap() {
            for i in 0..n {
                all += &format!("{:?}|", r.get_ref(i).unwrap());
            }
            all += "\n";
        }
    }
    all
}

#[test]
fn the_same_content_twice_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let mut i = Import::open(&path, UnixMs(T0)).unwrap();
    // Once every ten minutes for a season, and once a minute, out of order, for a night.
    let season = logger("temperature.outside", 600, 20_000, T0 - 200 * 86_400_000);
    let mut night = logger("humidity.box", 60, 700, T0);
    night.readings.reverse();
    let all = vec![season.clone(), night.clone()];
    assert_eq!(i.readings(all.clone(), Way::In, |_| {}).unwrap(), Taken { new: 20_700, known: 0 });
    let faults = [
        ImportedFault {
            from: UnixMs(T0),
            to: Some(UnixMs(T0 + 60_000)),
            name: "camera gone".into(),
            kind: Some(FaultKind::Device),
        },
        ImportedFault { from: UnixMs(T0 + 5), to: None, name: "mount lost".into(), kind: None },
    ];
    assert_eq!(i.faults(&faults, Way::In).unwrap(), Taken { new: 2, known: 0 });
    assert!(!i.note(UnixMs(T0), "season.csv", "abc", &serde_json::json!({"rows": 20_000})).unwrap());
    let before = dump(&path);
    assert_eq!(i.readings(all, Way::In, |_| {}).unwrap(), Taken { new: 0, known: 20_700 });
    assert_eq!(i.faults(&faults, Way::In).unwrap(), Taken { new: 0, known: 2 });
    assert!(i.note(UnixMs(T0 + 9), "season.csv", "abc", &serde_json::json!({})).unwrap(), "seen before");
    assert_eq!(dump(&path), before);

    let r = Reader::open(&path).unwrap();
    let id = r.signal_id(&season.signal.name).unwrap().unwrap();
    assert_eq!(r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap(), season.readings);
    let minutes = r.minutes(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert_eq!(minutes.len(), 20_000);
    assert_eq!(r.imported_faults(UnixMs(0), UnixMs(i64::MAX)).unwrap(), faults);
    assert_eq!(r.first_and_last().unwrap().unwrap().0, season.readings[0].0);
    drop((r, i));

    // Long after, when the agent keeps only minutes of that time, it changes nothing either.
    let c = clock();
    let (w, _) = open(&path, Options { keep_fine_days: 1, ..options(&c) }).unwrap();
    let pieces = |what: &str| -> i64 {
        let db = rusqlite::Connection::open(&path).unwrap();
        db.query_row(&format!("SELECT count(*) FROM pieces {what}"), [], |r| r.get(0)).unwrap()
    };
    let old = T0 / 1000 - 3 * 86_400;
    until("old fine readings are gone", || {
        c.advance(600_000);
        wait(w.flush()).unwrap();
        pieces(&format!("WHERE id & 1099511627775 < {old}")) == 0
    });
    let n = season.readings.len() as u64;
    assert_eq!(wait(w.import_readings(season.clone(), Way::In)).unwrap(), Taken { new: 0, known: n });
    assert_eq!(Reader::open(&path).unwrap().minutes(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 20_000);
}

#[test]
fn an_import_beside_a_running_agent_meets_none_of_its_numbers() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let own = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    assert!(matches!(Import::open(&path, UnixMs(T0)), Err(StoreError::Held { .. })), "not past the agent");
    let foreign = logger("temperature.outside", 60, 300, T0 - 86_400_000);
    assert_eq!(wait(w.import_readings(foreign.clone(), Way::In)).unwrap().new, 300);
    let later = o.signals.register(SignalDef::new(name("humidity.box"), Unit::Percent, 0.1, "test"));
    let mut paper = vec![];
    for i in 0..100 {
        let v = match i % 3 {
            0 => Value::Unavailable(Why::new(WhyCode::TimedOut, "no answer")),
            _ => Value::Known(f64::from(i)),
        };
        paper.push((c.now().wall, v.clone()));
        let r = |signal| Reading { signal, at: c.now(), value: v.clone() };
        w.write_patiently(write(batch(c.now(), vec![r(own), r(later)])));
        c.advance(1000);
    }
    // Into the same signal and time as the agent's own: only instants that it has not.
    let mut over = logger("temperature.box", 10, 10, T0);
    over.readings.push((UnixMs(T0 + 500), Value::Known(7.5)));
    assert_eq!(wait(w.import_readings(over, Way::In)).unwrap(), Taken { new: 1, known: 10 });
    let r = Reader::open(&path).unwrap();
    let fine = |n: &str| r.fine(r.signal_id(&name(n)).unwrap().unwrap(), UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert_eq!(fine("temperature.outside"), foreign.readings);
    assert_eq!(fine("humidity.box"), paper);
    paper.insert(1, (UnixMs(T0 + 500), Value::Known(7.5)));
    assert_eq!(fine("temperature.box"), paper);
    let mut bad = logger("temperature.outside", 60, 3, T0);
    bad.readings[1].0 = UnixMs(-4);
    let e = wait(w.import_readings(bad, Way::In)).unwrap_err();
    assert!(e.to_string().contains("before 1970"), "{e}");
    assert!(w.health().well);
}

#[test]
fn imports_keep_away_from_invented_stores() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, _) = open(&path, Options { invented: true, ..options(&c) }).unwrap();
    w.close(Span::secs(20)).unwrap();
    assert!(matches!(Import::open(&path, UnixMs(T0)), Err(StoreError::Mixed { .. })));
}

#[test]
fn what_is_taken_back_leaves_everything_else_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let mut i = Import::open(&path, UnixMs(T0)).unwrap();
    let right = logger("temperature.outside", 60, 3000, T0);
    let kept = ImportedFault { from: UnixMs(T0), to: None, name: "mount lost".into(), kind: None };
    i.readings(vec![right.clone()], Way::In, |_| {}).unwrap();
    i.faults(std::slice::from_ref(&kept), Way::In).unwrap();
    let figures = |path: &Path| {
        let r = Reader::open(path).unwrap();
        let id = r.signal_id(&right.signal.name).unwrap().unwrap();
        let (from, to) = (UnixMs(0), UnixMs(i64::MAX));
        // As text: a minute without a value is not equal to itself.
        let minutes = format!("{:?}", r.minutes(id, from, to).unwrap());
        (r.fine(id, from, to).unwrap(), minutes, r.imported_faults(from, to).unwrap())
    };
    let before = figures(&path);
    // The same logger read in a wrong zone: half of it between what is there, some of it at the very same instants, some far away.
    let mut wrong = logger("temperature.outside", 90, 2000, T0 + 30_000);
    wrong.readings.extend(logger("temperature.outside", 600, 50, T0 - 90 * 86_400_000).readings);
    let fault = ImportedFault { from: UnixMs(T0 + 3_600_000), to: None, name: "mount lost".into(), kind: None };
    let came = i.readings(vec![wrong.clone()], Way::In, |_| {}).unwrap();
    assert!(came.known > 500 && came.new > 1000, "{came:?}");
    i.faults(std::slice::from_ref(&fault), Way::In).unwrap();
    i.note(UnixMs(T0), "wrong.csv", "abc", &serde_json::json!({})).unwrap();
    assert!(figures(&path) != before);
    // Those instants had another value before: they stay.
    let gone = i.readings(vec![wrong.clone()], Way::Out, |_| {}).unwrap();
    let same = right.readings.iter().filter(|r| wrong.readings.contains(r)).count() as u64;
    assert_eq!(gone.new, came.new + same);
    i.readings(vec![right.clone()], Way::In, |_| {}).unwrap();
    assert_eq!(i.faults(&[fault.clone(), fault], Way::Out).unwrap(), Taken { new: 1, known: 1 });
    assert!(figures(&path) == before, "something else changed");
    assert!(i.forget("abc").unwrap() && !i.forget("abc").unwrap());
    assert!(Reader::open(&path).unwrap().imports().unwrap().is_empty());
    // A second time, and of a signal that was never there, there is nothing to take.
    let never = logger("temperature.attic", 60, 7, T0);
    let none = i.readings(vec![never], Way::Out, |_| {}).unwrap();
    assert_eq!(none, Taken { new: 0, known: 7 });
    assert!(Reader::open(&path).unwrap().signal_id(&name("temperature.attic")).unwrap().is_none());
    let all = i.readings(vec![right.clone()], Way::Out, |_| {}).unwrap();
    assert_eq!(all, Taken { new: 3000, known: 0 });
    let c = rusqlite::Connection::open(&path).unwrap();
    let left: i64 =
        c.query_row("SELECT (SELECT count(*) FROM pieces) + (SELECT count(*) FROM hours)", [], |r| r.get(0)).unwrap();
    assert_eq!(left, 0);
}

#[test]
fn minutes_that_are_left_of_an_import_are_taken_back_where_they_hold_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let old = T0 - 30 * 86_400_000;
    let mut i = Import::open(&path, UnixMs(T0)).unwrap();
    let first = logger("temperature.outside", 300, 100, old);
    // Some of its readings fall into minutes that the first one has already.
    let mut second = logger("temperature.outside", 420, 60, old + 10_000);
    second.readings.retain(|r| matches!(r.1, Value::Known(_)));
    i.readings(vec![first, second.clone()], Way::In, |_| {}).unwrap();
    drop(i);
    let c = clock();
    let (w, _) = open(&path, Options { keep_fine_days: 1, ..options(&c) }).unwrap();
    let pieces = || -> i64 {
        let db = rusqlite::Connection::open(&path).unwrap();
        db.query_row("SELECT count(*) FROM pieces", [], |r| r.get(0)).unwrap()
    };
    until("old fine readings are gone", || {
        c.advance(600_000);
        wait(w.flush()).unwrap();
        pieces() == 0
    });
    let minute = |t: i64| t.div_euclid(60_000);
    let shared = second.readings.iter().filter(|r| (minute(r.0.0) - minute(old)) % 5 == 0).count() as u64;
    assert!(shared > 5);
    let n = second.readings.len() as u64;
    let t = wait(w.import_readings(second, Way::Out)).unwrap();
    assert_eq!(t, Taken { new: n - shared, known: shared });
    let r = Reader::open(&path).unwrap();
    let id = r.signal_id(&name("temperature.outside")).unwrap().unwrap();
    assert_eq!(r.minutes(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().len(), 100);
}
