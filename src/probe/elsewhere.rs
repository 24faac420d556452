//! Processor, memory, component temperatures and interfaces on systems other than Linux, through sysinfo. What sysinfo cannot
//! tell there is a reading *unavailable: not offered on this system*, so that no signal of the Linux side is silently absent.

use super::take::{Rate, not_offered};
use super::{Gauge, Lane, Probe, Roots, Setup, Take, literal};
use crate::config::model::Interface;
use crate::model::{Name, SignalDef, SignalId, Span, Unit, Why, WhyCode};
use std::collections::BTreeMap;
use sysinfo::{Components, CpuRefreshKind, MemoryRefreshKind, Networks, System};

/// The interfaces to watch without a configuration: none, since the library does not tell there which one leads out, and a
/// virtual one that goes down would be a false alarm. The gateway is watched all the same.
pub fn interfaces_in_use(_: &Roots) -> Vec<Interface> {
    vec![]
}

/// The probes.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let mut all: Vec<Box<dyn Probe>> = vec![Box::new(Host::new(s)), Box::new(Warm::new())];
    if !s.config.interfaces.is_empty() {
        all.push(Box::new(Traffic::new(s)));
    }
    all
}

struct Host {
    name: Name,
    period: Span,
    system: System,
    cpu: Gauge,
    cores: Vec<Gauge>,
    memory: [Gauge; 4],
    /// Only offered on Linux.
    missing: Vec<Gauge>,
    runs: u32,
}

impl Host {
    fn new(s: &Setup<'_>) -> Host {
        let g = |n: &str, unit, res, high: f64, what: &str| {
            Gauge::new(&s.signals, SignalDef::new(literal(n), unit, res, what).within(0.0, high))
        };
        let bytes = |n: &str, what: &str| g(n, Unit::Bytes, 1_048_576.0, 1e18, what);
        let share = |n: &str, what: &str| g(n, Unit::Percent, 0.1, 100.0, what);
        let missing = vec![
            g("load.one", Unit::None, 0.01, 1e6, "load average over one minute"),
            g("load.five", Unit::None, 0.01, 1e6, "load average over five minutes"),
            g("load.fifteen", Unit::None, 0.01, 1e6, "load average over fifteen minutes"),
            g("load.running", Unit::Count, 1.0, 1e6, "tasks running or ready to run"),
            share("pressure.cpu", "time in which some task waited for the processor"),
            share("pressure.memory", "time in which some task waited for memory"),
            share("pressure.io", "time in which some task waited for disks"),
            g("memory.kills", Unit::Count, 1.0, 1e12, "programs killed for memory since the machine started"),
        ];
        Host {
            name: literal("probe.processor"),
            period: s.cycle().max(Span::secs(1)),
            system: System::new().expect("the library supports this system"),
            cpu: share("load.cpu", "processor busy, all cores together"),
            cores: vec![],
            memory: [
                bytes("memory.available", "memory that programs can still get without swapping"),
                share("memory.available-share", "share of memory still available"),
                bytes("memory.used", "memory in use: total less available"),
                bytes("memory.swap-used", "swap space in use"),
            ],
            missing,
            runs: 0,
        }
    }
}

impl Probe for Host {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        std::iter::once(&self.cpu).chain(&self.cores).chain(&self.memory).chain(&self.missing).map(Gauge::id).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        self.system.refresh_cpu_specifics(CpuRefreshKind::nothing().with_usage());
        self.system.refresh_memory_specifics(MemoryRefreshKind::everything());
        while self.cores.len() < self.system.cpus().len() {
            let i = self.cores.len();
            let name = Name::from_parts("load", &format!("cpu-core-{i}"));
            let def = SignalDef::new(name, Unit::Percent, 0.1, format!("core {i} busy")).within(0.0, 100.0);
            self.cores.push(Gauge::new(out.signals, def));
        }
        // The first figures are differences to nothing.
        let first = self.runs == 0;
        self.runs = self.runs.saturating_add(1);
        let share = |v: f32| if first { Err(super::take::not_yet()) } else { Ok(f64::from(v).clamp(0.0, 100.0)) };
        out.either(&self.cpu, share(self.system.global_cpu_usage()));
        for (g, c) in self.cores.iter().zip(self.system.cpus()) {
            out.either(g, share(c.usage()));
        }
        let (all, free) = (self.system.total_memory() as f64, self.system.available_memory() as f64);
        let swap = self.system.used_swap() as f64;
        for (g, v) in self.memory.iter().zip([free, 100.0 * free / all, all - free, swap]) {
            out.known(g, v);
        }
        out.all_unavailable(&self.missing, &not_offered());
    }
}

