use super::*;
use crate::config::model::{AliveKind, AliveSign, FindBy, Program};
use crate::model::{EventKind, Span, WhyCode};
use crate::probe::testing::Bench;

/// A `/proc/PID/stat` line.
fn stat(pid: u32, state: char, busy: u64, start: u64) -> String {
    let threads = if state == 'Z' { 1 } else { 3 };
    format!(
        "{pid} (mountd) {state} 1 1 1 0 -1 0 0 0 0 0 {busy} 0 0 0 20 0 {threads} 0 {start} 0 100 0 0 0 0 0 0 0 0 0 0 0 0 0 17 0 0 0 0 0 0 0 0 0 0 0 0 0 0\n"
    )
}

fn bench(alive: Vec<AliveSign>) -> Bench {
    let mut b = Bench::new(&[("proc/1/comm", "init\n")]);
    b.config.programs = vec![Program {
        name: crate::probe::literal("program.mount"),
        title: "mount program".into(),
        find: FindBy { executable: Some("mountd".into()), ..FindBy::default() },
        leans_on: vec![],
        alive,
        holds: vec![],
    }];
    b
}

fn process(b: &Bench, pid: u32, start: u64) {
    b.write(&format!("proc/{pid}/cmdline"), "/usr/bin/mountd\0--quiet\0");
    b.write(&format!("proc/{pid}/comm"), "mountd\n");
    b.write(&format!("proc/{pid}/fd/0"), "");
    b.write(&format!("proc/{pid}/stat"), &stat(pid, 'S', 100, start));
}

fn kill(b: &Bench, pid: u32, start: u64) {
    // The open descriptor of a plain file outlives it, so the dead process says so itself first.
    b.write(&format!("proc/{pid}/stat"), &stat(pid, 'Z', 100, start));
    std::fs::remove_dir_all(b.root().join(format!("proc/{pid}"))).unwrap();
}

fn kinds(b: &Bench) -> Vec<EventKind> {
    b.events().iter().map(|e| e.kind).collect()
}

#[test]
fn a_program_is_found_measured_lost_and_found_again() {
    let b = bench(vec![]);
    let (a, _roll, mut told) = b.probes(parts);
    let mut p = a.probes;
    let mut started =
        || std::iter::from_fn(|| told.try_recv().ok()).filter_map(|a| a.told).map(|t| t.0).collect::<Vec<_>>();
    // The figures before the first search: nothing is known, and nothing is claimed.
    b.run(&mut p[1..]);
    assert_eq!(b.why("program.mount"), Some(WhyCode::NotYet));
    process(&b, 500, 90_000);
    process(&b, 400, 95_000);
    b.run(&mut p);
    assert_eq!(b.value("program.mount"), Some(1.0));
    assert!(started().is_empty() && kinds(&b).is_empty(), "it ran before the agent");
    // The oldest is taken, not the one with the smallest number; 1002 s since boot less its start at 900 s.
    assert_eq!(b.value("program.mount.uptime"), Some(102.0));
    assert_eq!(b.value("program.mount.open-files"), Some(1.0));
    assert_eq!(b.value("program.mount.threads"), Some(3.0));
    b.write("proc/500/stat", &stat(500, 'D', 150, 90_000));
    b.run(&mut p);
    // 50 ticks of 10 ms in one second.
    assert_eq!(b.value("program.mount.cpu"), Some(50.0));
    assert_eq!(b.value("program.mount.waiting"), Some(1.0));

    kill(&b, 500, 90_000);
    kill(&b, 400, 95_000);
    b.run(&mut p);
    assert_eq!(b.value("program.mount"), Some(0.0));
    assert_eq!(b.why("program.mount.cpu"), Some(WhyCode::Absent));
    let e = b.events();
    assert_eq!((e.len(), e[0].kind, e[0].within), (1, EventKind::ProgramEnded, Span::secs(1)));
    assert_eq!((e[0].detail["how"].as_str(), e[0].detail["code"].as_i64()), (Some("closed"), Some(0)));

    process(&b, 600, 100_450);
    b.run(&mut p);
    let e = started();
    assert_eq!((e.len(), e[0].kind), (1, EventKind::ProgramStarted));
    assert_eq!((e[0].at.boot.0, e[0].detail["restart"].as_bool()), (1_004_500, Some(true)));
    assert_eq!(b.value("program.mount.restarts"), Some(1.0));
    // The number is used again by another process: not the same program, whatever its name.
    b.write("proc/600/stat", &stat(600, 'S', 0, 100_900));
    b.run(&mut p[1..]);
    assert_eq!(kinds(&b), [EventKind::ProgramEnded]);
}

