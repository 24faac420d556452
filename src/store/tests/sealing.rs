//! Readings are the same before, while and after they are sealed; roll-ups agree with plain arithmetic; retention keeps minutes.

use super::*;
use rusqlite::Connection;
use std::collections::BTreeMap;

/// What a store should hold, kept in plain lists.
#[derive(Default)]
struct Reference(BTreeMap<SignalId, Vec<(UnixMs, Value)>>);

impl Reference {
    fn push(&mut self, readings: &[Reading]) {
        for r in readings {
            self.0.entry(r.signal).or_default().push((r.at.wall, r.value.clone()));
        }
    }
    fn fine(&self, s: SignalId, from: i64, to: i64) -> Vec<(UnixMs, Value)> {
        let mut v: Vec<_> = self.0[&s].iter().filter(|(a, _)| (from..to).contains(&a.0)).cloned().collect();
        v.sort_by_key(|(a, _)| *a);
        v
    }
    /// Counts, minimum, mean and maximum of a stretch.
    fn figures(&self, s: SignalId, from: i64, to: i64) -> (u32, u32, f64, f64, f64) {
        let all = self.fine(s, from, to);
        let known: Vec<f64> = all.iter().filter_map(|(_, v)| v.known()).collect();
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        let (lo, hi) = known.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(*v), b.max(*v)));
        (known.len() as u32, (all.len() - known.len()) as u32, lo, mean, hi)
    }
}

fn agree(what: &str, b: &crate::model::rows::Bucket, f: (u32, u32, f64, f64, f64), tolerance: f64) {
    assert_eq!((b.count, b.unavailable), (f.0, f.1), "{what} {b:?}");
    if f.0 > 0 {
        assert_eq!((b.min, b.max), (f.2, f.4), "{what} {b:?}");
        assert!((b.mean - f.3).abs() <= tolerance, "{what} {b:?} {f:?}");
    }
}

fn check(path: &Path, want: &Reference) {
    let r = Reader::open(path).unwrap();
    let _still = r.snapshot().unwrap();
    for (&s, all) in &want.0 {
        let (first, last) = (all[0].0.0, all[all.len() - 1].0.0 + 1);
        assert_eq!(r.fine(s, UnixMs(0), UnixMs(i64::MAX)).unwrap(), want.fine(s, 0, i64::MAX), "{s:?}");
        let (a, b) = (first + 77_000, last - 333_000);
        assert_eq!(r.fine(s, UnixMs(a), UnixMs(b)).unwrap(), want.fine(s, a, b));
        for points in [1, 7, 100] {
            for b in r.buckets(s, UnixMs(a), UnixMs(b), points).unwrap() {
                agree("bucket", &b, want.figures(s, b.from.0, b.to.0), 1e-9);
            }
        }
        let minutes = r.minutes(s, UnixMs(first - 3_600_000), UnixMs(last + 3_600_000)).unwrap();
        assert!(minutes.len() > 10);
        for b in &minutes {
            agree("minute", b, want.figures(s, b.from.0, b.to.0), 0.0051);
        }
        let known: u32 = minutes.iter().map(|b| b.count + b.unavailable).sum();
        assert_eq!(known as usize, all.len());
        for b in r.hours(s, UnixMs(first - 3_600_000), UnixMs(last)).unwrap() {
            agree("hour", &b, want.figures(s, b.from.0, b.to.0), 0.0051);
        }
    }
}

fn count(path: &Path, what: &str) -> i64 {
    Connection::open(path).unwrap().query_row(&format!("SELECT count(*) FROM {what}"), [], |r| r.get(0)).unwrap()
}

fn journal_rows(path: &Path) -> i64 {
    count(path, "journal")
}

