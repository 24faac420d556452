//! Pressure stall: the share of time in which tasks waited for processor, memory or disks. From `/proc/pressure`
//! (kernel documentation, "PSI - Pressure Stall Information").

use super::kept::Kept;
use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::model::{Name, SignalDef, SignalId, Span, Unit, Why, WhyCode};
use std::io;

/// The kernel's average over ten seconds, in per cent, of the `some` or `full` line.
pub fn ten_seconds(text: &[u8], line: &[u8]) -> Option<f64> {
    let rest = parse::after(text, line)?;
    parse::pair(rest, b"avg10").and_then(parse::number)
}

struct File {
    path: &'static str,
    kept: Kept,
    some: Gauge,
    /// Tasks of no kind could run; the kernel gives no meaningful figure of this for the processor.
    full: Option<Gauge>,
}

struct Pressure {
    name: Name,
    period: Span,
    files: [File; 3],
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let g = |name: &str, what: &str| {
        Gauge::new(&s.signals, SignalDef::new(literal(name), Unit::Percent, 0.1, what).within(0.0, 100.0))
    };
    let file = |path: &'static str, some, full| File { path, kept: Kept::whole(s.roots.path(path)), some, full };
    vec![Box::new(Pressure {
        name: literal("probe.pressure"),
        // The kernel works the averages out every two seconds (PSI, Documentation/accounting/psi.rst; from memory).
        period: s.cycle().max(Span::secs(1)),
        files: [
            file("/proc/pressure/cpu", g("pressure.cpu", "time in which some task waited for the processor"), None),
            file(
                "/proc/pressure/memory",
                g("pressure.memory", "time in which some task waited for memory"),
                Some(g("pressure.memory-full", "time in which all tasks waited for memory")),
            ),
            file(
                "/proc/pressure/io",
                g("pressure.io", "time in which some task waited for disks"),
                Some(g("pressure.io-full", "time in which all tasks waited for disks")),
            ),
        ],
    })]
}

fn why_not(path: &str, e: &io::Error) -> Why {
    // EOPNOTSUPP: built in, but switched off; not found: not built in, or switched off on older kernels.
    match e.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::Unsupported => Why::new(
            WhyCode::Unsupported,
            "this kernel does not tell pressure: start it with `psi=1` on the kernel command line",
        ),
        _ => Why::from_io(path, e),
    }
}

impl Probe for Pressure {
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
        self.files.iter().flat_map(|f| std::iter::once(&f.some).chain(&f.full)).map(Gauge::id).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        for f in &mut self.files {
            match f.kept.read() {
                Ok(text) => {
                    let path = f.path;
                    let torn = || Why::new(WhyCode::Garbled, format!("{path}: no `avg10` in it"));
                    out.either(&f.some, ten_seconds(text, b"some ").ok_or_else(torn));
                    if let Some(full) = &f.full {
                        out.either(full, ten_seconds(text, b"full ").ok_or_else(torn));
                    }
                }
                Err(e) => {
                    let why = why_not(f.path, &e);
                    out.all_unavailable(std::iter::once(&f.some).chain(&f.full), &why);
                }
            }
        }
    }
}

/// What the look around says.
pub fn found(roots: &Roots) -> Vec<Found> {
    let note = match roots.read("proc/pressure/cpu") {
        Ok(_) => "watched without configuration".to_string(),
        Err(e) => why_not("/proc/pressure/cpu", &e).text.to_string(),
    };
    vec![Found::plain(Group::Machine, "pressure on processor, memory and disks", note)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    // The format as the kernel documentation prints it.
    const IO: &str =
        "some avg10=1.53 avg60=0.87 avg300=0.20 total=126\nfull avg10=0.26 avg60=0.12 avg300=0.05 total=91\n";

    #[test]
    fn figures_and_the_hint() {
        let b = Bench::new(&[("proc/pressure/io", IO), ("proc/pressure/memory", "some avg10=0.00\n")]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!(b.value("pressure.io"), Some(1.5));
        assert_eq!(b.value("pressure.io-full"), Some(0.3));
        assert_eq!(b.why("pressure.memory-full"), Some(WhyCode::Garbled));
        assert_eq!(b.why("pressure.cpu"), Some(WhyCode::Unsupported));
        assert!(b.why_text("pressure.cpu").contains("psi=1"));
    }

    proptest! {
        // Each case writes files.
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(a in "some avg10=[0-9.eE+-]{0,12} x\n", junk in proptest::collection::vec(any::<u8>(), 0..200)) {
            let b = Bench::new(&[("proc/pressure/cpu", &a)]);
            b.write_bytes("proc/pressure/io", &junk);
            let mut p = b.probes(probes);
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
