//! The service units: valid, and as closed as they claim, by systemd's own verifier.

use crate::harness::BINARY;
use std::path::{Path, PathBuf};
use std::process::Command;

fn unit(kind: &str, folder: &Path, drop_ins: &[&str]) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("systemd");
    let text = std::fs::read_to_string(root.join(kind).join("tilldawn.service")).unwrap();
    assert!(text.contains("Type=notify") && text.contains("WatchdogSec=") && text.contains("Restart=always"));
    // The verifier wants the program to be there: the built one stands in for the installed one.
    let mut out: String = text
        .lines()
        .map(|l| if l.starts_with("ExecStart=") { format!("ExecStart={BINARY} watch\n") } else { format!("{l}\n") })
        .collect();
    for d in drop_ins {
        let f = root.join("system/tilldawn.service.d").join(format!("{d}.conf.example"));
        out += &std::fs::read_to_string(f).unwrap();
    }
    let path = folder.join("tilldawn.service");
    std::fs::write(&path, out).unwrap();
    path
}

fn exposure(drop_ins: &[&str]) -> f64 {
    let folder = tempfile::tempdir().unwrap();
    let u = unit("system", folder.path(), drop_ins);
    let out = Command::new("systemd-analyze").args(["security", "--offline=yes"]).arg(u).output().unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let line = text.lines().find(|l| l.contains("Overall exposure level")).unwrap_or_else(|| panic!("{text}"));
    line.split(':').nth(1).unwrap().split_whitespace().next().unwrap().parse().unwrap()
}

#[test]
fn both_units_are_valid() {
    for kind in ["system", "user"] {
        let folder = tempfile::tempdir().unwrap();
        let out = Command::new("systemd-analyze").arg("verify").arg(unit(kind, folder.path(), &[])).output().unwrap();
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        // Keys that are newer than this systemd are ignored by it, as the unit's comment says; nothing else may be said.
        let rest: Vec<&str> = said
            .lines()
            .filter(|l| l.contains("tilldawn") && !l.contains("RestartSteps") && !l.contains("RestartMaxDelaySec"))
            .collect();
        assert!(out.status.success() && rest.is_empty(), "{kind}: {said}");
    }
}

#[test]
fn the_system_unit_and_each_drop_in_alone_stay_below_the_stated_exposure() {
    assert!(exposure(&[]) <= 2.5);
    for d in ["other-users-programs", "clock-state", "kernel-log", "frames-folder", "echo"] {
        let e = exposure(&[d]);
        assert!(e <= 2.5, "{d}: {e}");
    }
}
