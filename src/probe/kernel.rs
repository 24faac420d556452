//! The few calls to the kernel that need `unsafe`: waiting for a descriptor on the runtime, and asking how a process ended.
#![allow(unsafe_code)]

use rustix::ioctl;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// A descriptor that can be waited for on the runtime until it is readable.
pub type Awaited = AsyncFd<Arc<OwnedFd>>;

/// Registers a descriptor with the runtime. Must be called on one.
///
/// # Errors
/// When the kernel's event queue refuses it.
pub fn awaited(fd: Arc<OwnedFd>) -> io::Result<Awaited> {
    // SAFETY: the `Arc` that the registration owns keeps the `OwnedFd`, and with it the descriptor, open for as long as the
    // registration lives; `OwnedFd` never changes its number, so every `as_raw_fd` gives the same one.
    unsafe { AsyncFd::register_with_interest(fd, Interest::READABLE) }.map_err(io::Error::from)
}

/// `struct pidfd_info` of `linux/pidfd.h`, in its first published size of 64 bytes.
#[repr(C)]
#[derive(Clone, Copy, Default)]
struct PidfdInfo {
    mask: u64,
    cgroup: u64,
    pid: u32,
    tgid: u32,
    ppid: u32,
    ids: [u32; 8],
    exit_code: i32,
}

const _: () = assert!(size_of::<PidfdInfo>() == 64);

/// The exit code is filled in (kernel 6.15 and newer).
const PIDFD_INFO_EXIT: u64 = 1 << 3;
const PIDFD_GET_INFO: ioctl::Opcode = ioctl::opcode::read_write::<PidfdInfo>(0xFF, 11);

/// How the process behind a pidfd ended, as a wait status; none while the kernel does not know it yet (the process is not
/// reaped).
///
/// # Errors
/// Kernels before 6.15 cannot tell: unsupported.
pub fn exit_status(pidfd: impl AsFd) -> io::Result<Option<i32>> {
    let mut info = PidfdInfo { mask: PIDFD_INFO_EXIT, ..PidfdInfo::default() };
    // SAFETY: the opcode is the kernel's own for a pidfd and carries the size of the structure, which is laid out as the
    // kernel publishes it; the kernel writes no more than that size, and every bit pattern is a valid `PidfdInfo`.
    let done = unsafe { ioctl::ioctl(pidfd, ioctl::Updater::<PIDFD_GET_INFO, PidfdInfo>::new(&mut info)) };
    match done {
        Ok(()) if info.mask & PIDFD_INFO_EXIT != 0 => Ok(Some(info.exit_code)),
        // The process is gone or not yet reaped: the code may come in a moment.
        Ok(()) | Err(rustix::io::Errno::SRCH) => Ok(None),
        Err(e) => Err(io::Error::new(io::ErrorKind::Unsupported, e)),
    }
}

/// What the kernel holds of its wall clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WallClock {
    /// Somebody sets it by a source of time, and has done so lately.
    pub synchronised: bool,
    /// Correction that is still being worked in, s.
    pub offset: f64,
    /// The clock is right to within this, s, as far as the source says.
    pub error_bound: f64,
}

/// Asks the kernel for the state of the wall clock, without changing anything (adjtimex(2) with no mode).
///
/// # Errors
/// A filter of system calls is in force that leaves it out.
pub fn wall_clock() -> io::Result<WallClock> {
    // SAFETY: `timex` is plain numbers and a reserved array, for which all zeros is a valid value.
    let mut t: libc::timex = unsafe { std::mem::zeroed() };
    // SAFETY: the pointer is to a whole `timex` of our own; with `modes` zero the kernel only fills it in.
    let state = unsafe { libc::adjtimex(&raw mut t) };
    if state < 0 {
        return Err(io::Error::last_os_error());
    }
    let unit = if t.status & libc::STA_NANO != 0 { 1e-9 } else { 1e-6 };
    Ok(WallClock {
        synchronised: state != libc::TIME_ERROR && t.status & libc::STA_UNSYNC == 0,
        offset: t.offset as f64 * unit,
        error_bound: t.maxerror as f64 * 1e-6,
    })
}
