//! The clock: wall time and time since boot behind one trait. The only place that reads a clock.

use crate::model::{BootMs, Stamp, UnixMs};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// Something that tells the time. The live agent uses [`SystemClock`]; tests and rehearsals use [`ManualClock`].
pub trait Clock: Send + Sync + 'static {
    /// Now, on both clocks.
    fn now(&self) -> Stamp;
}

/// A clock shared between rooms.
pub type SharedClock = Arc<dyn Clock>;

/// The machine's own clocks.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Stamp {
        // Wall time is read through the standard library, since that is what clock-stepping test tools can move; the time
        // since boot must count suspend, which the standard library's Instant on Linux does not.
        let wall = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or_else(|e| -(e.duration().as_millis() as i64), |d| d.as_millis() as i64);
        Stamp::new(UnixMs(wall), since_boot())
    }
}

/// Milliseconds since boot, suspend included.
#[cfg(target_os = "linux")]
pub fn since_boot() -> BootMs {
    let t = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    BootMs(t.tv_sec * 1000 + t.tv_nsec / 1_000_000)
}

/// Milliseconds since the first call: systems without a since-boot clock in reach measure from the agent's start.
#[cfg(not(target_os = "linux"))]
pub fn since_boot() -> BootMs {
    static START: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    BootMs(START.get_or_init(std::time::Instant::now).elapsed().as_millis() as i64)
}

/// A clock that moves only when told.
#[derive(Debug, Default)]
pub struct ManualClock {
    wall: AtomicI64,
    boot: AtomicI64,
}

impl ManualClock {
    /// A clock that stands at `at`.
    pub fn at(at: Stamp) -> Arc<ManualClock> {
        Arc::new(ManualClock { wall: AtomicI64::new(at.wall.0), boot: AtomicI64::new(at.boot.0) })
    }
    /// Moves both clocks on.
    pub fn advance(&self, ms: i64) {
        self.wall.fetch_add(ms, Ordering::SeqCst);
        self.boot.fetch_add(ms, Ordering::SeqCst);
    }
    /// Steps the wall clock alone, as a time server does.
    pub fn step_wall(&self, ms: i64) {
        self.wall.fetch_add(ms, Ordering::SeqCst);
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Stamp {
        Stamp::new(UnixMs(self.wall.load(Ordering::SeqCst)), BootMs(self.boot.load(Ordering::SeqCst)))
    }
}

/// Microseconds on the monotonic clock, as the service manager wants them; zero where there is none.
pub fn monotonic_us() -> u64 {
    #[cfg(target_os = "linux")]
    {
        let t = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
        t.tv_sec as u64 * 1_000_000 + t.tv_nsec as u64 / 1000
    }
    #[cfg(not(target_os = "linux"))]
    {
        0
    }
}
