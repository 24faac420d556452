//! The kernel's neighbour table, which anybody may read: who answered on the local network lately.

#[cfg(target_os = "linux")]
use futures_util::TryStreamExt;
#[cfg(target_os = "linux")]
use rtnetlink::packet_route::AddressFamily;
#[cfg(target_os = "linux")]
use rtnetlink::packet_route::neighbour::{NeighbourAddress, NeighbourAttribute, NeighbourState};
use std::net::IpAddr;
use std::time::Duration;

/// Whether the table holds this address as alive. Reachable, or asked for again after having been reachable: a failed one
/// has its own state. False if the table cannot be read.
pub async fn alive(address: IpAddr) -> bool {
    tokio::time::timeout(Duration::from_millis(500), look(address)).await.ok().flatten().unwrap_or(false)
}

/// Not in reach on this system.
#[cfg(not(target_os = "linux"))]
async fn look(_address: IpAddr) -> Option<bool> {
    None
}

#[cfg(target_os = "linux")]
async fn look(address: IpAddr) -> Option<bool> {
    let (connection, handle, _) = rtnetlink::new_connection().ok()?;
    let search = async {
        let family = if address.is_ipv6() { AddressFamily::Inet6 } else { AddressFamily::Inet };
        let mut all = std::pin::pin!(handle.neighbours().get().set_address_family(family).execute());
        let mut alive = false;
        while let Some(n) = all.try_next().await.ok()? {
            let same = n.attributes.iter().any(|a| match (a, address) {
                (NeighbourAttribute::Destination(NeighbourAddress::Inet(v4)), IpAddr::V4(want)) => *v4 == want,
                (NeighbourAttribute::Destination(NeighbourAddress::Inet6(v6)), IpAddr::V6(want)) => *v6 == want,
                _ => false,
            });
            alive |= same && counts(n.header.state);
        }
        Some(alive)
    };
    tokio::select! {
        found = search => found,
        () = connection => None,
    }
}

#[cfg(target_os = "linux")]
fn counts(s: NeighbourState) -> bool {
    use NeighbourState::{Delay, Noarp, Permanent, Probe, Reachable};
    matches!(s, Reachable | Delay | Probe | Permanent | Noarp)
}
