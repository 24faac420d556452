//! Slows down failed tries, per address. Pure: time is given.

use crate::model::{BootMs, Span};
use std::collections::HashMap;
use std::net::IpAddr;

/// At most so many addresses are remembered; the one that failed longest ago is forgotten first.
const ADDRESSES: usize = 1024;
/// So many failures cost nothing: fingers slip, and a browser may hold an old cookie.
const FREE: u32 = 3;
/// The longest wait.
const LONGEST: Span = Span::mins(5);
/// An address that has not failed for this long starts afresh.
const FORGOTTEN: Span = Span::mins(30);

/// What is remembered of failed tries.
#[derive(Debug, Default)]
pub struct Slow(HashMap<IpAddr, Tries>);

#[derive(Debug)]
struct Tries {
    failed: u32,
    last: BootMs,
    until: BootMs,
}

/// One household of IPv6 addresses counts as one address.
fn key(ip: IpAddr) -> IpAddr {
    match ip.to_canonical() {
        IpAddr::V6(v6) => {
            let s = v6.segments();
            IpAddr::from([s[0], s[1], s[2], s[3], 0, 0, 0, 0])
        }
        v4 => v4,
    }
}

impl Slow {
    /// How long this address has to wait before its next try is looked at; none: not at all.
    pub fn wait(&self, ip: IpAddr, now: BootMs) -> Option<Span> {
        let t = self.0.get(&key(ip))?;
        (t.until > now).then(|| t.until - now)
    }

    /// A try failed.
    pub fn failed(&mut self, ip: IpAddr, now: BootMs) {
        let k = key(ip);
        if self.0.len() >= ADDRESSES && !self.0.contains_key(&k) {
            let oldest = self.0.iter().min_by_key(|(_, t)| t.last).map(|(k, _)| *k);
            if let Some(o) = oldest {
                self.0.remove(&o);
            }
        }
        let t = self.0.entry(k).or_insert(Tries { failed: 0, last: now, until: now });
        if now - t.last > FORGOTTEN {
            t.failed = 0;
        }
        t.failed = t.failed.saturating_add(1);
        t.last = now;
        if t.failed > FREE {
            let wait = Span::secs(1 << (t.failed - FREE).min(9));
            t.until = now + wait.min(LONGEST);
        }
    }

    /// A try succeeded: the address starts afresh.
    pub fn succeeded(&mut self, ip: IpAddr) {
        self.0.remove(&key(ip));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_end() {
        let mut s = Slow::default();
        let ip: IpAddr = "192.0.2.7".parse().unwrap();
        let mut now = BootMs(0);
        for _ in 0..3 {
            s.failed(ip, now);
            assert_eq!(s.wait(ip, now), None);
        }
        let mut waits = Vec::new();
        for _ in 0..10 {
            s.failed(ip, now);
            let w = s.wait(ip, now).unwrap();
            waits.push(w.0 / 1000);
            now = now + w;
            assert_eq!(s.wait(ip, now), None);
        }
        assert_eq!(waits, [2, 4, 8, 16, 32, 64, 128, 256, 300, 300]);
        assert_eq!(s.wait("192.0.2.8".parse().unwrap(), now), None, "others are not slowed");
        s.succeeded(ip);
        s.failed(ip, now);
        assert_eq!(s.wait(ip, now), None);
    }

    #[test]
    fn the_table_is_bounded_and_a_household_counts_as_one() {
        let mut s = Slow::default();
        for i in 0..5000u32 {
            s.failed(IpAddr::from(i.to_be_bytes()), BootMs(i64::from(i)));
        }
        assert_eq!(s.0.len(), ADDRESSES);
        for i in 0..5u16 {
            s.failed(IpAddr::from([0x2001, 0xdb8, 0, 1, 0, 0, 0, i]), BootMs(9000));
        }
        assert!(s.wait("2001:db8:0:1::ffff".parse().unwrap(), BootMs(9000)).is_some());
        let mapped: IpAddr = "::ffff:192.0.2.1".parse().unwrap();
        assert_eq!(key(mapped), "192.0.2.1".parse::<IpAddr>().unwrap());
    }
}
