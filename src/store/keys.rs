//! How pieces, hours and shared instants are numbered.
//!
//! One integer key holds signal and start, so that a row of one signal's night is one stretch of the table, and no second
//! index is needed: `signal << 40 | start in seconds`.

use crate::model::{SignalId, UnixMs};

/// Length of a window of fine readings, in seconds.
pub const WINDOW_S: i64 = 600;
/// The same in milliseconds.
pub const WINDOW_MS: i64 = WINDOW_S * 1000;
/// Length of a row of minutes, in seconds.
pub const HOUR_S: i64 = 3600;
/// Bits that the start has in a key.
pub const START_BITS: u32 = 40;
/// Mask of the start in a key.
pub const START_MASK: i64 = (1 << START_BITS) - 1;
/// Latest start that a key can hold.
pub const LATEST_MS: i64 = START_MASK * 1000;
/// Bits that the number of a list of instants has in its key.
pub const TIMES_BITS: u32 = 10;

/// Start of the window in which an instant lies, in seconds. Instants that no key can hold go to the nearest one that it can.
pub fn window_of(at: UnixMs) -> i64 {
    at.0.clamp(0, LATEST_MS).div_euclid(WINDOW_MS) * WINDOW_S
}

/// Start of the hour in which an instant in seconds lies.
pub fn hour_of(at_s: i64) -> i64 {
    at_s.clamp(0, START_MASK).div_euclid(HOUR_S) * HOUR_S
}

/// The key of a signal at a start in seconds.
pub fn key(signal: SignalId, start_s: i64) -> i64 {
    (i64::from(signal.0) << START_BITS) | start_s.clamp(0, START_MASK)
}

/// The signal in a key.
#[cfg(test)]
pub fn signal_in(key: i64) -> SignalId {
    SignalId((key >> START_BITS) as u32)
}

/// The start in a key, in seconds.
pub fn start_in(key: i64) -> i64 {
    key & START_MASK
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_come_back_and_sort_by_signal_then_time() {
        let k = key(SignalId(7), 1_800_000_000);
        assert_eq!((signal_in(k), start_in(k)), (SignalId(7), 1_800_000_000));
        assert!(key(SignalId(7), START_MASK) < key(SignalId(8), 0));
        assert_eq!(window_of(UnixMs(1_800_000_123_456)), 1_800_000_000);
        assert_eq!(window_of(UnixMs(-5)), 0);
    }
}
