//! Storage measured: what a reading costs on the disk, and what the standing questions cost, against a row per value.
//!
//!     cargo bench --bench storage                    # 60 nights; about five minutes and 1.5 GB in target/
//!     cargo bench --bench storage -- --nights 6      # quicker
//!
//! The nights are synthetic, from a seeded generator of plausible values (60 signals: processor 3, load 3, memory 3, ten programs x
//! 3, six temperatures, disk 3, two interfaces x 4, two links x 2). Ratios are taken within one run. The table goes to
//! DEVELOPERS.md.

mod sky;

use rusqlite::{Connection, params};
use sky::{CLASSES, Sky};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;
use tilldawn::clock::{Clock, ManualClock};
use tilldawn::model::*;
use tilldawn::store::{self, Options, Reader, Write, Writer, measure};

/// 2026-01-01T18:00:00Z
const FIRST: i64 = 1_767_290_400_000;
const DAY: i64 = 86_400_000;
const NIGHT: i64 = 10 * 3_600_000;
/// Signals that the row table holds: rows of one signal lie together, so a question about one costs the same with all 60.
const ROWS_OF: usize = 4;

struct Fill {
    w: Writer,
    clock: Arc<ManualClock>,
    ids: Vec<SignalId>,
}

fn begin(path: &Path, sky: &Sky, commit_every: Span) -> Fill {
    let clock = ManualClock::at(Stamp::new(UnixMs(FIRST), BootMs(60_000)));
    let options =
        Options { commit_every, check_after: None, keep_fine_days: 100_000, ..Options::new(clock.clone(), "bench") };
    let (w, opened) = store::open(path, options).expect("opens");
    let ids = sky.courses.iter().map(|c| opened.signals.register(c.def.clone())).collect();
    Fill { w, clock, ids }
}

impl Fill {
    fn write(&self, values: &[f64], jitter: i64) {
        let now = self.clock.now();
        // Eight probes, each with its own instant inside the cycle.
        let at = |i: usize| now.plus(Span((i as i64 % 8) * 3 + (jitter * (1 + i as i64 % 8)) % 5));
        let readings =
            values.iter().zip(&self.ids).enumerate().map(|(i, (v, id))| Reading::known(*id, at(i), *v)).collect();
        self.w.write_patiently(Write {
            batch: Batch { at: now.plus(Span(40)), readings, events: vec![] },
            ..Write::default()
        });
    }

    fn wait(&self) {
        self.w.flush().blocking_recv().expect("answers").expect("commits");
    }

    /// Waits until nothing is left to seal but the present window.
    fn settle(&self, path: &Path) {
        for _ in 0..100_000 {
            self.wait();
            self.clock.advance(60_000);
            let c = Connection::open(path).expect("opens");
            let left: i64 = c.query_row("SELECT count(*) FROM journal", [], |r| r.get(0)).expect("counts");
            if left <= 1 {
                return;
            }
        }
        panic!("sealing does not end");
    }
}

fn written() -> u64 {
    let io = std::fs::read_to_string("/proc/self/io").expect("this benchmark needs Linux");
    io.lines().find_map(|l| l.strip_prefix("write_bytes: ")).and_then(|n| n.parse().ok()).expect("write_bytes")
}

fn memory_kb(what: &str) -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").expect("this benchmark needs Linux");
    let line = status.lines().find_map(|l| l.strip_prefix(what)).expect("a line of that name");
    line.trim_start_matches(':').trim().trim_end_matches(" kB").parse().expect("a number")
}

