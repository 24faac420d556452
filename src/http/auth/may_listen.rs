//! Whether the agent may listen where it is told to: never where anybody could walk in, or read along, unasked.

use super::keys::{KeyError, KeyFile};
use crate::config::model::HttpSettings;
use crate::model::UnixMs;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;

/// Why the agent must not listen at an address.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// Plain HTTP beyond this machine, which was not asked for in so many words.
    #[error(
        "`{0}` can be reached from other machines, and plain HTTP would let the network read along: set `tls = true` under \
         `[http]` (the certificate is made by itself), or, on a home network that you trust, `plain_on_home_network = true`"
    )]
    Plain(SocketAddr),
    /// Neither a token nor a browser nor a code.
    #[error(
        "`{0}` can be reached from other machines, but nobody is let in from there yet: run `tilldawn pair` for a phone, or \
         `tilldawn token add NAME` for a program, then start the agent again (within five minutes after `pair`)"
    )]
    Nobody(SocketAddr),
    /// The key file is unusable.
    #[error("`{address}` can be reached from other machines, and who may come in cannot be read: {why}")]
    Keys {
        /// Where it was to listen.
        address: SocketAddr,
        /// What is wrong with the file.
        why: KeyError,
    },
}

/// Checks an address to listen on, before it is taken. Loopback is always fine.
///
/// # Errors
/// When listening there would be unsafe; the error says what to do.
pub fn may_listen(settings: &HttpSettings, state_dir: &Path, now: UnixMs) -> Result<(), Refusal> {
    let address = settings.listen;
    if address.ip().to_canonical().is_loopback() {
        return Ok(());
    }
    if !settings.tls && !settings.plain_on_home_network {
        return Err(Refusal::Plain(address));
    }
    match KeyFile::in_dir(state_dir).read() {
        Ok(keys) if keys.somebody(now) => Ok(()),
        Ok(_) => Err(Refusal::Nobody(address)),
        Err(why) => Err(Refusal::Keys { address, why }),
    }
}

/// Whether an address belongs to a home network: private (RFC 1918, RFC 4193), link-local (RFC 3927, RFC 4291) or loopback.
/// Plain HTTP is spoken with no other.
pub fn of_home_network(ip: IpAddr) -> bool {
    match ip.to_canonical() {
        IpAddr::V4(v4) => v4.is_private() || v4.is_link_local() || v4.is_loopback(),
        IpAddr::V6(v6) => v6.is_unique_local() || v6.is_unicast_link_local() || v6.is_loopback(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::http::auth::Scope;

    #[test]
    fn beyond_loopback_needs_a_key_and_a_choice() {
        let d = tempfile::tempdir().unwrap();
        let now = UnixMs(1_768_263_200_000);
        let check = |listen: &str, tls, plain| {
            let s = HttpSettings {
                listen: listen.parse().unwrap(),
                tls,
                plain_on_home_network: plain,
                ..HttpSettings::default()
            };
            may_listen(&s, d.path(), now)
        };
        for here in ["127.0.0.1:7417", "[::1]:7417", "[::ffff:127.0.0.1]:7417", "127.9.9.9:1"] {
            assert!(check(here, false, false).is_ok(), "{here}");
        }
        assert!(matches!(check("0.0.0.0:7417", false, false), Err(Refusal::Plain(_))));
        assert!(matches!(check("0.0.0.0:7417", true, false), Err(Refusal::Nobody(_))));
        assert!(matches!(check("[::]:7417", false, true), Err(Refusal::Nobody(_))));
        KeyFile::in_dir(d.path()).add_token("house", Scope::Read, now).unwrap();
        assert!(check("0.0.0.0:7417", true, false).is_ok());
        assert!(check("192.168.1.7:7417", false, true).is_ok());
        assert!(matches!(check("192.168.1.7:7417", false, false), Err(Refusal::Plain(_))));
        std::fs::write(d.path().join("http-keys.json"), "rubbish").unwrap();
        assert!(matches!(check("0.0.0.0:7417", true, false), Err(Refusal::Keys { .. })));
    }

    #[test]
    fn home_networks_are_known() {
        for (ip, home) in [
            ("192.168.4.9", true),
            ("10.1.2.3", true),
            ("172.31.0.1", true),
            ("172.32.0.1", false),
            ("169.254.3.4", true),
            ("203.0.113.9", false),
            ("fe80::1", true),
            ("fd12::1", true),
            ("2001:db8::1", false),
            ("::ffff:10.0.0.1", true),
        ] {
            assert_eq!(of_home_network(ip.parse().unwrap()), home, "{ip}");
        }
    }
}
