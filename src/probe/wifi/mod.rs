//! Wi-Fi: level, bit rates, retries, lost beacons, access point and channel, why a connection ended, power saving. By nl80211, the
//! kernel's interface for radio; where that is missing, by the older table `/proc/net/wireless`.
//!
//! Readings every few seconds; what the kernel tells of its own accord (disconnected, roamed, beacon lost) comes at once, as a
//! *changed* event of the interface. That the interface itself went down is told by [`super::interfaces`].

pub mod ask;
pub mod decode;
pub mod look;
pub mod wireless;

use super::take::Rate;
use super::{All, Gauge, Outlet, Roots, Running, Setup, Source, literal, parse};
use crate::clock::SharedClock;
use crate::config::model::Interface;
use crate::model::{
    Event, EventKind, Name, Reading, SignalDef, SignalId, Signals, Span, Stamp, Unit, Value, Why, WhyCode,
};
use decode::{Address, Air, Happened, Station};
use futures_util::StreamExt;
use std::time::Duration;

/// Readings are taken this often.
const EVERY: Duration = Duration::from_secs(5);
/// An interface that is not there, or a kernel without nl80211, is asked again this often.
const SELDOM: Duration = Duration::from_secs(30);

/// What is known of an interface at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// The interface.
    pub air: Air,
    /// The other end; none: not associated.
    pub station: Option<Station>,
    /// Power saving, or why it is not known.
    pub power_saving: Result<bool, Why>,
}

struct Gauges {
    signal: Gauge,
    rate_sent: Gauge,
    rate_received: Gauge,
    retries: Gauge,
    failed: Gauge,
    beacon_losses: Gauge,
    power_saving: Gauge,
}

impl Gauges {
    fn new(s: &Signals, i: &Interface) -> Gauges {
        let g = |q: &str, unit, res, low, high, what: &str| {
            let def = SignalDef::new(i.name.quantity(q), unit, res, format!("{}: {what}", i.title));
            Gauge::new(s, def.within(low, high))
        };
        Gauges {
            signal: g("signal", Unit::Dbm, 1.0, -120.0, 20.0, "level of the received radio signal"),
            rate_sent: g("rate-sent", Unit::MegabitsPerSecond, 0.1, 0.0, 1e6, "bit rate of sending"),
            rate_received: g("rate-received", Unit::MegabitsPerSecond, 0.1, 0.0, 1e6, "bit rate of receiving"),
            retries: g("retries", Unit::PerSecond, 0.1, 0.0, 1e9, "frames sent again"),
            failed: g("failed", Unit::PerSecond, 0.1, 0.0, 1e9, "frames that were not taken"),
            beacon_losses: g(
                "beacon-losses",
                Unit::Count,
                1.0,
                0.0,
                1e9,
                "times the beacon was lost, since the agent started",
            ),
            power_saving: Gauge::truth(s, i.name.quantity("power-saving"), format!("{}: power saving is on", i.title)),
        }
    }
    fn all(&self) -> [&Gauge; 7] {
        [
            &self.signal,
            &self.rate_sent,
            &self.rate_received,
            &self.retries,
            &self.failed,
            &self.beacon_losses,
            &self.power_saving,
        ]
    }
}

/// Readings and events to be sent.
#[derive(Debug, Default)]
pub struct News {
    /// Readings.
    pub readings: Vec<Reading>,
    /// Events.
    pub events: Vec<Event>,
}

/// One wireless interface, and what must be remembered of it.
pub struct One {
    interface: Interface,
    gauges: Gauges,
    retries: Rate,
    failed: Rate,
    lost: u64,
    lost_before: Option<u64>,
    access_point: Option<Address>,
    frequency: Option<u32>,
    saving: Option<bool>,
}

impl One {
    /// An interface of which nothing is known yet.
    pub fn new(s: &Signals, i: &Interface) -> One {
        let (retries, failed, lost, lost_before, access_point, frequency, saving) = Default::default();
        One {
            gauges: Gauges::new(s, i),
            interface: i.clone(),
            retries,
            failed,
            lost,
            lost_before,
            access_point,
            frequency,
            saving,
        }
    }

    fn changed(&self, at: Stamp, what: &str, text: String) -> Event {
        Event::new(at, self.interface.name.clone(), EventKind::LinkChanged, format!("{}: {text}", self.interface.title))
            .with("what", what)
            .with("interface", self.interface.device.as_str())
    }

    fn losses(&mut self, count: u64) {
        // The driver counts from the association on, so a smaller figure is a new count.
        let before = self.lost_before.replace(count);
        self.lost += before.map_or(0, |b| if count >= b { count - b } else { count });
    }

