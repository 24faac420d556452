//! Processor: busy share in total and per core, load averages, programs ready to run. From `/proc/stat` and
//! `/proc/loadavg` (proc(5)).

use super::kept::Kept;
use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, literal, parse, take};
use crate::model::{Name, SignalDef, SignalId, Signals, Span, Unit, Why, WhyCode};

/// Time that a processor has spent, in clock ticks since boot.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ticks {
    /// All of it.
    pub total: u64,
    /// Idle, waiting for disks included.
    pub idle: u64,
}

/// The figures behind `cpu` or `cpuN`; none for a torn line. Time given to guests is already in the user time.
pub fn ticks(rest: &[u8]) -> Option<Ticks> {
    let mut t = Ticks::default();
    let mut n = 0;
    for f in parse::fields(rest).take(8) {
        let v = parse::unsigned(f)?;
        t.total = t.total.checked_add(v)?;
        if n == 3 || n == 4 {
            t.idle = t.idle.checked_add(v)?;
        }
        n += 1;
    }
    (n >= 4).then_some(t)
}

/// Busy share in per cent between two looks; none when no time has passed or a figure went back.
pub fn busy(before: Ticks, now: Ticks) -> Option<f64> {
    let total = now.total.checked_sub(before.total).filter(|t| *t > 0)?;
    // The kernel's figure for waiting may go back a little (proc(5)); then nothing idle was added.
    let idle = now.idle.saturating_sub(before.idle).min(total);
    // Large figures are rounded on the way; a share is never above the whole.
    Some((100.0 * (total - idle) as f64 / total as f64).min(100.0))
}

struct Core {
    gauge: Gauge,
    last: Option<Ticks>,
    seen: bool,
}

struct Processor {
    name: Name,
    period: Span,
    stat: Kept,
    loadavg: Kept,
    total: Core,
    cores: Vec<Core>,
    loads: [Gauge; 3],
    running: Gauge,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let g = |name: &str, unit, res, high, what: &str| {
        Gauge::new(&s.signals, SignalDef::new(literal(name), unit, res, what).within(0.0, high))
    };
    let load = |name, what| g(name, Unit::None, 0.01, 1e6, what);
    let mut p = Processor {
        name: literal("probe.processor"),
        period: s.cycle(),
        stat: Kept::whole(s.roots.path("proc/stat")),
        loadavg: Kept::whole(s.roots.path("proc/loadavg")),
        total: Core {
            gauge: g("load.cpu", Unit::Percent, 0.1, 100.0, "processor busy, all cores together"),
            last: None,
            seen: false,
        },
        cores: vec![],
        loads: [
            load("load.one", "load average over one minute"),
            load("load.five", "load average over five minutes"),
            load("load.fifteen", "load average over fifteen minutes"),
        ],
        running: g("load.running", Unit::Count, 1.0, 1e6, "tasks running or ready to run"),
    };
    // The cores are known before the first run, so that none is silent if that run fails.
    if let Ok(text) = p.stat.read() {
        for n in parse::lines(text).filter_map(core_number).map(|(n, _)| n) {
            grow(&mut p.cores, n, &s.signals);
        }
    }
    vec![Box::new(p)]
}

/// Core number and figures of a `cpuN` line.
fn core_number(line: &[u8]) -> Option<(usize, &[u8])> {
    let rest = line.strip_prefix(b"cpu")?;
    let end = rest.iter().position(|c| !c.is_ascii_digit())?;
    let n = parse::unsigned(&rest[..end])?;
    // More cores than any small computer has: a garbled line.
    (n < 1024).then_some((n as usize, &rest[end..]))
}

fn grow(cores: &mut Vec<Core>, n: usize, signals: &Signals) {
    while cores.len() <= n {
        let i = cores.len();
        let def = SignalDef::new(
            Name::from_parts("load", &format!("cpu-core-{i}")),
            Unit::Percent,
            0.1,
            format!("core {i} busy"),
        )
        .within(0.0, 100.0);
        cores.push(Core { gauge: Gauge::new(signals, def), last: None, seen: false });
    }
}

fn one(c: &mut Core, rest: &[u8], out: &mut Take<'_>) {
    c.seen = true;
    let Some(now) = ticks(rest) else {
        c.last = None;
        out.unavailable(&c.gauge, Why::new(WhyCode::Garbled, "/proc/stat: the line is torn"));
        return;
    };
    let share = c.last.replace(now).and_then(|before| busy(before, now));
    out.either(&c.gauge, share.ok_or_else(take::not_yet));
}

