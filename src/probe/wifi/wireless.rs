//! The older table of the kernel, `/proc/net/wireless` (proc(5); layout by the kernel's `net/wireless/wext-proc.c`), read where nl80211 is
//! not to be had.

use crate::probe::parse;

/// What the table says of one interface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Level, dBm; none where the driver gives a share or nothing.
    pub signal: Option<f64>,
    /// Packets given up after too many tries.
    pub failed: u64,
    /// Beacons missed.
    pub missed_beacons: u64,
}

/// The row of an interface; none if it has none or the line is torn.
pub fn row(text: &[u8], device: &str) -> Option<Row> {
    let rest = parse::lines(text).find_map(|l| {
        let rest = parse::trim(l).strip_prefix(device.as_bytes())?;
        rest.strip_prefix(b":")
    })?;
    // status, link, level, noise, then discarded: network id, crypt, fragment, retry, misc; missed beacons. A dot behind a
    // figure says that it is fresh.
    let f: Vec<&[u8]> = parse::fields(rest).collect();
    let whole = |i: usize| parse::signed(f.get(i)?.strip_suffix(b".").unwrap_or(f[i]));
    let count = |i: usize| parse::unsigned(f.get(i)?);
    let level = whole(2)?;
    Some(Row {
        // A level in dBm is negative; drivers that give a share of something have a positive figure, and -256 means none.
        signal: (-120..0).contains(&level).then_some(level as f64),
        failed: count(7)?,
        missed_beacons: count(9)?,
    })
}