    /// Judges what was seen, or why nothing was.
    pub fn take(&mut self, at: Stamp, within: Span, seen: Result<Seen, Why>) -> News {
        let mut news = News::default();
        let mut put = |g: &Gauge, v: Result<f64, Why>| {
            let value = v.map_or_else(Value::Unavailable, |v| g.value(v));
            news.readings.push(Reading { signal: g.id(), at, value });
        };
        let seen = match seen {
            Ok(s) => s,
            Err(why) => {
                self.gauges.all().into_iter().for_each(|g| put(g, Err(why.clone())));
                (self.retries, self.failed) = Default::default();
                return news;
            }
        };
        let off = || Why::new(WhyCode::Absent, "not connected to an access point");
        let silent = |what: &str| Why::new(WhyCode::Unsupported, format!("the driver does not tell {what}"));
        let s = seen.station.clone();
        if let Some(n) = s.as_ref().and_then(|s| s.beacon_losses) {
            self.losses(n);
        }
        let of = |v: fn(&Station) -> Option<f64>, what: &str| match &s {
            None => Err(off()),
            Some(s) => v(s).ok_or_else(|| silent(what)),
        };
        put(&self.gauges.signal, of(|s| s.signal, "the level"));
        put(&self.gauges.rate_sent, of(|s| s.rate_sent, "its rate"));
        put(&self.gauges.rate_received, of(|s| s.rate_received, "its rate"));
        for (g, rate, count) in [
            (&self.gauges.retries, &mut self.retries, s.as_ref().map(|s| s.retries)),
            (&self.gauges.failed, &mut self.failed, s.as_ref().map(|s| s.failed)),
        ] {
            let v = match count {
                None => {
                    rate.reset();
                    Err(off())
                }
                Some(None) => Err(silent("this count")),
                Some(Some(n)) => rate.step(at, n),
            };
            put(g, v);
        }
        let told = self.lost_before.is_some() || self.lost > 0;
        let losses = if told { Ok(self.lost as f64) } else { of(|_| None, "lost beacons").map(|_: f64| 0.0) };
        put(&self.gauges.beacon_losses, losses);
        put(&self.gauges.power_saving, seen.power_saving.clone().map(|on| if on { 1.0 } else { 0.0 }));
        news.events.extend(self.told_by(at, within, &seen));
        news
    }

    /// What differs from before.
    fn told_by(&mut self, at: Stamp, within: Span, seen: &Seen) -> Vec<Event> {
        let mut all = vec![];
        let point = seen.station.as_ref().and_then(|s| s.address).filter(|_| !seen.air.is_access_point);
        if let Some(now) = point {
            all.extend(self.access_point_is(at, within, now));
        }
        if let Some(now) = seen.air.frequency
            && let Some(was) = self.frequency.replace(now)
            && was != now
        {
            let text = format!("channel changed from {was} to {now} MHz");
            all.push(self.changed(at, "channel", text).within(within).with("old", was).with("new", now));
        }
        if let Ok(now) = seen.power_saving
            && let Some(was) = self.saving.replace(now)
            && was != now
        {
            let word = |on| if on { "on" } else { "off" };
            let text = format!("power saving was switched {}", word(now));
            let e = self.changed(at, "power saving", text).within(within);
            all.push(e.with("old", word(was)).with("new", word(now)));
        }
        all
    }

    fn access_point_is(&mut self, at: Stamp, within: Span, now: Address) -> Option<Event> {
        let was = self.access_point.replace(now).filter(|w| *w != now)?;
        let (was, now) = (decode::written(was), decode::written(now));
        let text = format!("now through the access point {now}, before through {was}");
        Some(self.changed(at, "access point", text).within(within).with("old", was).with("new", now))
    }

    /// What the kernel told of its own accord.
    pub fn heard(&mut self, at: Stamp, h: &Happened) -> Option<Event> {
        match h {
            Happened::Disconnected { reason, by_access_point } => {
                let by = if *by_access_point { "by the access point" } else { "by this side" };
                let words = reason.map_or("no reason given", decode::reason_words);
                let code = reason.map_or(String::new(), |r| format!(" (reason {r})"));
                let e = self.changed(at, "disconnected", format!("disconnected {by}: {words}{code}"));
                Some(
                    match reason {
                        Some(r) => e.with("reason", *r),
                        None => e,
                    }
                    .with("by_access_point", *by_access_point),
                )
            }
            Happened::Roamed(Some(a)) | Happened::Connected(Some(a), true) => self.access_point_is(at, Span::ZERO, *a),
            Happened::Connected(a, false) => {
                let whom = a.map_or("the access point".into(), decode::written);
                Some(self.changed(at, "refused", format!("{whom} did not take the connection")))
            }
            Happened::Roamed(None) | Happened::Connected(None, true) => None,
            Happened::BeaconLost => {
                self.lost += 1;
                // The driver's own count, if it has one, will hold this one too.
                self.lost_before = self.lost_before.map(|b| b + 1);
                Some(self.changed(at, "beacon", "the access point's beacon was lost".into()))
            }
        }
    }
}

/// The source.
struct Wifi {
    name: Name,
    roots: Roots,
    clock: SharedClock,
    signals: Signals,
    /// Configured interfaces; those that are, or are called like, wireless ones are watched.
    interfaces: Vec<Interface>,
    all: Vec<One>,
}

