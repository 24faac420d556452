//! Memory: what is available, swap in use, programs killed for memory. From `/proc/meminfo` and `/proc/vmstat` (proc(5)).

use super::kept::Kept;
use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Span, Unit, Why, WhyCode};

/// Readings of memory are rounded to this: finer steps say nothing and cost storage.
const STEP: f64 = 1_048_576.0;

struct Memory {
    name: Name,
    period: Span,
    meminfo: Kept,
    vmstat: Kept,
    available: Gauge,
    share: Gauge,
    used: Gauge,
    swap: Gauge,
    kills: Gauge,
    last_kills: Option<u64>,
    /// Cycles from one look at the long table with the kills to the next: once a second, or each cycle if that is longer.
    kills_every: u32,
    turn: u32,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let bytes = |name, what: &str| {
        Gauge::new(&s.signals, SignalDef::new(literal(name), Unit::Bytes, STEP, what).within(0.0, 1e18))
    };
    vec![Box::new(Memory {
        name: literal("probe.memory"),
        period: s.cycle(),
        meminfo: Kept::whole(s.roots.path("proc/meminfo")),
        vmstat: Kept::new(s.roots.path("proc/vmstat")),
        available: bytes("memory.available", "memory that programs can still get without swapping"),
        share: Gauge::new(
            &s.signals,
            SignalDef::new(literal("memory.available-share"), Unit::Percent, 0.1, "share of memory still available")
                .within(0.0, 100.0),
        ),
        used: bytes("memory.used", "memory in use: total less available"),
        swap: bytes("memory.swap-used", "swap space in use"),
        kills: Gauge::new(
            &s.signals,
            SignalDef::new(
                literal("memory.kills"),
                Unit::Count,
                1.0,
                "programs killed for memory since the machine started",
            )
            .within(0.0, 1e12),
        ),
        last_kills: None,
        kills_every: u32::try_from(1000 / s.cycle().0.max(1)).unwrap_or(1).max(1),
        turn: 0,
    })]
}

impl Memory {
    fn amounts(&mut self, out: &mut Take<'_>) -> Result<(), Why> {
        let text = self.meminfo.read().map_err(|e| Why::from_io("/proc/meminfo", &e))?;
        let kb = |key: &str| {
            parse::keyed(text, key.as_bytes())
                .and_then(|k| k.checked_mul(1024))
                .map(|b| b as f64)
                .ok_or_else(|| Why::new(WhyCode::Garbled, format!("/proc/meminfo: no number behind `{key}`")))
        };
        let total = kb("MemTotal");
        let available = kb("MemAvailable");
        let both = || -> Result<(f64, f64), Why> { Ok((total.clone()?, available.clone()?)) };
        out.either(&self.available, available.clone());
        out.either(&self.share, both().map(|(t, a)| 100.0 * a / t));
        out.either(&self.used, both().map(|(t, a)| t - a));
        out.either(&self.swap, kb("SwapTotal").and_then(|t| Ok(t - kb("SwapFree")?)));
        Ok(())
    }

    fn killed(&mut self, out: &mut Take<'_>) -> Result<u64, Why> {
        let text = self.vmstat.read().map_err(|e| Why::from_io("/proc/vmstat", &e))?;
        let now = parse::keyed(text, b"oom_kill")
            .ok_or_else(|| Why::new(WhyCode::Unsupported, "this kernel does not count programs killed for memory"))?;
        if let Some(more) = self.last_kills.replace(now).and_then(|was| now.checked_sub(was)).filter(|n| *n > 0) {
            let text = match more {
                1 => "the kernel killed a program for memory".to_string(),
                n => format!("the kernel killed {n} programs for memory"),
            };
            let e = Event::new(out.at(), literal("machine.this"), EventKind::MemoryKill, text);
            out.event(e.within(Span(self.period.0 * i64::from(self.kills_every))).with("count", more));
        }
        Ok(now)
    }
}

impl Probe for Memory {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(2)
    }
    fn lane(&self) -> Lane {
        Lane::Shared
    }
    fn signals(&self) -> Vec<SignalId> {
        [&self.available, &self.share, &self.used, &self.swap, &self.kills].map(Gauge::id).to_vec()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        if let Err(why) = self.amounts(out) {
            out.all_unavailable([&self.available, &self.share, &self.used, &self.swap], &why);
        }
        if self.turn == 0 {
            let kills = self.killed(out).map(|n| n as f64);
            out.either(&self.kills, kills);
        }
        self.turn = (self.turn + 1) % self.kills_every;
    }
}

/// What the look around says.
pub fn found(roots: &Roots) -> Vec<Found> {
    let total = roots.read("proc/meminfo").ok().and_then(|t| parse::keyed(&t, b"MemTotal")).unwrap_or(0);
    let title = format!("{:.1} GiB of memory", total as f64 / 1_048_576.0);
    vec![Found::plain(Group::Machine, title, "watched without configuration")]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    const INFO: &str = "MemTotal:       16777216 kB\nMemFree: 1 kB\nMemAvailable:   4194304 kB\nSwapTotal: 2048 kB\nSwapFree: 1024 kB\n";

    #[test]
    fn amounts_and_kills() {
        let b = Bench::new(&[("proc/meminfo", INFO), ("proc/vmstat", "pgpgin 1\noom_kill 3\n")]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!(b.value("memory.available"), Some(4294967296.0));
        assert_eq!(b.value("memory.available-share"), Some(25.0));
        assert_eq!(b.value("memory.swap-used"), Some(1048576.0));
        assert!(b.events().is_empty(), "kills before the start are no event");
        b.write("proc/vmstat", "pgpgin 1\noom_kill 5\n");
        b.run(&mut p);
        let e = b.events();
        assert_eq!((e.len(), e[0].kind, e[0].detail["count"].as_u64()), (1, EventKind::MemoryKill, Some(2)));
        b.write("proc/meminfo", "MemTotal: x kB\n");
        b.write("proc/vmstat", "pgpgin 1\n");
        b.run(&mut p);
        assert_eq!(b.why("memory.available-share"), Some(WhyCode::Garbled));
        assert_eq!(b.why("memory.kills"), Some(WhyCode::Unsupported));
    }

    proptest! {
        // Each case writes files.
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(a in "MemTotal: [0-9]{0,21} kB\n(MemAvailable: [0-9]{0,21} kB\n)?", junk in proptest::collection::vec(any::<u8>(), 0..300)) {
            let b = Bench::new(&[("proc/meminfo", &a)]);
            b.write_bytes("proc/vmstat", &junk);
            let mut p = b.probes(probes);
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