/// Twenty signals every ten seconds, with outages, a late reading now and then, and instants that differ by probe.
fn night(w: &Writer, c: &Arc<ManualClock>, ids: &[SignalId], want: &mut Reference, cycles: i64) {
    let why = [Why::new(WhyCode::TimedOut, "no answer"), Why::new(WhyCode::Absent, "unplugged")];
    for i in 0..cycles {
        let now = c.now();
        let mut readings = vec![];
        for (k, &id) in ids.iter().enumerate() {
            let k = k as i64;
            let at = now.plus(Span(-(k % 3) * 37 - if i % 13 == 0 && k == 5 { 15_000 } else { 0 }));
            let n = i * (k + 1);
            readings.push(match (i / 40 + k) % 9 {
                0 => Reading::unavailable(id, at, why[(n % 2) as usize].clone()),
                _ => Reading::known(id, at, if k == 3 { (n as f64).sqrt() } else { (n * n % 977) as f64 / 10.0 }),
            });
        }
        want.push(&readings);
        w.write_patiently(write(batch(now, readings)));
        c.advance(10_000);
    }
}

fn ids(o: &Opened, n: usize) -> Vec<SignalId> {
    (0..n).map(|i| o.signals.register(SignalDef::new(name(&format!("a.s-{i}")), Unit::None, 0.1, "test"))).collect()
}

use crate::clock::Clock;

#[test]
fn readings_are_the_same_before_and_after_sealing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    c.advance(123_456); // no round start
    let (w, o) = open_at(&path, &c);
    let ids = ids(&o, 20);
    let mut want = Reference::default();
    night(&w, &c, &ids, &mut want, 100);
    wait(w.flush()).unwrap();
    assert_eq!(count(&path, "pieces"), 0, "nothing is sealed within half an hour");
    check(&path, &want);
    night(&w, &c, &ids, &mut want, 800);
    until("all but the last half hour is sealed", || {
        wait(w.flush()).unwrap();
        c.advance(1000);
        journal_rows(&path) < 260
    });
    check(&path, &want);
    // Interrupted in the middle of a pass, and gone on by the next run.
    drop(w);
    let (w, o) = open_at(&path, &c);
    assert_eq!(o.last_run, LastRun::Crash);
    night(&w, &c, &ids, &mut want, 300);
    until("sealing has caught up", || {
        wait(w.flush()).unwrap();
        c.advance(60_000);
        journal_rows(&path) <= 1
    });
    check(&path, &want);
    w.close(Span::secs(20)).unwrap();
    check(&path, &want);
    let r = Reader::open(&path).unwrap();
    let (first, last) = r.first_and_last().unwrap().unwrap();
    assert!(
        first <= UnixMs(T0 + 123_456) && first > UnixMs(T0) && last > UnixMs(T0 + 12_000_000),
        "{first:?} {last:?}"
    );
}

#[test]
fn a_sealing_pass_counts_nothing_twice_at_any_moment() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let ids = ids(&o, 20);
    let mut want = Reference::default();
    night(&w, &c, &ids, &mut want, 240);
    w.close(Span::secs(20)).unwrap();
    // By hand, slice by slice.
    let mut db = Connection::open(&path).unwrap();
    let mut pass = crate::store::seal::begin(&db, c.now().wall, 600).unwrap().expect("something to seal");
    for slice in 0.. {
        check(&path, &want);
        // The process dies here: the next one picks the pass up where it was.
        if slice == 1 {
            pass = crate::store::seal::begin(&db, c.now().wall, 600).unwrap().expect("the pass goes on");
        }
        if crate::store::seal::step(&mut db, &mut pass, &o.signals).unwrap() {
            assert_eq!(slice, 2, "twenty signals are three slices");
            break;
        }
    }
    check(&path, &want);
    assert!(crate::store::seal::begin(&db, c.now().wall, 600).unwrap().is_none());
}

#[test]
fn a_clock_set_back_joins_windows_and_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let ids = ids(&o, 3);
    let mut want = Reference::default();
    night(&w, &c, &ids, &mut want, 300);
    until("sealed", || {
        wait(w.flush()).unwrap();
        c.advance(1000);
        journal_rows(&path) < 200
    });
    c.step_wall(-3_600_000);
    night(&w, &c, &ids, &mut want, 500);
    until("sealing has caught up", || {
        wait(w.flush()).unwrap();
        c.advance(60_000);
        journal_rows(&path) <= 1
    });
    let r = Reader::open(&path).unwrap();
    for &s in &ids {
        let mut got = r.fine(s, UnixMs(0), UnixMs(i64::MAX)).unwrap();
        let mut all = want.fine(s, 0, i64::MAX);
        let key = |x: &(UnixMs, Value)| (x.0, format!("{:?}", x.1));
        got.sort_by_key(key);
        all.sort_by_key(key);
        assert_eq!(got, all);
        for b in r.minutes(s, UnixMs(0), UnixMs(i64::MAX)).unwrap() {
            agree("minute", &b, want.figures(s, b.from.0, b.to.0), 0.0051);
        }
    }
}

