//! The kernel's tables of TCP sockets (`proc_pid_net(5)`, `/proc/net/tcp` and `/proc/net/tcp6`). Pure.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// One socket.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Socket {
    /// This end.
    pub local: (IpAddr, u16),
    /// The other end.
    pub remote: (IpAddr, u16),
    /// What it does.
    pub state: State,
    /// The number under which programs hold it.
    pub inode: u64,
}

/// What a socket does, as far as it matters here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Connected.
    Established,
    /// Waits for connections.
    Listening,
    /// Anything else.
    Other,
}

/// Every socket of a table; lines that are none are left out.
pub fn parse(table: &str) -> Vec<Socket> {
    table.lines().skip(1).filter_map(line).collect()
}

fn line(l: &str) -> Option<Socket> {
    let mut parts = l.split_ascii_whitespace();
    let local = end(parts.nth(1)?)?;
    let remote = end(parts.next()?)?;
    let state = match parts.next()? {
        "01" => State::Established,
        "0A" => State::Listening,
        _ => State::Other,
    };
    // tx_queue:rx_queue, tr:tm->when, retrnsmt, uid, timeout, inode
    let inode = parts.nth(5)?.parse().ok()?;
    Some(Socket { local, remote, state, inode })
}

/// `0100007F:1BBD`: the address in host byte order by words, the port in hexadecimal.
fn end(t: &str) -> Option<(IpAddr, u16)> {
    let (address, port) = t.split_once(':')?;
    let port = u16::from_str_radix(port, 16).ok()?;
    let word = |i: usize| address.get(i * 8..i * 8 + 8).and_then(|w| u32::from_str_radix(w, 16).ok());
    let address = match address.len() {
        8 => IpAddr::V4(Ipv4Addr::from(word(0)?.to_ne_bytes())),
        32 => {
            let mut bytes = [0; 16];
            for i in 0..4 {
                bytes[i * 4..i * 4 + 4].copy_from_slice(&word(i)?.to_ne_bytes());
            }
            let v6 = Ipv6Addr::from(bytes);
            // A server that listens on both families shows its IPv4 guests as mapped addresses.
            v6.to_ipv4_mapped().map_or(IpAddr::V6(v6), IpAddr::V4)
        }
        _ => return None,
    };
    Some((address, port))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_documented_form_is_read() {
        // Lines in the form of the kernel's Documentation/networking/proc_net_tcp.rst, on a little-endian machine.
        let table = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout inode\n\
            \x20  0: 0100007F:1BBD 00000000:0000 0A 00000000:00000000 00:00000000 00000000  1000        0 9001 1 0 100 0 0 10 0\n\
            \x20  1: 0100007F:1BBD 0100007F:C001 01 00000000:00000000 00:00000000 00000000  1000        0 9002 1 0 20 4 30 10 -1\n";
        let all = parse(table);
        if cfg!(target_endian = "little") {
            let home = IpAddr::V4(Ipv4Addr::LOCALHOST);
            assert_eq!(all[0].local, (home, 7101));
            assert_eq!((all[0].state, all[0].inode), (State::Listening, 9001));
            assert_eq!((all[1].state, all[1].remote, all[1].inode), (State::Established, (home, 0xC001), 9002));
            assert_eq!(end("0000000000000000FFFF00000100007F:0016"), Some((home, 22)));
        }
        assert_eq!(all.len(), 2);
    }

    proptest! {
        #[test]
        fn no_text_makes_it_panic(t in "(\\PC|\n){0,300}", hex in "[0-9A-F:]{0,40}") {
            parse(&t);
            parse(&format!("\n 0: {hex} {hex} 01 0:0 0:0 0 0 0 7"));
        }
    }
}
