//! Speed and duplex of wired interfaces (kernel document "ABI testing sysfs-class-net"). On a thread of its own: the driver may
//! ask the hardware. A link that falls back to a slower speed or to half duplex has a bad plug or cable more often than not.

use crate::config::model::Interface;
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Span, Unit, Why, WhyCode};
use crate::probe::{Gauge, Lane, Probe, Roots, Setup, Take, literal, parse};

const EVERY: Span = Span::secs(10);

struct One {
    interface: Interface,
    speed: Option<Gauge>,
    last_speed: Option<f64>,
    last_duplex: Option<String>,
}

/// The probe.
pub struct Wired {
    name: Name,
    roots: Roots,
    all: Vec<One>,
}

impl Wired {
    /// Watches all interfaces that tell a speed; radio has its own probe.
    pub fn new(s: &Setup<'_>) -> Wired {
        let one = |i: &Interface| One { interface: i.clone(), speed: None, last_speed: None, last_duplex: None };
        let mut w = Wired {
            name: literal("probe.wired"),
            roots: s.roots.clone(),
            all: s.config.interfaces.iter().map(one).collect(),
        };
        for o in &mut w.all {
            // Interfaces without a speed (bridges, tunnels, loopback) have no such signal.
            if !crate::probe::wifi::is_wireless(&w.roots, &o.interface.device)
                && speed(&w.roots, &o.interface.device).is_ok()
            {
                o.speed = Some(gauge(s.signals.clone(), &o.interface));
            }
        }
        w
    }
}

fn gauge(signals: crate::model::Signals, i: &Interface) -> Gauge {
    let def = SignalDef::new(i.name.quantity("speed"), Unit::MegabitsPerSecond, 1.0, format!("{}: speed", i.title));
    Gauge::new(&signals, def.within(0.0, 1e7))
}

/// Mbit/s; the kernel says -1, or refuses with "invalid argument", while there is no link.
fn speed(roots: &Roots, device: &str) -> Result<f64, Why> {
    let none = || Why::new(WhyCode::Absent, "no speed now: the link is down, or this kind has none");
    let text = roots.read(format!("sys/class/net/{device}/speed")).map_err(|_| none())?;
    let n = parse::signed(&text).ok_or_else(|| Why::new(WhyCode::Garbled, "speed: not a whole number"))?;
    if n <= 0 { Err(none()) } else { Ok(n as f64) }
}

impl Probe for Wired {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        EVERY
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.all.iter().filter_map(|o| o.speed.as_ref()).map(Gauge::id).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        for o in &mut self.all {
            let device = &o.interface.device;
            let now = speed(&self.roots, device);
            if o.speed.is_none() && now.is_ok() && !crate::probe::wifi::is_wireless(&self.roots, device) {
                o.speed = Some(gauge(out.signals.clone(), &o.interface));
            }
            let Some(g) = &o.speed else { continue };
            let event = |what: &str, was: String, is: String| {
                let text = format!("{}: {what} changed from {was} to {is}", o.interface.title);
                Event::new(out.at(), o.interface.name.clone(), EventKind::LinkChanged, text)
                    .within(EVERY)
                    .with("what", what)
                    .with("old", was)
                    .with("new", is)
            };
            let mut told = vec![];
            // While the link is down nothing is forgotten: a slower speed after a dropout is what matters.
            if let Ok(v) = now
                && let Some(was) = o.last_speed.replace(v)
                && was != v
            {
                told.push(event("speed", format!("{was} Mbit/s"), format!("{v} Mbit/s")));
            }
            let duplex = self.roots.text(format!("sys/class/net/{device}/duplex"));
            if let Some(d) = duplex.filter(|d| d == "full" || d == "half")
                && let Some(was) = o.last_duplex.replace(d.clone())
                && was != d
            {
                told.push(event("duplex", was, d));
            }
            out.either(g, now);
            told.into_iter().for_each(|e| out.event(e));
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    fn bench(speed: &[u8]) -> (Bench, Vec<Box<dyn Probe>>) {
        let mut b = Bench::new(&[("sys/class/net/eth0/duplex", "full\n"), ("sys/class/net/wlan0/wireless/x", "")]);
        b.write_bytes("sys/class/net/eth0/speed", speed);
        b.write("sys/class/net/wlan0/speed", "300\n");
        let i = |n: &str| Interface { name: Name::from_parts("interface", n), title: n.into(), device: n.into() };
        b.config.interfaces = vec![i("eth0"), i("wlan0"), i("br0")];
        let p = b.probes(Wired::new);
        (b, vec![Box::new(p)])
    }

    #[test]
    fn a_slower_link_is_told() {
        let (b, mut p) = bench(b"1000\n");
        b.run(&mut p);
        assert_eq!(b.value("interface.eth0.speed"), Some(1000.0));
        assert!(b.events().is_empty());
        b.write("sys/class/net/eth0/speed", "-1\n");
        b.run(&mut p);
        assert_eq!(b.why("interface.eth0.speed"), Some(WhyCode::Absent));
        b.write("sys/class/net/eth0/speed", "100\n");
        b.write("sys/class/net/eth0/duplex", "half\n");
        b.run(&mut p);
        let told: Vec<_> = b.events().iter().map(|e| e.text.clone()).collect();
        assert_eq!(
            told,
            ["eth0: speed changed from 1000 Mbit/s to 100 Mbit/s", "eth0: duplex changed from full to half"]
        );
        assert_eq!(b.signals.len(), 1, "radio and bridges have no wired speed");
    }

    #[test]
    fn a_link_that_comes_later_is_watched_too() {
        let (b, mut p) = bench(b"");
        b.run(&mut p);
        assert_eq!(b.signals.len(), 0);
        b.write("sys/class/net/eth0/speed", "2500\n");
        b.run(&mut p);
        assert_eq!(b.value("interface.eth0.speed"), Some(2500.0));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(a in proptest::collection::vec(any::<u8>(), 0..40), n in any::<i64>()) {
            let (b, mut p) = bench(&a);
            b.run(&mut p);
            b.write("sys/class/net/eth0/speed", &n.to_string());
            b.write_bytes("sys/class/net/eth0/duplex", &a);
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
