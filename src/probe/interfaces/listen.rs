//! Listens to the kernel's route events: interfaces up and down, addresses, routes.

use super::Board;
use crate::clock::SharedClock;
use crate::model::{Name, SignalId, Span, Stamp, Why, WhyCode};
use crate::probe::{Outlet, Running, Source, literal};
use futures_util::{StreamExt, TryStreamExt};
use rtnetlink::packet_core::NetlinkPayload;
use rtnetlink::packet_route::RouteNetlinkMessage as Message;
use rtnetlink::packet_route::address::{AddressAttribute, AddressMessage};
use rtnetlink::packet_route::link::{LinkAttribute, LinkFlags, LinkMessage, State};
use rtnetlink::{Handle, MulticastGroup};
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;

const GROUPS: [MulticastGroup; 5] = [
    MulticastGroup::Link,
    MulticastGroup::Ipv4Ifaddr,
    MulticastGroup::Ipv6Ifaddr,
    MulticastGroup::Ipv4Route,
    MulticastGroup::Ipv6Route,
];

/// The source.
pub struct Listen {
    name: Name,
    board: Arc<Board>,
    clock: SharedClock,
}

impl Listen {
    /// Tells the board.
    pub fn new(board: Arc<Board>, clock: SharedClock) -> Listen {
        Listen { name: literal("probe.network-events"), board, clock }
    }
}

impl Source for Listen {
    fn name(&self) -> &Name {
        &self.name
    }
    /// None of its own: the state is also looked at every few seconds.
    fn signals(&self) -> Vec<SignalId> {
        vec![]
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        let hear = Hear { board: &self.board, clock: &self.clock, out, names: HashMap::new() };
        Box::pin(async move {
            let (connection, handle, messages) = match rtnetlink::new_multicast_connection(&GROUPS) {
                Ok(c) => c,
                Err(e) => return Why::from_io("network events of the kernel", &e),
            };
            tokio::select! {
                () = connection => Why::new(WhyCode::Failed, "the kernel closed the socket of network events"),
                why = hear.all(handle, messages) => why,
            }
        })
    }
}

struct Hear<'a> {
    board: &'a Board,
    clock: &'a SharedClock,
    out: Outlet,
    /// Names of interfaces by number: addresses come with the number only.
    names: HashMap<u32, String>,
}

impl Hear<'_> {
    async fn all<A>(
        mut self,
        handle: Handle,
        mut messages: impl StreamExt<Item = (rtnetlink::packet_core::NetlinkMessage<Message>, A)> + Unpin,
    ) -> Why {
        if let Err(why) = self.dump(&handle).await {
            return why;
        }
        while let Some((message, _)) = messages.next().await {
            let at = self.clock.now();
            match message.payload {
                NetlinkPayload::InnerMessage(m) => self.one(m, at),
                // Something was lost: the whole state is asked for anew.
                NetlinkPayload::Overrun(_) => {
                    if let Err(why) = self.dump(&handle).await {
                        return why;
                    }
                }
                _ => {}
            }
        }
        Why::new(WhyCode::Failed, "network events of the kernel came to an end")
    }

    fn one(&mut self, m: Message, at: Stamp) {
        match m {
            Message::NewLink(l) => self.link(&l, at),
            Message::DelLink(l) => {
                if let Some(name) = self.names.remove(&l.header.index) {
                    self.set(&name, false, at, "the interface is gone");
                }
                self.changed();
            }
            Message::NewAddress(a) => self.address(&a, at, true),
            Message::DelAddress(a) => self.address(&a, at, false),
            Message::NewRoute(_) | Message::DelRoute(_) => self.changed(),
            _ => {}
        }
    }

    fn changed(&self) {
        self.board.changes.fetch_add(1, Ordering::Relaxed);
    }

    fn set(&self, device: &str, up: bool, at: Stamp, why: &str) {
        if let Some((event, reading)) = self.board.set(device, up, at, Span::ZERO, why) {
            self.out.event(event);
            self.out.readings(vec![reading]);
        }
    }

    fn link(&mut self, l: &LinkMessage, at: Stamp) {
        let Some((name, up, why)) = state(l) else { return };
        self.set(&name, up, at, why);
        self.names.insert(l.header.index, name);
        self.changed();
    }

    fn address(&mut self, a: &AddressMessage, at: Stamp, there: bool) {
        self.changed();
        let (Some(device), Some(text)) = (self.names.get(&a.header.index), words(a)) else { return };
        let event = self.board.addresses(device, at, |all| {
            all.retain(|x| *x != text);
            if there {
                all.push(text);
                all.sort();
            }
        });
        if let Some(e) = event {
            self.out.event(e);
        }
    }

    async fn dump(&mut self, handle: &Handle) -> Result<(), Why> {
        let failed = |e: rtnetlink::Error| Why::new(WhyCode::Failed, format!("asking for the interfaces: {e}"));
        let mut links = std::pin::pin!(handle.link().get().execute());
        let mut seen = HashMap::new();
        while let Some(l) = links.try_next().await.map_err(failed)? {
            self.link(&l, self.clock.now());
            if let Some((name, ..)) = state(&l) {
                seen.insert(l.header.index, name);
            }
        }
        self.names = seen;
        let mut by_device: HashMap<String, Vec<String>> = HashMap::new();
        let mut addresses = std::pin::pin!(handle.address().get().execute());
        while let Some(a) = addresses.try_next().await.map_err(failed)? {
            if let (Some(device), Some(text)) = (self.names.get(&a.header.index), words(&a)) {
                by_device.entry(device.clone()).or_default().push(text);
            }
        }
        let at = self.clock.now();
        for device in self.names.values() {
            let mut now = by_device.remove(device).unwrap_or_default();
            now.sort();
            if let Some(e) = self.board.addresses(device, at, |all| *all = now) {
                self.out.event(e);
            }
        }
        self.changed();
        Ok(())
    }
}

/// Name of an interface, whether it is up (switched on, with a carrier, and no driver says otherwise), and if not, why.
fn state(l: &LinkMessage) -> Option<(String, bool, &'static str)> {
    let name = l.attributes.iter().find_map(|a| match a {
        LinkAttribute::IfName(n) => Some(n.clone()),
        _ => None,
    })?;
    let told = l.attributes.iter().find_map(|a| match a {
        LinkAttribute::OperState(s) => Some(*s),
        _ => None,
    });
    let on = l.header.flags.contains(LinkFlags::Up);
    let carrier = l.header.flags.contains(LinkFlags::LowerUp);
    let well = matches!(told, None | Some(State::Up | State::Unknown));
    let why = if !on {
        "switched off"
    } else if !carrier {
        "no carrier"
    } else {
        "not ready"
    };
    Some((name, on && carrier && well, why))
}

fn words(a: &AddressMessage) -> Option<String> {
    let bits = a.header.prefix_len;
    // Point-to-point links have the own address under another key.
    let local = a.attributes.iter().find_map(|x| match x {
        AddressAttribute::Local(ip) => Some(*ip),
        _ => None,
    });
    let any = a.attributes.iter().find_map(|x| match x {
        AddressAttribute::Address(ip) => Some(*ip),
        _ => None,
    });
    local.or(any).map(|ip| format!("{ip}/{bits}"))
}
