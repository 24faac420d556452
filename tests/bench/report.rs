//! The morning report of a 12 h night with 60 signals at 2 s: must take under 1 s and under 100 MB.
//!
//!     cargo bench --bench report
//!
//! Prints the time to build the report in this process, and time and peak memory of the built binary that does the whole
//! command. Ends with an error when a bound is missed by the binary.

use criterion::Criterion;
use orchard::{DAY, EVENING, Shape, settings};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;
use tilldawn::model::UnixMs;
use tilldawn::night::night_of;
use tilldawn::report::morning;
use tilldawn::store::Reader;
use whole_command::{summary, whole_command};

#[allow(dead_code)]
#[path = "../e2e/orchard.rs"]
mod orchard;
mod whole_command;

/// The night, and the quiet ones before it that it is compared with: their minutes are what is read of them.
const SHAPE: Shape = Shape { signals: 60, step: 2_000, earlier: 30 };
const BOUND: Duration = Duration::from_secs(1);
const BOUND_MB: f64 = 100.0;

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

    let args = ["report", "--night", "2026-01-12", "--as", "html"];
    let runs: Vec<_> = (0..5).map(|_| whole_command(&args, &path, &dir.join("report.html"))).collect();
    let (median, peak) = summary(&runs);
    println!(
        "tilldawn report --as html: median {median:?} of {} runs (bound {BOUND:?}), peak {peak:.1} MB (bound {BOUND_MB} MB)",
        runs.len()
    );
    let _ = std::fs::remove_dir_all(&dir);
    if median < BOUND && peak < BOUND_MB { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
