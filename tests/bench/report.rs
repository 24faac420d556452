//! The morning report of a 12 h night with 60 signals at 2 s: must take under 1 s and under 100 MB.
//!
//!     cargo bench --bench report
//!
//! Prints the time to build the report in this process, and time and peak memory of the built binary that does the whole
//! command. Ends with an error when a bound is missed by the binary.

use criterion::Criterion;
use orchard::{DAY, EVENING, Shape, settings};
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};
use tilldawn::model::UnixMs;
use tilldawn::night::night_of;
use tilldawn::report::morning;
use tilldawn::store::Reader;

#[allow(dead_code)]
#[path = "../e2e/orchard.rs"]
mod orchard;

/// The night, and the quiet ones before it that it is compared with: their minutes are what is read of them.
const SHAPE: Shape = Shape { signals: 60, step: 2_000, earlier: 30 };
const BOUND: Duration = Duration::from_secs(1);
const BOUND_MB: f64 = 100.0;

/// The whole command in a process of its own: time, and peak memory from the kernel's account of it.
fn whole_command(store: &Path, out: &Path) -> (Duration, f64) {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tilldawn"))
        .args(["report", "--night", "2026-01-12", "--as", "html", "--store"])
        .arg(store)
        .arg("--out")
        .arg(out)
        .stdout(Stdio::null())
        .spawn()
        .expect("the built binary runs");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb: f64 = 0.0;
    loop {
        // The high-water mark only grows, so the last one seen is missing what came in the last millisecond at most.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|l| l.strip_prefix("VmHWM:")).and_then(|v| v.split_whitespace().next());
        peak_kb = peak_kb.max(mark.and_then(|v| v.parse().ok()).unwrap_or(0.0));
        match child.try_wait().expect("the child can be asked") {
            Some(s) => {
                assert!(s.success(), "the report failed");
                return (begun.elapsed(), peak_kb / 1024.0);
            }
            None => std::thread::sleep(Duration::from_millis(1)),
        }
    }
}

fn main() -> ExitCode {
    let dir: PathBuf = std::env::temp_dir().join(format!("tilldawn-bench-{}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a temporary folder");
    let path = dir.join("night.db");
    orchard::write(&path, &SHAPE);
    let size = std::fs::metadata(&path).map_or(0, |m| m.len()) as f64 / 1e6;
    println!(
        "store: {size:.1} MB, {} signals, one night at {} ms, {} nights before it",
        SHAPE.signals, SHAPE.step, SHAPE.earlier
    );

    let zone = settings().time_zone();
    let night = night_of(UnixMs(EVENING), &zone);
    let written = UnixMs(EVENING + DAY);
    let mut c = Criterion::default().sample_size(10).measurement_time(Duration::from_secs(8)).configure_from_args();
    c.bench_function("report of a night, gathered and composed", |b| {
        b.iter(|| {
            let reader = Reader::open(&path).expect("the store");
            morning::build(&reader, &night, settings(), written).expect("a report")
        });
    });
    let reader = Reader::open(&path).expect("the store");
    let report = morning::build(&reader, &night, settings(), written).expect("a report");
    c.bench_function("report as HTML", |b| b.iter(|| morning::to_html(&report)));
    c.bench_function("picture of the night for the page", |b| {
        b.iter(|| morning::picture(&reader, &night, settings(), written).expect("a picture"));
    });

    let runs: Vec<(Duration, f64)> = (0..5).map(|_| whole_command(&path, &dir.join("report.html"))).collect();
    let mut times: Vec<Duration> = runs.iter().map(|r| r.0).collect();
    times.sort();
    let peak = runs.iter().map(|r| r.1).fold(0.0, f64::max);
    println!(
        "tilldawn report --as html: median {:?} of {} runs (bound {BOUND:?}), peak {peak:.1} MB (bound {BOUND_MB} MB)",
        times[times.len() / 2],
        times.len()
    );
    let _ = std::fs::remove_dir_all(&dir);
    if times[times.len() / 2] < BOUND && peak < BOUND_MB { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
