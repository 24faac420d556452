//! What the look around says of a wireless interface.

use super::{Seen, ask, wireless};
use crate::probe::{Roots, parse};
use std::time::Duration;

/// Said where power saving is on. Common practice, no source.
const SAVING: &str = "power saving is on, a known cause of dropouts: switch it off in the network settings, or with \
`iw dev DEVICE set power_save off` as root";

/// The level and what is worth knowing, as one phrase; empty where nothing is.
pub fn note(roots: &Roots, device: &str) -> String {
    let mut said = vec![];
    match now(roots, device) {
        Some(seen) => {
            if let Some(level) = seen.station.as_ref().and_then(|s| s.signal) {
                said.push(format!("level {level} dBm"));
            }
            if seen.power_saving == Ok(true) {
                said.push(SAVING.replace("DEVICE", device));
            }
        }
        None => {
            let row = roots.read("proc/net/wireless").ok().and_then(|t| wireless::row(&t, device));
            said.extend(row.and_then(|r| r.signal).map(|level| format!("level {level} dBm")));
        }
    }
    said.join("; ")
}

/// Asked of the kernel itself, which a made-up tree does not have.
fn now(roots: &Roots, device: &str) -> Option<Seen> {
    if !roots.is_system() {
        return None;
    }
    let index = parse::unsigned(&roots.read(format!("sys/class/net/{device}/ifindex")).ok()?)?;
    let index = u32::try_from(index).ok()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().ok()?;
    runtime.block_on(async {
        let mut k = ask::Kernel::open().ok()?;
        let seen = async {
            tokio::select! {
                () = &mut k.talk => None,
                s = ask::seen(&k.handle, index) => s.ok(),
            }
        };
        tokio::time::timeout(Duration::from_secs(1), seen).await.ok()?
    })
}
