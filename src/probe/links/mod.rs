//! Reachability of named places: a try each period, by ICMP echo or TCP connect, with round trip, loss over a window and
//! unevenness. One task each.
//!
//! Without rights for echo, a connect that is refused, or a living entry in the neighbour table, counts as reachable. Such
//! an entry outlives its neighbour by up to three quarters of a minute (30 s reachable, 5 s delay, 3 probes of 1 s are the
//! kernel's defaults, ip-sysctl), so an outage is then seen that much later.

mod connect;
pub mod echo;
pub mod gateway;
pub mod neighbours;
pub mod window;

use super::beat::Beat;
use super::reach::{self, Host};
use super::{Gauge, Group, Outlet, Roots, Running, Setup, Source};
use crate::clock::SharedClock;
use crate::config::model::{Link, ReachBy, Target};
use crate::model::{Event, EventKind, Name, Reading, SignalDef, SignalId, Span, Stamp, Unit, Why, WhyCode};
use echo::{Answer, Echo};
use gateway::Routes;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use window::Window;

/// So many tries in a row must be lost before the link is told to be down, unless the kernel says at once that there is no
/// way. The time told is that of the first one.
const LOST_IN_A_ROW: u32 = 3;
/// Port of the connect that stands in for an echo: discard (RFC 863). Refused is an answer too.
const STAND_IN: u16 = 9;

/// Counts changes of routes and addresses, so that those who keep something of them look again.
pub type Changes = Arc<AtomicU64>;

/// The sources, one for each link. `changes` is counted up by whoever hears of a new route.
pub fn sources(s: &Setup<'_>, changes: &Changes) -> Vec<Box<dyn Source>> {
    let echo = Echo::default();
    let make = |l: &Link| -> Box<dyn Source> { Box::new(Reach::new(s, l.clone(), echo.clone(), changes.clone())) };
    s.config.links.iter().map(make).collect()
}

struct Gauges {
    up: Gauge,
    round_trip: Gauge,
    loss: Gauge,
    unevenness: Gauge,
}

struct Reach {
    name: Name,
    link: Link,
    gauges: Gauges,
    clock: SharedClock,
    roots: Roots,
    echo: Echo,
    changes: Changes,
}

impl Reach {
    fn new(s: &Setup<'_>, link: Link, echo: Echo, changes: Changes) -> Reach {
        let g = |q: &str, unit, res, high, what: &str| {
            let def = SignalDef::new(link.name.quantity(q), unit, res, format!("{}: {what}", link.title));
            Gauge::new(&s.signals, def.within(0.0, high))
        };
        let gauges = Gauges {
            up: Gauge::truth(&s.signals, link.name.clone(), format!("{} reachable", link.title)),
            round_trip: g("round-trip", Unit::Milliseconds, 0.01, 60_000.0, "time for one round trip"),
            loss: g("loss", Unit::Percent, 0.1, 100.0, &format!("share of lost tries over {}", link.window)),
            unevenness: g(
                "unevenness",
                Unit::Milliseconds,
                0.01,
                60_000.0,
                "mean change from one round trip to the next",
            ),
        };
        Reach {
            name: Name::from_parts("probe", &format!("link-{}", link.name.own())),
            gauges,
            clock: s.clock.clone(),
            roots: s.roots.clone(),
            echo,
            changes,
            link,
        }
    }

    fn ids(&self) -> [SignalId; 4] {
        let g = &self.gauges;
        [&g.up, &g.round_trip, &g.loss, &g.unevenness].map(Gauge::id)
    }
}

impl Source for Reach {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        self.ids().to_vec()
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        let this = &*self;
        Box::pin(async move {
            let every = this.link.every.max(Span(100));
            let mut tick = Beat::new(every.to_std());
            let mut tries = Tries::new(this);
            loop {
                tick.tick().await;
                let at = this.clock.now();
                let found = tries.once(at.boot).await;
                let (readings, event) = tries.judge(at, found);
                out.events(event.into_iter().collect());
                out.readings(readings);
            }
        })
    }
}

/// What came of one try.
#[derive(Debug, PartialEq)]
enum Came {
    /// An answer after so many milliseconds; none if something else proves that the place is there.
    There(Option<f64>),
    /// No answer.
    Lost(String),
    /// The kernel knows no way, so no answer can come.
    NoWay(String),
    /// It cannot be told.
    Unknown(Why),
}

/// A place that is tried.
struct Place {
    address: IpAddr,
    /// Number of the interface, for link-local addresses of version 6.
    scope: u32,
    interface: Option<String>,
}