/// Median of `n` timings in milliseconds.
fn median(n: usize, mut f: impl FnMut()) -> f64 {
    let mut all: Vec<f64> = (0..n)
        .map(|_| {
            let t = Instant::now();
            f();
            t.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    all.sort_by(f64::total_cmp);
    all[n / 2]
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let of = |key: &str| args.iter().position(|a| a == key).and_then(|i| args.get(i + 1));
    let nights: i64 = of("--nights").map_or(60, |n| n.parse().expect("--nights takes a number"));
    let dir =
        tempfile::Builder::new().prefix("storage-bench").tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a folder");
    packing();
    per_hour(dir.path());
    let (ours, rows) = (dir.path().join("ours.db"), dir.path().join("rows.db"));
    fill(&ours, &rows, nights);
    questions(&ours, &rows, nights);
    opening(&ours, dir.path());
}

fn packing() {
    let mut sky = Sky::new(7);
    let (n, mut v) = (300, vec![]);
    let mut columns: Vec<Vec<f64>> = vec![vec![]; 60];
    for i in 0..n * 6 {
        sky.step(0.3 + i as f64 * 1e-5, &mut v);
        columns.iter_mut().zip(&v).for_each(|(c, v)| c.push(*v));
    }
    println!(
        "\n| column, 300 values a piece | runs B/value | pco on steps | pco on doubles | store (shorter of first two) |\n| --- | --- | --- | --- | --- |"
    );
    let mut all = [measure::Packed::default(); 4];
    for (class, resolution, _) in CLASSES {
        let mut sums = [measure::Packed::default(); 4];
        for (c, values) in sky.courses.iter().zip(&columns).filter(|(c, _)| c.class == class) {
            assert_eq!(c.def.resolution, resolution);
            for piece in values.chunks(n) {
                measure::pack(piece, resolution, &mut sums);
                measure::pack(piece, resolution, &mut all);
            }
        }
        let b: Vec<String> = sums.iter().map(|s| format!("{:.2}", s.bytes as f64 / s.values as f64)).collect();
        println!("| {class:?} | {} |", b.join(" | "));
    }
    let row = |what: &str, f: &dyn Fn(&measure::Packed) -> f64| {
        println!("| {what} | {} |", all.iter().map(|s| format!("{:.2}", f(s))).collect::<Vec<_>>().join(" | "));
    };
    let pieces = |s: &measure::Packed| s.values as f64 / n as f64;
    row("**all 60 signals**", &|s| s.bytes as f64 / s.values as f64);
    row("pack, us a piece", &|s| s.pack.as_secs_f64() * 1e6 / pieces(s));
    row("unpack, us a piece", &|s| s.unpack.as_secs_f64() * 1e6 / pieces(s));
}

/// Own bytes written per hour of a night at 1 s, FULL, committed every 10 s, with a transition every ten minutes.
fn per_hour(dir: &Path) {
    println!("\n| own bytes written per hour, 60 signals, FULL, committed every 10 s | MB |\n| --- | --- |");
    for (every, name) in [(1000, "1 s"), (2000, "2 s")] {
        let path = dir.join(format!("hour-{every}.db"));
        let mut sky = Sky::new(3);
        let f = begin(&path, &sky, Span::secs(10));
        let (hours, mut v) = (3, vec![]);
        let start = written();
        let thing = Name::new("program.mount").expect("a name");
        for i in 0..hours * 3_600_000 / every {
            sky.step(i as f64 * 1e-4, &mut v);
            f.write(&v, i);
            if i % (600_000 / every) == 300 {
                let e = Event::new(f.clock.now(), thing.clone(), EventKind::ProgramEnded, "ended");
                f.w.write(Write {
                    batch: Batch { at: f.clock.now(), readings: vec![], events: vec![e] },
                    ..Write::default()
                });
            }
            // Every commit on its own, as in a real night.
            if i % (10_000 / every) == 0 {
                f.wait();
            }
            f.clock.advance(every);
        }
        f.w.close(Span::secs(60)).expect("closes");
        let mb = (written() - start) as f64 / hours as f64 / 1e6;
        println!("| sampling every {name} | {mb:.1} |");
    }
    println!("| peak resident memory so far, MB | {:.1} |", memory_kb("VmHWM") as f64 / 1e3);
}

fn fill(ours: &Path, rows: &Path, nights: i64) {
    let mut sky = Sky::new(1);
    let f = begin(ours, &sky, Span::mins(5));
    let mut r = Connection::open(rows).expect("opens");
    r.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = OFF; CREATE TABLE rows (sig INTEGER, t INTEGER, v REAL, PRIMARY KEY (sig, t)) WITHOUT ROWID;")
        .expect("creates");
    let (mut v, t) = (vec![], Instant::now());
    for night in 0..nights {
        let start = FIRST + night * DAY;
        let gap = start - f.clock.now().wall.0;
        f.clock.advance(gap);
        let tx = r.transaction().expect("begins");
        {
            let mut put = tx.prepare("INSERT INTO rows VALUES (?, ?, ?)").expect("prepares");
            for i in 0..NIGHT / 2000 {
                sky.step(i as f64 * 2000.0 / NIGHT as f64, &mut v);
                f.write(&v, i);
                for (k, v) in v.iter().take(ROWS_OF).enumerate() {
                    put.execute(params![k as i64 + 1, f.clock.now().wall.0, v]).expect("inserts");
                }
                f.clock.advance(2000);
            }
        }
        tx.commit().expect("commits");
    }
    f.settle(ours);
    f.w.close(Span::secs(60)).expect("closes");
    let values = (nights * NIGHT / 2000 * 60) as f64;
    let c = Connection::open(ours).expect("opens");
    let size = |table: &str| -> f64 {
        c.query_row("SELECT sum(pgsize) FROM dbstat WHERE name = ?", [table], |r| r.get::<_, i64>(0)).expect("dbstat")
            as f64
    };
    let (pieces, times, hours) = (size("pieces"), size("times"), size("hours"));
    let row_bytes = std::fs::metadata(rows).expect("exists").len() as f64;
    let file = std::fs::metadata(ours).expect("exists").len() as f64;
    let row_values = values / 60.0 * ROWS_OF as f64;
    println!(
        "\n| {nights} nights of 10 h at 2 s, 60 signals ({:.1} M values; filled in {:.0} s) | MB | B per value |\n| --- | --- | --- |",
        values / 1e6,
        t.elapsed().as_secs_f64()
    );
    let line = |what: &str, b: f64, n: f64| println!("| {what} | {:.1} | {:.3} |", b / 1e6, b / n);
    line("fine readings: pieces", pieces, values);
    line("fine readings: shared instants (eight uneven lists a window)", times, values);
    line("**fine readings, settled**", pieces + times, values);
    line("**minutes on top**", hours, values);
    line("whole file", file, values);
    line(
        &format!("row per value, WITHOUT ROWID (sig, t), for all 60 (measured on {ROWS_OF})"),
        row_bytes * 60.0 / ROWS_OF as f64,
        row_values * 60.0 / ROWS_OF as f64,
    );
    println!("| peak resident memory while filling, MB | {:.1} | |", memory_kb("VmHWM") as f64 / 1e3);
}

fn questions(ours: &Path, rows: &Path, nights: i64) {
    let r = Reader::open(ours).expect("opens");
    let row = Connection::open(rows).expect("opens");
    let ids: Vec<SignalId> = r.signals().expect("reads").into_iter().map(|s| s.0).collect();
    let signal = ids[0];
    let night = FIRST + (nights / 2) * DAY;
    let (from, to) = (UnixMs(night), UnixMs(night + NIGHT));
    let (first, last) = (UnixMs(FIRST), UnixMs(FIRST + nights * DAY));
    println!("\n| question, warm, median | this, ms | row per value, ms | times faster |\n| --- | --- | --- | --- |");
    let line = |what: &str, a: f64, b: f64| println!("| {what} | {a:.2} | {b:.2} | **{:.1}** |", b / a);
    // The peer's fastest way: rows in order of time, joined to buckets as they come (grouping in SQL takes five times as long).
    let buckets = |from: UnixMs, to: UnixMs, n: i64| -> (i64, f64) {
        let mut all = vec![(f64::INFINITY, 0.0f64, f64::NEG_INFINITY, 0i64); n as usize];
        let mut q = row.prepare_cached("SELECT t, v FROM rows WHERE sig = 1 AND t >= ?1 AND t < ?2").expect("prepares");
        let mut rows = q.query(params![from.0, to.0]).expect("asks");
        while let Some(r) = rows.next().expect("reads") {
            let (t, v): (i64, f64) = (r.get_unwrap(0), r.get_unwrap(1));
            let b = &mut all[((t - from.0) * n / (to.0 - from.0)) as usize];
            *b = (b.0.min(v), b.1 + v, b.2.max(v), b.3 + 1);
        }
        all.iter().fold((0, 0.0), |a, b| (a.0 + b.3, a.1 + b.0 + b.2))
    };
    let mine = r.buckets(signal, from, to, 1000).expect("reads");
    let theirs = buckets(from, to, 1000);
    assert_eq!(mine.iter().map(|b| i64::from(b.count)).sum::<i64>(), theirs.0, "both count the same readings");
    let a = median(31, || drop(r.buckets(signal, from, to, 1000)));
    let b = median(31, || assert!(buckets(from, to, 1000).0 > 0));
    line("a: one night of one signal to 1,000 buckets", a, b);
    let hourly = || -> Vec<(i64, f64)> {
        let mut all: Vec<(i64, f64)> = vec![];
        let mut q = row.prepare_cached("SELECT t, v FROM rows WHERE sig = 1").expect("prepares");
        let mut rows = q.query([]).expect("asks");
        while let Some(r) = rows.next().expect("reads") {
            let (t, v): (i64, f64) = (r.get_unwrap(0), r.get_unwrap(1));
            match all.last_mut() {
                Some((h, min)) if *h == t / 3_600_000 => *min = min.min(v),
                _ => all.push((t / 3_600_000, v)),
            }
        }
        all
    };
    let mine: Vec<(i64, f64)> =
        r.hours(signal, first, last).expect("reads").iter().map(|b| (b.from.0 / 3_600_000, b.min)).collect();
    assert_eq!(mine, hourly(), "both give the same minima");
    let a = median(31, || drop(r.hours(signal, first, last)));
    let b = median(7, || drop(hourly()));
    line(&format!("b: hourly minimum of one signal over {nights} nights"), a, b);
    let a = median(7, || drop(r.buckets(signal, first, last, 1000)));
    let b = median(7, || assert!(buckets(first, last, 1000).0 > 0));
    line(&format!("c: {nights} nights of one signal, to 1,000 buckets"), a, b);
    println!("\n| more | ms |\n| --- | --- |");
    let all = median(5, || {
        let mut n = 0;
        r.series_minutes(&ids, first, last, Span::mins(10), |_, b| n += b.len()).expect("reads");
        assert_eq!(n as i64, nights * 60 * 60);
    });
    println!("| figures of {nights} nights x 60 signals: all minutes, joined to ten-minute stretches | {all:.0} |");
    let fine = median(15, || drop(r.fine(signal, from, to)));
    println!("| one night of one signal, every reading ({}) | {fine:.2} |", NIGHT / 2000);
}

/// Start with a store of 200 MB: opened for writing, the first page's data read.
fn opening(ours: &Path, dir: &Path) {
    let big: PathBuf = dir.join("big.db");
    std::fs::copy(ours, &big).expect("copies");
    {
        let c = Connection::open(&big).expect("opens");
        let mut k = 1;
        while std::fs::metadata(&big).expect("exists").len() < 200_000_000 {
            c.execute("INSERT INTO pieces SELECT id + ((1000 * ?) << 40), min, mean, max, count, unavailable, crc, body FROM pieces WHERE id < 200 << 40", [k]).expect("inserts");
            c.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").expect("checkpoints");
            k += 1;
        }
    }
    let mb = std::fs::metadata(&big).expect("exists").len() as f64 / 1e6;
    let go = || {
        let t = Instant::now();
        let clock = ManualClock::at(Stamp::new(UnixMs(FIRST + 400 * DAY), BootMs(60_000)));
        let (w, opened) =
            store::open(&big, Options { check_after: None, ..Options::new(clock, "bench") }).expect("opens");
        let r = Reader::open(&big).expect("opens");
        let _one = r.snapshot().expect("holds");
        let now = UnixMs(FIRST + NIGHT);
        let mut n = r.alarms(UnixMs(FIRST), now).expect("reads").len()
            + r.events(UnixMs(FIRST), now, &[]).expect("reads").len();
        for (id, _) in opened.signals.all().iter().take(6) {
            n += r.buckets(*id, UnixMs(FIRST), now, 300).expect("reads").len();
        }
        let took = t.elapsed().as_secs_f64() * 1e3;
        assert!(n >= 1800);
        drop(w);
        took
    };
    let med = |v: &mut Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    let warm = med(&mut (0..7).map(|_| go()).collect());
    println!("| open a store of {mb:.0} MB and read the first page's data, warm | {warm:.1} |");
    if std::fs::metadata("/proc/sys/vm/drop_caches").is_ok() {
        let cold = med(&mut (0..5)
            .map(|_| {
                let _ = std::process::Command::new("sync").status();
                let _ = std::fs::write("/proc/sys/vm/drop_caches", "3");
                go()
            })
            .collect());
        println!("| the same after dropping the system's caches | {cold:.1} |");
    }
}