/// Whether an interface is wireless: the kernel says so, or, while it is not there, its name does.
pub fn is_wireless(roots: &Roots, device: &str) -> bool {
    let base = format!("sys/class/net/{device}");
    match roots.path(&base).exists() {
        true => roots.path(format!("{base}/phy80211")).exists() || roots.path(format!("{base}/wireless")).exists(),
        false => device.starts_with("wl"),
    }
}

/// The source, if an interface is configured that may be wireless.
pub fn all(s: &Setup<'_>) -> All {
    let mut a = All::default();
    if s.config.interfaces.is_empty() || !s.roots.is_system() {
        return a;
    }
    let mut w = Wifi {
        name: literal("probe.wifi"),
        roots: s.roots.clone(),
        clock: s.clock.clone(),
        signals: s.signals.clone(),
        interfaces: s.config.interfaces.clone(),
        all: vec![],
    };
    w.enlist();
    a.sources.push(Box::new(w));
    a
}

impl Wifi {
    /// Adapters may be plugged in later.
    fn enlist(&mut self) {
        for i in &self.interfaces {
            let known = self.all.iter().any(|o| o.interface.name == i.name);
            if !known && is_wireless(&self.roots, &i.device) {
                self.all.push(One::new(&self.signals, i));
            }
        }
    }

    fn index(&self, device: &str) -> Result<u32, Why> {
        let file = format!("sys/class/net/{device}/ifindex");
        let text = self.roots.read(file).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => Why::new(WhyCode::Absent, format!("there is no interface `{device}`")),
            _ => Why::from_io(device, &e),
        })?;
        let number = parse::unsigned(&text).and_then(|n| u32::try_from(n).ok());
        number.ok_or_else(|| Why::new(WhyCode::Garbled, format!("`{device}`: its number is none")))
    }

    /// By the older table.
    fn by_table(&self, device: &str, why: Why) -> Result<Seen, Why> {
        let text = self.roots.read("proc/net/wireless").map_err(|_| why.clone())?;
        let row = wireless::row(&text, device).ok_or(why.clone())?;
        let station = Station {
            signal: row.signal,
            failed: Some(row.failed),
            beacon_losses: Some(row.missed_beacons),
            ..Station::default()
        };
        Ok(Seen { air: Air::default(), station: Some(station), power_saving: Err(why) })
    }

    fn send(out: &Outlet, news: News) {
        out.events(news.events);
        out.readings(news.readings);
    }

    async fn watch(&mut self, out: &Outlet) -> Why {
        let within = Span::from(EVERY);
        loop {
            self.enlist();
            if self.all.is_empty() {
                tokio::time::sleep(SELDOM).await;
                continue;
            }
            match ask::Kernel::open() {
                Ok(kernel) => {
                    let why = self.by_kernel(kernel, within, out).await;
                    tracing::debug!("asking the kernel about radio has ended: {}", why.text);
                }
                Err(why) => {
                    for i in 0..self.all.len() {
                        let device = self.all[i].interface.device.clone();
                        let seen = self.index(&device).and_then(|_| self.by_table(&device, why.clone()));
                        let news = self.all[i].take(self.clock.now(), within, seen);
                        Self::send(out, news);
                    }
                }
            }
            let table = self.roots.path("proc/net/wireless").exists();
            tokio::time::sleep(if table { EVERY } else { SELDOM }).await;
        }
    }

    /// Until the kernel's socket is closed.
    async fn by_kernel(&mut self, kernel: ask::Kernel, within: Span, out: &Outlet) -> Why {
        let ask::Kernel { handle, mut talk, mut events } = kernel;
        let mut tick = crate::probe::beat::Beat::new(EVERY);
        loop {
            let heard = tokio::select! {
                () = &mut talk => return ask::ended(),
                m = events.next() => match m {
                    Some(m) => Some(m),
                    None => return ask::ended(),
                },
                _ = tick.tick() => None,
            };
            if let Some(m) = heard {
                let Some((index, what)) = decode::happened(&m) else { continue };
                let at = self.clock.now();
                let mine = (0..self.all.len()).find(|i| self.index(&self.all[*i].interface.device) == Ok(index));
                if let Some(e) = mine.and_then(|i| self.all[i].heard(at, &what)) {
                    out.event(e);
                }
                continue;
            }
            self.enlist();
            for i in 0..self.all.len() {
                let device = self.all[i].interface.device.clone();
                let seen = match self.index(&device) {
                    Err(why) => Err(why),
                    Ok(index) => tokio::select! {
                        () = &mut talk => return ask::ended(),
                        seen = ask::seen(&handle, index) => seen.or_else(|why| self.by_table(&device, why)),
                    },
                };
                let news = self.all[i].take(self.clock.now(), within, seen);
                Self::send(out, news);
            }
        }
    }
}

impl Source for Wifi {
    fn name(&self) -> &Name {
        &self.name
    }
    fn signals(&self) -> Vec<SignalId> {
        self.all.iter().flat_map(|o| o.gauges.all().map(Gauge::id)).collect()
    }
    fn run(&mut self, out: Outlet) -> Running<'_> {
        Box::pin(async move { self.watch(&out).await })
    }
}

#[cfg(test)]
mod tests;
