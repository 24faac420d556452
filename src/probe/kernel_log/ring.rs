//! The kernel's ring, `/dev/kmsg`: one record at each read; a buffer that is too small for a record is refused, and 8 KiB hold
//! any (kernel document "ABI testing dev-kmsg").

use super::record;
use super::{Judge, Outlet, Roots};
use crate::clock::SharedClock;
use crate::model::{Why, WhyCode};
use crate::probe::kernel;
use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::fs::OpenOptionsExt;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use tokio::io::Interest;

const LONGEST: usize = 8192;
/// So many records are read before others get their turn.
const AT_ONCE: u32 = 64;

/// The number of the first record that this process has not looked at yet: a configuration loaded anew makes a new source,
/// which must neither tell a line twice nor miss one.
static NEXT: AtomicU64 = AtomicU64::new(0);

pub fn open(roots: &Roots) -> io::Result<File> {
    let flags = rustix::fs::OFlags::NONBLOCK.bits() as i32;
    std::fs::OpenOptions::new().read(true).custom_flags(flags).open(roots.path("/dev/kmsg"))
}

/// The number of a record.
fn number(b: &[u8]) -> Option<u64> {
    crate::probe::parse::unsigned(b.split(|c| *c == b',').nth(1)?)
}

/// Reads until it can no more, and says why.
pub async fn follow(f: File, clock: &SharedClock, judge: &mut Judge, out: &Outlet) -> Why {
    let fd = Arc::new(OwnedFd::from(f));
    let mut buf = vec![0; LONGEST];
    let mut one = |b: &[u8], woken: bool| {
        if number(b).is_some_and(|n| n < NEXT.fetch_max(n + 1, Ordering::SeqCst)) {
            return;
        }
        let found = record::of_ring(b).and_then(|r| judge.record(r, clock.now(), woken));
        if let Some(e) = found {
            out.event(e);
        }
    };
    let mut in_row = 0;
    // What is there already.
    loop {
        match read(&fd, &mut buf) {
            Ok(n) if n > 0 => one(&buf[..n], false),
            Ok(_) => return Why::new(WhyCode::Failed, "the kernel's log came to an end"),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => break,
            Err(e) if overwritten(&e) => {}
            Err(e) => return Why::from_io("the kernel's log", &e),
        }
        in_row += 1;
        if in_row % AT_ONCE == 0 {
            tokio::task::yield_now().await;
        }
    }
    let awaited = match kernel::awaited(fd) {
        Ok(a) => a,
        Err(e) => return Why::from_io("the kernel's log", &e),
    };
    loop {
        if let Err(e) = awaited.readable().await.map(drop) {
            return Why::from_io("the kernel's log", &e);
        }
        let mut woken = true;
        for _ in 0..AT_ONCE {
            match awaited.try_io(Interest::READABLE, |fd| read(fd, &mut buf)) {
                Ok(n) if n > 0 => one(&buf[..n], std::mem::take(&mut woken)),
                Ok(_) => return Why::new(WhyCode::Failed, "the kernel's log came to an end"),
                Err(e) if e.kind() == io::ErrorKind::WouldBlock => break,
                Err(e) if overwritten(&e) => tracing::warn!("the kernel wrote its log faster than it could be read"),
                Err(e) => return Why::from_io("the kernel's log", &e),
            }
        }
        tokio::task::yield_now().await;
    }
}

fn read(fd: &OwnedFd, buf: &mut [u8]) -> io::Result<usize> {
    loop {
        match rustix::io::read(fd, &mut *buf) {
            Err(rustix::io::Errno::INTR) => {}
            other => return other.map_err(Into::into),
        }
    }
}

/// Records were lost, and the reader stands at the oldest one that is left.
fn overwritten(e: &io::Error) -> bool {
    e.kind() == io::ErrorKind::BrokenPipe
}