/// The state of one link's tries.
struct Tries<'a> {
    of: &'a Reach,
    window: Window,
    host: Option<Host>,
    routes: Routes,
    /// The gateway, and the count of changes when it was looked up.
    gateway: Option<(u64, Stamp, gateway::Gateway)>,
    /// The interface over which the place was last reached for.
    interface: Option<String>,
    number: (u16, u16),
    /// Without rights for echo something has stood in for it at least once: now its absence means something.
    stood_in: bool,
    /// Tries lost in a row, and the first of them.
    lost: (u32, Option<Stamp>),
    /// Told to be down since then.
    down: Option<Stamp>,
}

impl<'a> Tries<'a> {
    fn new(of: &'a Reach) -> Tries<'a> {
        let host = match &of.link.to {
            Target::Host(h) => Some(Host::new(h)),
            Target::Gateway => None,
        };
        Tries {
            of,
            window: Window::new(of.link.window),
            host,
            routes: Routes::new(&of.roots),
            gateway: None,
            interface: None,
            number: (rand::random(), rand::random()),
            stood_in: false,
            lost: (0, None),
            down: None,
        }
    }

    async fn once(&mut self, now: crate::model::BootMs) -> Came {
        let deadline = self.of.link.deadline.max(Span(10)).to_std();
        let place = match self.place(now, deadline).await {
            Ok(p) => p,
            Err(found) => return found,
        };
        self.interface = place.interface.clone().or(self.interface.take());
        match self.of.link.by {
            ReachBy::Tcp(port) => try_port(&place, port, deadline).await,
            ReachBy::Echo => {
                self.number.1 = self.number.1.wrapping_add(1);
                match self.of.echo.send(place.address, place.scope, self.number, deadline).await {
                    Answer::Back(ms) => Came::There(Some(ms)),
                    Answer::Lost(why) if is_no_way(&why) => Came::NoWay(why),
                    Answer::Lost(why) => Came::Lost(why),
                    Answer::NotAllowed(why) => self.stand_in(&place, deadline, why).await,
                }
            }
        }
    }

    /// Reachability without rights for echo.
    async fn stand_in(&mut self, place: &Place, deadline: Duration, forbidden: Why) -> Came {
        let found = try_port(place, STAND_IN, deadline).await;
        let found = match found {
            Came::Lost(_) if neighbours::alive(place.address).await => Came::There(None),
            other => other,
        };
        match found {
            Came::There(_) => {
                self.stood_in = true;
                found
            }
            Came::NoWay(_) => found,
            // It may just answer nobody.
            _ if !self.stood_in => Came::Unknown(forbidden),
            _ => found,
        }
    }

    async fn place(&mut self, now: crate::model::BootMs, deadline: Duration) -> Result<Place, Came> {
        if let Some(host) = &self.host {
            // Lost tries may mean that it has moved to another address.
            if self.lost.0 == LOST_IN_A_ROW {
                host.doubt();
            }
            return match reach::within(deadline, host.addresses(now)).await {
                Ok(all) if !all.is_empty() => Ok(Place { address: all[0], scope: 0, interface: None }),
                other => {
                    let why = other.err().map_or("it has no address".into(), |e| e.to_string());
                    let text = format!("the name of {} cannot be looked up: {why}", self.of.link.title);
                    Err(Came::Unknown(Why::new(WhyCode::Failed, text)))
                }
            };
        }
        // Heard changes are followed at once; unheard ones within ten seconds.
        let changes = self.of.changes.load(Ordering::Relaxed);
        let at = self.of.clock.now();
        let fresh = |g: &(u64, Stamp, _)| g.0 == changes && at.boot - g.1.boot < Span::secs(10) && self.down.is_none();
        if !self.gateway.as_ref().is_some_and(fresh) {
            match self.routes.gateway() {
                Ok(g) => self.gateway = Some((changes, at, g)),
                // There was one: the place is not unknown, it is out of reach.
                Err(why) if self.gateway.is_some() => return Err(Came::NoWay(why.text.to_string())),
                Err(why) => return Err(Came::Unknown(why)),
            }
        }
        let Some((_, _, g)) = &self.gateway else {
            return Err(Came::Unknown(Why::new(WhyCode::Absent, "no default gateway")));
        };
        let scope = if g.address.is_ipv6() { scope(&self.of.roots, &g.interface) } else { 0 };
        Ok(Place { address: g.address, scope, interface: Some(g.interface.clone()) })
    }

    /// What a try means: its readings, and an event when the link has gone down or come up.
    fn judge(&mut self, at: Stamp, found: Came) -> (Vec<Reading>, Option<Event>) {
        let g = &self.of.gauges;
        let mut readings = Vec::with_capacity(4);
        let mut put = |gauge: &Gauge, v: Result<f64, Why>| {
            let value = v.map_or_else(crate::model::Value::Unavailable, |v| gauge.value(v));
            readings.push(Reading { signal: gauge.id(), at, value });
        };
        let event = match found {
            Came::Unknown(why) => {
                for gauge in [&g.up, &g.round_trip, &g.loss, &g.unevenness] {
                    put(gauge, Err(why.clone()));
                }
                return (readings, None);
            }
            Came::There(ms) => {
                self.window.push(at.boot, true, ms);
                put(&g.up, Ok(1.0));
                let told = || Why::new(WhyCode::Refused, "reachable by the neighbour table, which tells no time");
                put(&g.round_trip, ms.ok_or_else(told));
                self.answered(at)
            }
            Came::Lost(ref why) | Came::NoWay(ref why) => {
                self.window.push(at.boot, false, None);
                put(&g.up, Ok(0.0));
                put(&g.round_trip, Err(Why::new(WhyCode::TimedOut, why.as_str())));
                self.unanswered(at, matches!(found, Came::NoWay(_)), why)
            }
        };
        put(&g.loss, self.window.loss().ok_or_else(super::take::not_yet));
        put(&g.unevenness, self.window.unevenness().ok_or_else(super::take::not_yet));
        (readings, event)
    }

    fn answered(&mut self, at: Stamp) -> Option<Event> {
        self.lost = (0, None);
        let since = self.down.take()?;
        let l = &self.of.link;
        let away = at.boot - since.boot;
        let e = Event::new(at, l.name.clone(), EventKind::LinkUp, format!("{} reachable again after {away}", l.title));
        Some(e.within(l.every).with("down_ms", away.0))
    }

    fn unanswered(&mut self, at: Stamp, no_way: bool, why: &str) -> Option<Event> {
        let first = *self.lost.1.get_or_insert(at);
        self.lost.0 += 1;
        if self.down.is_some() || (self.lost.0 < LOST_IN_A_ROW && !no_way) {
            return None;
        }
        self.down = Some(first);
        let l = &self.of.link;
        let e = Event::new(first, l.name.clone(), EventKind::LinkDown, format!("{} out of reach: {why}", l.title));
        let e = e.within(l.every);
        Some(match &self.interface {
            Some(i) => e.with("interface", i.as_str()),
            None => e,
        })
    }
}

/// A TCP connect; refused is an answer.
async fn try_port(place: &Place, port: u16, deadline: Duration) -> Came {
    let mut to = SocketAddr::new(place.address, port);
    if let SocketAddr::V6(v6) = &mut to {
        v6.set_scope_id(place.scope);
    }
    let began = Instant::now();
    let done = reach::within(deadline, connect::touch(to)).await;
    let ms = began.elapsed().as_secs_f64() * 1000.0;
    match done {
        Ok(_) => Came::There(Some(ms)),
        Err(e) => match e.kind() {
            io::ErrorKind::ConnectionRefused | io::ErrorKind::ConnectionReset => Came::There(Some(ms)),
            io::ErrorKind::TimedOut => Came::Lost("no answer".into()),
            io::ErrorKind::NetworkUnreachable | io::ErrorKind::NetworkDown => Came::NoWay(plain(&e)),
            _ => Came::Lost(plain(&e)),
        },
    }
}

/// An error without the number that the standard library adds.
fn plain(e: &io::Error) -> String {
    let t = e.to_string();
    t.split(" (os error").next().unwrap_or(&t).to_lowercase()
}

fn is_no_way(why: &str) -> bool {
    let w = why.to_ascii_lowercase();
    w.contains("network is unreachable") || w.contains("network is down")
}

/// Number of an interface.
fn scope(roots: &Roots, interface: &str) -> u32 {
    roots.text(format!("sys/class/net/{interface}/ifindex")).and_then(|t| t.parse().ok()).unwrap_or(0)
}

/// What the look around says: the gateway.
pub fn found(roots: &Roots) -> Vec<super::Found> {
    match Routes::new(roots).gateway() {
        Ok(g) => {
            let note = format!("{} over {}, watched without configuration", g.address, g.interface);
            let lines = vec!["[link.gateway]".into(), "to = \"gateway\"".into()];
            vec![super::Found::with_lines(Group::Links, "default gateway", lines, note)]
        }
        Err(why) => vec![super::Found::plain(Group::Links, "default gateway", why.text.to_string())],
    }
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests;
