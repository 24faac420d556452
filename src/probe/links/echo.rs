//! ICMP echo, with an unprivileged socket where the kernel allows it.

use crate::model::{Why, WhyCode};
use std::io;
use std::net::IpAddr;
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use surge_ping::{Client, Config, ICMP, IcmpPacket, PingIdentifier, PingSequence, SurgeError};

/// The sockets of both versions, opened when first needed and shared by all links.
#[derive(Clone, Default)]
pub struct Echo(Arc<[OnceLock<Result<Client, Why>>; 2]>);

/// What came of one echo.
#[derive(Debug)]
pub enum Answer {
    /// It came back after so many milliseconds.
    Back(f64),
    /// It did not, or somebody on the way said that it cannot.
    Lost(String),
    /// This process may not send any.
    NotAllowed(Why),
}

/// Said where echo requests are forbidden, with the way out.
const FORBIDDEN: &str = "echo requests are forbidden to the agent: allow them with the setting \
    `net.ipv4.ping_group_range = 0 2147483647`, or grant CAP_NET_RAW";

impl Echo {
    fn client(&self, v6: bool) -> Result<Client, Why> {
        let open = || {
            let kind = if v6 { ICMP::V6 } else { ICMP::V4 };
            Client::new(&Config::builder().kind(kind).build()).map_err(|e| match e.kind() {
                io::ErrorKind::PermissionDenied => Why::new(WhyCode::Refused, FORBIDDEN),
                _ => Why::new(WhyCode::Unsupported, format!("no echo socket: {e}")),
            })
        };
        self.0[usize::from(v6)].get_or_init(open).clone()
    }

    /// Sends one and waits for it. `scope` is the interface's number, needed for link-local addresses of version 6.
    pub async fn send(&self, to: IpAddr, scope: u32, number: (u16, u16), deadline: Duration) -> Answer {
        let client = match self.client(to.is_ipv6()) {
            Ok(c) => c,
            Err(why) => return Answer::NotAllowed(why),
        };
        let mut p = client.pinger(to, PingIdentifier(number.0)).await;
        p.timeout(deadline).scope_id(scope);
        match p.ping(PingSequence(number.1), &[0; 16]).await {
            Ok((packet, took)) if is_reply(&packet) => Answer::Back(took.as_secs_f64() * 1000.0),
            Ok(_) => Answer::Lost("a router says that it cannot be reached".into()),
            Err(SurgeError::Timeout { .. }) => Answer::Lost("no answer".into()),
            Err(SurgeError::IOError(e)) if e.kind() == io::ErrorKind::PermissionDenied => {
                Answer::NotAllowed(Why::new(WhyCode::Refused, FORBIDDEN))
            }
            Err(SurgeError::IOError(e)) => Answer::Lost(e.to_string()),
            Err(e) => Answer::Lost(e.to_string()),
        }
    }
}

/// Type numbers of an echo reply: 0 (RFC 792) and 129 (RFC 4443).
fn is_reply(p: &IcmpPacket) -> bool {
    match p {
        IcmpPacket::V4(p) => p.get_icmp_type().0 == 0,
        IcmpPacket::V6(p) => p.get_icmpv6_type().0 == 129,
    }
}
