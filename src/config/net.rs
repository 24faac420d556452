//! Addresses and web addresses as they stand in a configuration.

use super::field::Field;

/// `host:port`.
pub(super) fn address(f: &Field<'_>, example: &str) -> Option<String> {
    let t = f.text("a host and a port")?;
    let good = t.rsplit_once(':').is_some_and(|(host, port)| {
        let host = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(host);
        is_host(host) && port.parse::<u16>().is_ok_and(|p| p > 0)
    });
    if !good {
        f.wrong(
            format!("`{t}` is no host with a port"),
            "a host name or address, a colon and a port from 1 to 65535",
            format!("write {} = \"{example}\"", f.last()),
        );
    }
    good.then_some(t)
}

/// A host name (RFC 1123 letters, also with `_`) or an IP address.
pub(super) fn is_host(h: &str) -> bool {
    let label = |l: &str| {
        !l.is_empty() && l.len() <= 63 && l.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    h.parse::<std::net::IpAddr>().is_ok()
        // IPv6 with a zone (`fe80::1%wlan0`).
        || h.split_once('%').is_some_and(|(a, z)| a.parse::<std::net::Ipv6Addr>().is_ok() && label(z))
        || (h.len() <= 253 && h.trim_end_matches('.').split('.').all(label))
}

/// A web address with one of these beginnings.
pub(super) fn web(f: &Field<'_>, beginnings: &[&str]) -> Option<String> {
    let t = f.text("a web address in quotes")?;
    let rest = beginnings.iter().find_map(|b| t.strip_prefix(b));
    let host = rest.map(|r| r.split(['/', '?', '#']).next().unwrap_or_default());
    let good = host.is_some_and(|h| {
        let name = h.rsplit_once(':').filter(|(_, p)| p.parse::<u16>().is_ok()).map_or(h, |(n, _)| n);
        is_host(name.trim_start_matches('[').trim_end_matches(']'))
    }) && !t.contains(char::is_whitespace);
    if !good {
        f.wrong(
            format!("`{t}` is no web address that can be used here"),
            format!("an address that begins with {}", beginnings.join(" or ")),
            format!("write {} = \"{}127.0.0.1:8080/state\"", f.last(), beginnings[0]),
        );
    }
    good.then_some(t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hosts() {
        for good in ["house", "house.lan", "192.168.1.20", "::1", "fe80::1%wlan0", "my_pc", "a."] {
            assert!(is_host(good), "{good}");
        }
        for bad in ["", ".", "a..b", "house:22", "a b", "http://house", "-?"] {
            assert!(!is_host(bad), "{bad}");
        }
    }
}