impl Probe for Processor {
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
        let cores = self.cores.iter().map(|c| c.gauge.id());
        [self.total.gauge.id(), self.running.id()]
            .into_iter()
            .chain(self.loads.iter().map(Gauge::id))
            .chain(cores)
            .collect()
    }
    fn recover(&mut self) {
        self.total.last = None;
        self.cores.iter_mut().for_each(|c| c.last = None);
    }

    fn take(&mut self, out: &mut Take<'_>) {
        self.total.seen = false;
        self.cores.iter_mut().for_each(|c| c.seen = false);
        let lost = match self.stat.read() {
            Ok(text) => {
                // The processor lines stand at the top; the long interrupt line behind them is not looked at.
                for line in parse::lines(text).take_while(|l| l.starts_with(b"cpu")) {
                    if let Some(rest) = line.strip_prefix(b"cpu ") {
                        one(&mut self.total, rest, out);
                    } else if let Some((n, rest)) = core_number(line) {
                        grow(&mut self.cores, n, out.signals);
                        one(&mut self.cores[n], rest, out);
                    }
                }
                Why::new(WhyCode::Absent, "not in /proc/stat: the core is switched off")
            }
            Err(e) => Why::from_io("/proc/stat", &e),
        };
        for c in std::iter::once(&mut self.total).chain(&mut self.cores).filter(|c| !c.seen) {
            c.last = None;
            out.unavailable(&c.gauge, lost.clone());
        }

        match self.loadavg.read() {
            Ok(text) => {
                let mut f = parse::fields(parse::trim(text));
                let torn = || Why::new(WhyCode::Garbled, "/proc/loadavg: not three numbers and a count");
                for g in &self.loads {
                    out.either(g, f.next().and_then(parse::number).ok_or_else(torn));
                }
                let running = f.next().and_then(|r| r.split(|c| *c == b'/').next()).and_then(parse::unsigned);
                // The worker that reads is one of them.
                out.either(&self.running, running.map(|n| n.saturating_sub(1) as f64).ok_or_else(torn));
            }
            Err(e) => {
                let why = Why::from_io("/proc/loadavg", &e);
                out.all_unavailable(self.loads.iter().chain([&self.running]), &why);
            }
        }
    }
}

/// What the look around says.
pub fn found(roots: &Roots) -> Vec<Found> {
    let cores = roots.read("proc/stat").map_or(0, |t| parse::lines(&t).filter_map(core_number).count());
    vec![Found::plain(Group::Machine, format!("processor with {cores} cores"), "watched without configuration")]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    const STAT: &str = "cpu  100 0 100 700 100 0 0 0 0 0\ncpu0 50 0 50 350 50 0 0 0 0 0\nintr 1 2 3\n";

    #[test]
    fn shares_are_differences_and_missing_things_are_said() {
        let b = Bench::new(&[("proc/stat", STAT), ("proc/loadavg", "0.52 0.41 0.30 3/206 4711\n")]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!(b.why("load.cpu"), Some(WhyCode::NotYet));
        assert_eq!(b.value("load.five"), Some(0.41));
        assert_eq!(b.value("load.running"), Some(2.0));
        // 200 ticks passed, 50 of them idle or waiting: 75 % busy; the core line is torn.
        b.write("proc/stat", "cpu  200 0 150 740 110 0 0 0 0 0\ncpu0 1");
        b.run(&mut p);
        assert_eq!(b.value("load.cpu"), Some(75.0));
        assert_eq!(b.why("load.cpu-core-0"), Some(WhyCode::Garbled));
        b.write("proc/stat", "cpu  200 0 150\n");
        b.run(&mut p);
        assert_eq!(b.why("load.cpu"), Some(WhyCode::Garbled));
        assert_eq!(b.why("load.cpu-core-0"), Some(WhyCode::Absent));
    }

    #[test]
    fn a_machine_without_the_files_says_so() {
        let b = Bench::new(&[]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        for s in ["load.cpu", "load.one", "load.running"] {
            assert_eq!(b.why(s), Some(WhyCode::Absent), "{s}");
        }
    }

    proptest! {
        // Each case writes files.
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn shares_stay_between_0_and_100(a in proptest::collection::vec(any::<u64>(), 8), b in proptest::collection::vec(any::<u64>(), 8)) {
            let line = |v: &[u64]| v.iter().map(|n| (n >> 4).to_string()).collect::<Vec<_>>().join(" ");
            if let (Some(x), Some(y)) = (ticks(line(&a).as_bytes()), ticks(line(&b).as_bytes())) {
                prop_assert!(busy(x, y).is_none_or(|s| (0.0..=100.0).contains(&s)));
            }
        }

        #[test]
        fn no_bytes_panic(junk in proptest::collection::vec(any::<u8>(), 0..300)) {
            let mut text = b"cpu".to_vec();
            text.extend(junk);
            let b = Bench::new(&[]);
            b.write_bytes("proc/stat", &text);
            b.write_bytes("proc/loadavg", &text[3..]);
            let mut p = b.probes(probes);
            b.run(&mut p);
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