#[test]
fn a_stopped_program_is_a_hang_at_once() {
    let b = bench(vec![]);
    process(&b, 500, 90_000);
    let mut p = b.probes(|s| all(s, Heard::default())).probes;
    b.run(&mut p);
    b.write("proc/500/stat", &stat(500, 'T', 100, 90_000));
    b.run(&mut p);
    assert_eq!(kinds(&b), [EventKind::ProgramStopped, EventKind::SignMissing]);
    b.run(&mut p);
    assert!(kinds(&b).is_empty(), "told once");
    b.write("proc/500/stat", &stat(500, 'S', 100, 90_000));
    b.run(&mut p);
    assert_eq!(kinds(&b), [EventKind::ProgramContinued, EventKind::SignBack]);
}

#[test]
fn hidden_processes_are_unknown_and_torn_lines_unreadable() {
    let b = bench(vec![]);
    b.remove("proc/1/comm");
    std::fs::remove_dir(b.root().join("proc/1")).unwrap();
    let mut p = b.probes(|s| all(s, Heard::default())).probes;
    b.run(&mut p);
    assert_eq!(b.why("program.mount"), Some(WhyCode::Refused));
    process(&b, 500, 90_000);
    b.run(&mut p);
    assert_eq!(b.value("program.mount"), Some(1.0));
    b.write("proc/500/stat", "500 (mou");
    b.run(&mut p);
    assert_eq!(b.why("program.mount"), Some(WhyCode::Garbled));
    assert!(kinds(&b).is_empty(), "a torn line is no end");
}

#[test]
fn a_file_that_stops_growing_is_a_missing_sign() {
    let kind = AliveKind::FileGrows { path: "/var/log/mount-*.log".into() };
    let b = bench(vec![AliveSign { kind, within: Span::secs(5), every: Span::secs(1) }]);
    process(&b, 500, 90_000);
    b.write("var/log/mount-1.log", "x");
    let mut p = b.probes(|s| all(s, Heard::default())).probes;
    for i in 0..4 {
        b.write("var/log/mount-1.log", &"x".repeat(i + 2));
        b.run(&mut p);
    }
    assert!(b.value("program.mount.alive-age").is_some_and(|a| a <= 1.0));
    let mut seen = vec![];
    for _ in 0..7 {
        b.run(&mut p);
        seen.extend(b.events());
    }
    assert_eq!(seen.iter().map(|e| e.kind).collect::<Vec<_>>(), [EventKind::SignMissing]);
    assert_eq!((seen[0].detail["sign"].as_str(), seen[0].detail["limit_s"].as_f64()), (Some("file"), Some(5.0)));
    // A new file of the pattern is growth too.
    b.write("var/log/mount-2.log", "x");
    b.run(&mut p);
    assert_eq!(kinds(&b), [EventKind::SignBack]);
}

#[test]
fn the_look_around_lists_programs_with_lines_to_paste() {
    let b = bench(vec![]);
    process(&b, 500, 1);
    process(&b, 501, 2);
    let f = found(&b.roots());
    assert_eq!((f.len(), f[0].title.as_str()), (1, "mountd"));
    assert!(f[0].note.starts_with("2 processes"));
    assert!(f[0].config_lines.contains(&"executable = \"mountd\"".to_string()));
}

#[test]
fn without_programs_only_drawing_is_looked_for() {
    let a = Bench::new(&[]).probes(|s| all(s, Heard::default()));
    let names: Vec<_> = a.probes.iter().map(|p| p.name().to_string()).collect();
    assert_eq!((names, a.sources.len()), (vec!["probe.graphics".to_string()], 0));
}

/// Search period and lanes are what the sampler relies on.
#[test]
fn the_search_may_block_and_the_figures_may_not() {
    let b = bench(vec![]);
    let p = b.probes(|s| all(s, Heard::default())).probes;
    let lanes: Vec<_> = p.iter().map(|p| p.lane()).collect();
    use crate::probe::Lane::{Own, Shared};
    assert_eq!(lanes, [Own, Shared, Own, Own], "search, figures, drawing, open devices");
}
