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
    assert_eq!(i.readings(all.clone(), |_| {}).unwrap(), Taken { new: 20_700, known: 0 });
    let faults = [
        ImportedFault {
            from: UnixMs(T0),
            to: Some(UnixMs(T0 + 60_000)),
            name: "camera gone".into(),
            kind: Some(FaultKind::Device),
        },
        ImportedFault { from: UnixMs(T0 + 5), to: None, name: "mount lost".into(), kind: None },
    ];
    assert_eq!(i.faults(&faults).unwrap(), Taken { new: 2, known: 0 });
    assert!(!i.note(UnixMs(T0), "season.csv", "abc", &serde_json::json!({"rows": 20_000})).unwrap());
    let before = dump(&path);
    assert_eq!(i.readings(all, |_| {}).unwrap(), Taken { new: 0, known: 20_700 });
    assert_eq!(i.faults(&faults).unwrap(), Taken { new: 0, known: 2 });
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
    assert_eq!(wait(w.import_readings(season.clone())).unwrap(), Taken { new: 0, known: n });
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
    assert_eq!(wait(w.import_readings(foreign.clone())).unwrap().new, 300);
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
    assert_eq!(wait(w.import_readings(over)).unwrap(), Taken { new: 1, known: 10 });
    let r = Reader::open(&path).unwrap();
    let fine = |n: &str| r.fine(r.signal_id(&name(n)).unwrap().unwrap(), UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert_eq!(fine("temperature.outside"), foreign.readings);
    assert_eq!(fine("humidity.box"), paper);
    paper.insert(1, (UnixMs(T0 + 500), Value::Known(7.5)));
    assert_eq!(fine("temperature.box"), paper);
    let mut bad = logger("temperature.outside", 60, 3, T0);
    bad.readings[1].0 = UnixMs(-4);
    let e = wait(w.import_readings(bad)).unwrap_err();
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
