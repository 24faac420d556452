//! The report on sixty nights of twelve hours with sixty signals at two seconds, rehearsed through the real engine and store: must take
//! under 5 s and under 300 MB, 2,000 permutations included.
//!
//!     cargo bench --bench season
//!
//! Prints how long the rehearsal took, and time and peak memory of the built binary that does the whole command, in each form. Ends with
//! an error when a bound is missed.

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};
use tilldawn::model::Span;
use tilldawn::rehearse::pier;
use tilldawn::rehearse::run::{Rehearsal, rehearse};
use tilldawn::rehearse::truth::Case;
use whole_command::{summary, whole_command};

mod whole_command;

const NIGHTS: usize = 60;
const SIGNALS: usize = 60;
const HOURS: f64 = 12.0;
const BOUND: Duration = Duration::from_secs(5);
const BOUND_MB: f64 = 300.0;

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
        let args = ["nights", "--as", form];
        let runs: Vec<_> = (0..3).map(|_| whole_command(&args, &path, &dir.join("nights"))).collect();
        let (median, peak) = summary(&runs);
        println!(
            "tilldawn nights --as {form}: median {median:.2?} of {} runs (bound {BOUND:?}), peak {peak:.0} MB (bound {BOUND_MB} MB)",
            runs.len()
        );
        well &= median < BOUND && peak < BOUND_MB;
    }
    let _ = std::fs::remove_dir_all(&dir);
    if well { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
