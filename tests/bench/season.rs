//! The report on sixty nights of twelve hours with sixty signals at two seconds, rehearsed through the real engine and store: must take
//! under 5 s and under 300 MB, 2,000 permutations included.
//!
//!     cargo bench --bench season
//!
//! Prints how long the rehearsal took, and time and peak memory of the built binary that does the whole command, in each form. Ends with
//! an error when a bound is missed.

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};
use tilldawn::model::Span;
use tilldawn::rehearse::pier;
use tilldawn::rehearse::run::{Rehearsal, rehearse};
use tilldawn::rehearse::truth::Case;

const NIGHTS: usize = 60;
const SIGNALS: usize = 60;
const HOURS: f64 = 12.0;
const BOUND: Duration = Duration::from_secs(5);
const BOUND_MB: f64 = 300.0;

/// The whole command in a process of its own: time, and peak memory from the kernel's account of it.
fn whole_command(store: &Path, form: &str, out: &Path) -> (Duration, f64) {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tilldawn"))
        .args(["nights", "--as", form, "--store"])
        .arg(store)
        .arg("--out")
        .arg(out)
        .stdout(Stdio::null())
        .spawn()
        .expect("the built binary runs");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kb: f64 = 0.0;
    loop {
        // The high-water mark only grows, so the last one seen is missing what came in the last milliseconds at most.
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let mark = text.lines().find_map(|l| l.strip_prefix("VmHWM:")).and_then(|v| v.split_whitespace().next());
        peak_kb = peak_kb.max(mark.and_then(|v| v.parse().ok()).unwrap_or(0.0));
        match child.try_wait().expect("the child can be asked") {
            Some(s) => {
                assert!(s.success(), "the report failed");
                return (begun.elapsed(), peak_kb / 1024.0);
            }
            None => std::thread::sleep(Duration::from_millis(2)),
        }
    }
}

fn main() -> ExitCode {
    let dir: PathBuf = std::env::temp_dir().join(format!("tilldawn-bench-{}", std::process::id()));
    std::fs::create_dir_all(&dir).expect("a temporary folder");
    let path = dir.join("season.db");
    let named = pier::signals(0).len();
    let r = Rehearsal {
        step: Span::secs(2),
        idle: SIGNALS.saturating_sub(named),
        hours: Some(HOURS),
        ..Rehearsal::of(Case::RemedyWorks, NIGHTS, 1)
    };
    let begun = Instant::now();
    let done = rehearse(&path, &r, &mut |_| ()).expect("a rehearsal");
    let size = std::fs::metadata(&path).map_or(0, |m| m.len()) as f64 / 1e6;
    println!(
        "rehearsed: {} nights, {} faults, {} million readings of {SIGNALS} signals in {:.1} s; {size:.0} MB",
        done.nights,
        done.faults,
        done.readings / 1_000_000,
        begun.elapsed().as_secs_f64()
    );
    let mut well = true;
    for form in ["text", "html", "json"] {
        let runs: Vec<(Duration, f64)> = (0..3).map(|_| whole_command(&path, form, &dir.join("nights"))).collect();
        let mut times: Vec<Duration> = runs.iter().map(|r| r.0).collect();
        times.sort();
        let (median, peak) = (times[times.len() / 2], runs.iter().map(|r| r.1).fold(0.0, f64::max));
        println!(
            "tilldawn nights --as {form}: median {median:.2?} of {} runs (bound {BOUND:?}), peak {peak:.0} MB (bound {BOUND_MB} MB)",
            times.len()
        );
        well &= median < BOUND && peak < BOUND_MB;
    }
    let _ = std::fs::remove_dir_all(&dir);
    if well { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