struct Warm {
    name: Name,
    all: Components,
    gauges: BTreeMap<String, Gauge>,
}

impl Warm {
    fn new() -> Warm {
        Warm {
            name: literal("probe.components"),
            all: Components::new().expect("the library supports this system"),
            gauges: BTreeMap::new(),
        }
    }
}

impl Probe for Warm {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        Span::secs(5)
    }
    fn deadline(&self) -> Span {
        Span::secs(10)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.gauges.values().map(Gauge::id).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        // What cannot be listed now keeps its last list, and each value of it says that it is not there.
        let _ = self.all.refresh(true);
        for c in self.all.iter() {
            let signals = out.signals;
            let g = self.gauges.entry(c.label().to_string()).or_insert_with(|| {
                let name = Name::from_parts("temperature", c.label());
                let def = SignalDef::new(name, Unit::Celsius, 0.1, format!("temperature of {}", c.label()));
                Gauge::new(signals, def.within(-60.0, 200.0).at("component"))
            });
            let none = || Why::new(WhyCode::Absent, "the component gives no value");
            out.either(g, c.temperature().map(f64::from).ok_or_else(none));
        }
        for (label, g) in &self.gauges {
            if !self.all.iter().any(|c| c.label() == label) {
                out.unavailable(g, Why::new(WhyCode::Absent, "the component is gone"));
            }
        }
    }
}

struct One {
    interface: Interface,
    truth: Gauge,
    rates: [(Gauge, Rate); 3],
    drops: Gauge,
}

struct Traffic {
    name: Name,
    period: Span,
    networks: Networks,
    all: Vec<One>,
}

impl Traffic {
    fn new(s: &Setup<'_>) -> Traffic {
        let make = |i: &Interface| {
            let g = |q: &str, unit, res, what: &str| {
                let def = SignalDef::new(i.name.quantity(q), unit, res, format!("{}: {what}", i.title));
                Gauge::new(&s.signals, def.within(0.0, 1e13))
            };
            One {
                truth: Gauge::truth(&s.signals, i.name.clone(), format!("{} up", i.title)),
                rates: [
                    (g("received", Unit::BytesPerSecond, 10.0, "bytes received"), Rate::default()),
                    (g("sent", Unit::BytesPerSecond, 10.0, "bytes sent"), Rate::default()),
                    (g("errors", Unit::PerSecond, 0.1, "transmission errors"), Rate::default()),
                ],
                drops: g("drops", Unit::PerSecond, 0.1, "packets dropped"),
                interface: i.clone(),
            }
        };
        Traffic {
            name: literal("probe.interface-counters"),
            period: s.cycle(),
            networks: Networks::new().expect("the library supports this system"),
            all: s.config.interfaces.iter().map(make).collect(),
        }
    }
}

impl Probe for Traffic {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        let of =
            |o: &One| [&o.truth, &o.drops].map(Gauge::id).into_iter().chain(o.rates.iter().map(|r| r.0.id())).collect();
        self.all.iter().flat_map(|o| -> Vec<SignalId> { of(o) }).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        self.networks.refresh(true);
        let at = out.at();
        for o in &mut self.all {
            out.unavailable(&o.truth, not_offered());
            out.unavailable(&o.drops, not_offered());
            let data = self.networks.iter().find(|(n, _)| n.to_string_lossy() == o.interface.device.as_str());
            match data {
                Some((_, d)) => {
                    let errors = d.total_errors_on_received().saturating_add(d.total_errors_on_transmitted());
                    for ((g, rate), n) in o.rates.iter_mut().zip([d.total_received(), d.total_transmitted(), errors]) {
                        out.either(g, rate.step(at, n));
                    }
                }
                None => {
                    let why = Why::new(WhyCode::Absent, format!("there is no interface `{}`", o.interface.device));
                    for (g, rate) in &mut o.rates {
                        rate.reset();
                        out.unavailable(g, why.clone());
                    }
                }
            }
        }
    }
}