#[test]
fn retention_drops_fine_readings_and_keeps_minutes() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open(&path, Options { keep_fine_days: 2, ..options(&c) }).unwrap();
    let ids = ids(&o, 20);
    let mut want = Reference::default();
    let (from, to) = (UnixMs(T0), UnixMs(T0 + 3 * 3_600_000));
    night(&w, &c, &ids, &mut want, 1000);
    wait(w.flush()).unwrap();
    let before = Reader::open(&path).unwrap().minutes(ids[1], from, to).unwrap();
    c.advance(3 * 86_400_000);
    night(&w, &c, &ids, &mut want, 10);
    let old = T0 / 1000 + 86_400;
    until("fine readings of that night are gone", || {
        c.advance(600_000);
        wait(w.flush()).unwrap();
        count(&path, &format!("journal WHERE window_s < {old}")) == 0
            && count(&path, &format!("pieces WHERE id & 1099511627775 < {old}")) == 0
            && count(&path, &format!("times WHERE id >> 10 < {old}")) == 0
    });
    let r = Reader::open(&path).unwrap();
    assert!(r.fine(ids[1], from, to).unwrap().is_empty());
    let after = r.minutes(ids[1], from, to).unwrap();
    assert_eq!(before.len(), after.len());
    for b in &after {
        agree("minute", b, want.figures(ids[1], b.from.0, b.to.0), 0.0051);
    }
    // Asked for stretches, the minutes stand in.
    let b = r.buckets(ids[1], from, to, 9).unwrap();
    assert_eq!(b.iter().map(|b| b.count).sum::<u32>(), after.iter().map(|b| b.count).sum::<u32>());
    // And the newest readings are there still.
    assert!(!r.fine(ids[1], UnixMs(T0 + 3 * 86_400_000), UnixMs(i64::MAX)).unwrap().is_empty());
}

#[test]
fn minutes_can_be_read_with_plain_sql() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let ids = ids(&o, 4);
    let mut want = Reference::default();
    night(&w, &c, &ids, &mut want, 600);
    until("sealing has caught up", || {
        c.advance(60_000);
        wait(w.flush()).unwrap();
        journal_rows(&path) <= 1
    });
    let db = Connection::open(&path).unwrap();
    let r = Reader::open(&path).unwrap();
    for (k, &s) in ids.iter().enumerate() {
        let mut q = db
            .prepare("SELECT time_ms, min, mean, max, count, unavailable, time FROM minutes WHERE signal = ? ORDER BY time_ms")
            .unwrap();
        type Minute = (i64, Option<f64>, Option<f64>, Option<f64>, u32, u32, String);
        let rows: Vec<Minute> = q
            .query_map([format!("a.s-{k}")], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?))
            })
            .unwrap()
            .map(Result::unwrap)
            .collect();
        let ours = r.minutes(s, UnixMs(0), UnixMs(i64::MAX)).unwrap();
        // The newest journal row is never sealed, so its minutes are not in the view yet.
        assert!(rows.len() >= ours.len() - 20 && rows.len() >= 60, "{} {}", rows.len(), ours.len());
        // Its first minute may have begun in the row before, so the newest minute of the view may be half of one.
        for (row, b) in rows[..rows.len() - 1].iter().zip(&ours) {
            assert_eq!((row.0, row.4, row.5), (b.from.0, b.count, b.unavailable));
            assert_eq!(row.1.unwrap_or(f64::NAN).to_bits(), b.min.to_bits());
            assert_eq!(row.3.unwrap_or(f64::NAN).to_bits(), b.max.to_bits());
            assert!(row.2.is_none() || (row.2.unwrap() - b.mean).abs() < 1e-9, "{row:?} {b:?}");
        }
        let first = if k % 3 == 0 { "2026-01-12T20:00Z" } else { "2026-01-12T19:59Z" }; // probes differ by some milliseconds
        assert_eq!(rows[0].6, first);
    }
}
