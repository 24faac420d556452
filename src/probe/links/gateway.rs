//! The default gateway, from the kernel's route tables (`/proc/net/route`, `/proc/net/ipv6_route`).

use crate::model::{Why, WhyCode};
use crate::probe::kept::Kept;
use crate::probe::{Roots, parse};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// A gateway and the interface behind which it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gateway {
    /// Its address.
    pub address: IpAddr,
    /// The interface.
    pub interface: String,
}

/// The route is usable, and leads over a gateway (`linux/route.h`).
const UP_AND_GATEWAY: u32 = 0x3;

fn hex(b: &[u8]) -> Option<u32> {
    u32::from_str_radix(std::str::from_utf8(b).ok()?, 16).ok()
}

/// The default route of version 4 with the smallest metric.
pub fn of_v4(text: &[u8]) -> Option<Gateway> {
    let mut best: Option<(u64, Gateway)> = None;
    for l in parse::lines(text).skip(1) {
        let f: Vec<&[u8]> = parse::fields(l).collect();
        let [interface, to, via, flags, _, _, metric, mask, ..] = f[..] else { continue };
        let (Some(0), Some(0), Some(via), Some(flags)) = (hex(to), hex(mask), hex(via), hex(flags)) else { continue };
        let Some(metric) = parse::unsigned(metric) else { continue };
        if flags & UP_AND_GATEWAY == UP_AND_GATEWAY && via != 0 && best.as_ref().is_none_or(|(m, _)| metric < *m) {
            // The table shows the bytes of the address as one number of this machine.
            let address = IpAddr::V4(Ipv4Addr::from(via.to_ne_bytes()));
            best = Some((metric, Gateway { address, interface: parse::text(interface) }));
        }
    }
    best.map(|(_, g)| g)
}

/// The same for version 6.
pub fn of_v6(text: &[u8]) -> Option<Gateway> {
    let mut best: Option<(u32, Gateway)> = None;
    for l in parse::lines(text) {
        let f: Vec<&[u8]> = parse::fields(l).collect();
        let [to, bits, _, _, via, metric, _, _, flags, interface, ..] = f[..] else { continue };
        let number = |b: &[u8]| u128::from_str_radix(std::str::from_utf8(b).ok()?, 16).ok();
        let (Some(0), Some(0), Some(via), Some(metric), Some(flags)) =
            (number(to), hex(bits), number(via), hex(metric), hex(flags))
        else {
            continue;
        };
        if flags & UP_AND_GATEWAY == UP_AND_GATEWAY && via != 0 && best.as_ref().is_none_or(|(m, _)| metric < *m) {
            let address = IpAddr::V6(Ipv6Addr::from(via));
            best = Some((metric, Gateway { address, interface: parse::text(interface) }));
        }
    }
    best.map(|(_, g)| g)
}

/// The route tables, kept open.
pub struct Routes {
    v4: Kept,
    v6: Kept,
}

impl Routes {
    /// Of this machine or tree.
    pub fn new(roots: &Roots) -> Routes {
        Routes { v4: Kept::new(roots.path("proc/net/route")), v6: Kept::new(roots.path("proc/net/ipv6_route")) }
    }

    /// The gateway now; version 4 first.
    ///
    /// # Errors
    /// No default route, or no table.
    pub fn gateway(&mut self) -> Result<Gateway, Why> {
        if !cfg!(target_os = "linux") {
            return Err(Why::new(
                WhyCode::Unsupported,
                "the gateway is not offered on this system: name its address instead",
            ));
        }
        let v4 = self.v4.read().map(of_v4);
        if let Ok(Some(g)) = v4 {
            return Ok(g);
        }
        // A machine without version 6 has no such table.
        if let Ok(Some(g)) = self.v6.read().map(of_v6) {
            return Ok(g);
        }
        match v4 {
            Err(e) => Err(Why::from_io("/proc/net/route", &e)),
            Ok(_) => Err(Why::new(WhyCode::Absent, "no default gateway in the route table: is the network up?")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const V4: &str = "Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT\n\
        wlan0\t00000000\t0101A8C0\t0003\t0\t0\t600\t00000000\t0\t0\t0\n\
        eth0\t00000000\tFE01A8C0\t0003\t0\t0\t100\t00000000\t0\t0\t0\n\
        eth0\t0001A8C0\t00000000\t0001\t0\t0\t100\t00FFFFFF\t0\t0\t0\n\
        down0\t00000000\t0201A8C0\t0002\t0\t0\t1\t00000000\t0\t0\t0\n";
    const V6: &str = "00000000000000000000000000000000 00 00000000000000000000000000000000 00 fe800000000000000000000000000001 00000400 00000003 00000000 00000003     eth0\n\
        fe800000000000000000000000000000 40 00000000000000000000000000000000 00 00000000000000000000000000000000 00000100 00000002 00000000 00000001     eth0\n";

    #[test]
    #[cfg(target_endian = "little")]
    fn the_best_default_route_is_taken() {
        let g = of_v4(V4.as_bytes()).unwrap();
        assert_eq!((g.address.to_string().as_str(), g.interface.as_str()), ("192.168.1.254", "eth0"));
        let g = of_v6(V6.as_bytes()).unwrap();
        assert_eq!((g.address.to_string().as_str(), g.interface.as_str()), ("fe80::1", "eth0"));
        assert_eq!(of_v4(&V4.as_bytes()[..80]), None);
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..300), cut in 0..400_usize) {
            let _ = (of_v4(&b), of_v6(&b));
            let _ = (of_v4(&V4.as_bytes()[..cut.min(V4.len())]), of_v6(&V6.as_bytes()[..cut.min(V6.len())]));
        }
    }
}
