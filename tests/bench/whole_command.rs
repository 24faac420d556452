//! A command of the built binary, measured from outside in a process of its own.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// How long the report took, and its peak memory in megabytes (MiB) from the kernel's account of it.
pub fn whole_command(args: &[&str], store: &Path, out: &Path) -> (Duration, f64) {
    let begun = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_tilldawn"))
        .args(args)
        .arg("--store")
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

/// The middle time of several runs, and the highest peak.
pub fn summary(runs: &[(Duration, f64)]) -> (Duration, f64) {
    let mut times: Vec<Duration> = runs.iter().map(|r| r.0).collect();
    times.sort();
    (times[times.len() / 2], runs.iter().map(|r| r.1).fold(0.0, f64::max))
}
