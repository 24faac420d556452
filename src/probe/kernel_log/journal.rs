//! The kernel's lines out of the journal, through its own tool, since the files' layout is the tool's business.

use super::{Judge, Outlet, Roots, record};
use crate::clock::SharedClock;
use crate::model::{Why, WhyCode};
use crate::probe::lines::{Splitter, Width};
use std::process::Stdio;
use tokio::io::AsyncReadExt;
use tokio::process::Command;

const TOOL: &str = "journalctl";
/// Longest line of JSON that is looked at.
const LONGEST: usize = 32 * 1024;

/// Whether the journal of the system is there and open to us.
pub fn readable(roots: &Roots) -> bool {
    ["/var/log/journal", "/run/log/journal"].iter().any(|folder| {
        std::fs::read_dir(roots.path(folder))
            .into_iter()
            .flatten()
            .flatten()
            .any(|machine| std::fs::File::open(machine.path().join("system.journal")).is_ok())
    })
}

/// Whether its tool is there.
pub fn tool_there() -> bool {
    std::env::var_os("PATH").is_some_and(|p| std::env::split_paths(&p).any(|d| d.join(TOOL).is_file()))
}

/// The tool, told to follow the kernel's lines from now on.
pub fn command() -> Command {
    let mut c = Command::new(TOOL);
    c.args(["--dmesg", "--follow", "--lines=0", "--output=json", "--quiet", "--no-pager"]);
    c.arg("--output-fields=MESSAGE,PRIORITY,SYSLOG_FACILITY,_TRANSPORT,_SOURCE_MONOTONIC_TIMESTAMP");
    c
}

/// Reads what `c` writes until it can no more, and says why.
pub async fn follow(mut c: Command, clock: &SharedClock, judge: &mut Judge, out: &Outlet) -> Why {
    let child = c.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).kill_on_drop(true).spawn();
    let mut child = match child {
        Ok(c) => c,
        Err(e) => return Why::from_io("the journal's tool", &e),
    };
    let Some(mut from) = child.stdout.take() else {
        return Why::new(WhyCode::Failed, "the journal's tool has no output");
    };
    let mut buf = vec![0; 8192];
    let mut lines = Splitter::new(Width::One, LONGEST);
    loop {
        match from.read(&mut buf).await {
            Ok(0) => return Why::new(WhyCode::Failed, "the journal's tool ended"),
            Ok(n) => {
                let mut woken = true;
                lines.push(&buf[..n], |l| {
                    let found =
                        record::of_journal(l).and_then(|r| judge.record(r, clock.now(), std::mem::take(&mut woken)));
                    if let Some(e) = found {
                        out.event(e);
                    }
                });
            }
            Err(e) => return Why::from_io("the journal's tool", &e),
        }
    }
}
