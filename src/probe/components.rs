//! Temperatures of the machine's own components: every temperature that a driver offers (kernel documents `sysfs-class-hwmon`
//! and `sysfs-class-thermal`). Watched without configuration. On a thread of its own, since some drivers ask slow hardware.

use super::kept::Kept;
use super::{Gauge, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::model::{Name, SignalDef, SignalId, Signals, Span, Unit, Why, WhyCode};
use std::collections::BTreeSet;
use std::io;

/// New ones are looked for after so many runs.
const RESCAN_EVERY: u32 = 60;

/// One temperature that a driver offers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offered {
    /// Name of the signal.
    pub name: Name,
    /// For people.
    pub what: String,
    /// File with thousandths of a degree.
    pub file: String,
}

/// What the drivers of this machine or tree offer, in a stable order.
pub fn offered(roots: &Roots) -> Vec<Offered> {
    let mut all = vec![];
    let mut taken: BTreeSet<String> = BTreeSet::new();
    let mut chips = vec![];
    for dir in folders(roots, "sys/class/hwmon", "hwmon") {
        let Some(chip) = roots.text(format!("{dir}/name")).filter(|n| !n.is_empty()) else { continue };
        // The numbers of the folders change from start to start; the device behind it does not.
        let device = std::fs::read_link(roots.path(format!("{dir}/device"))).ok();
        let device = device.and_then(|d| Some(d.file_name()?.to_string_lossy().into_owned())).unwrap_or_default();
        chips.push((chip, device, dir));
    }
    chips.sort();
    for (i, (chip, device, dir)) in chips.iter().enumerate() {
        let several = chips.iter().filter(|c| c.0 == *chip).count() > 1;
        let which = if several && !device.is_empty() { format!("{chip} {device}") } else { chip.clone() };
        let mut inputs: Vec<u64> = names(roots, dir)
            .iter()
            .filter_map(|n| parse::unsigned(n.strip_prefix("temp")?.strip_suffix("_input")?.as_bytes()))
            .collect();
        inputs.sort_unstable();
        for n in &inputs {
            let label = roots.text(format!("{dir}/temp{n}_label")).filter(|l| !l.is_empty());
            let said = match (&label, inputs.len()) {
                (Some(l), _) => format!("{which} {l}"),
                (None, 1) => which.clone(),
                (None, _) => format!("{which} {n}"),
            };
            let mut own = Name::part(&said);
            if !taken.insert(own.clone()) {
                own = Name::part(&format!("{said} {}", i + 1));
                taken.insert(own.clone());
            }
            all.push(Offered {
                name: Name::from_parts("temperature", &own),
                what: format!("temperature of {said}"),
                file: format!("{dir}/temp{n}_input"),
            });
        }
    }
    for dir in folders(roots, "sys/class/thermal", "thermal_zone") {
        let Some(kind) = roots.text(format!("{dir}/type")).filter(|t| !t.is_empty()) else { continue };
        // Most zones are offered as a chip too.
        let same = Name::part(&kind).replace('_', "-");
        if chips.iter().any(|c| Name::part(&c.0).replace('_', "-") == same) || !taken.insert(Name::part(&kind)) {
            continue;
        }
        all.push(Offered {
            name: Name::from_parts("temperature", &kind),
            what: format!("temperature of {kind}"),
            file: format!("{dir}/temp"),
        });
    }
    all
}

fn names(roots: &Roots, dir: &str) -> Vec<String> {
    let Ok(all) = std::fs::read_dir(roots.path(dir)) else { return vec![] };
    all.flatten().filter_map(|e| e.file_name().into_string().ok()).collect()
}

fn folders(roots: &Roots, dir: &str, prefix: &str) -> Vec<String> {
    let mut all: Vec<(u64, String)> = names(roots, dir)
        .into_iter()
        .filter_map(|n| Some((parse::unsigned(n.strip_prefix(prefix)?.as_bytes())?, format!("{dir}/{n}"))))
        .collect();
    all.sort();
    all.into_iter().map(|(_, d)| d).collect()
}

struct One {
    gauge: Gauge,
    file: Kept,
    shown: String,
}

struct Components {
    name: Name,
    roots: Roots,
    /// Names that a configured sensor has: those are its own.
    configured: Vec<Name>,
    all: Vec<One>,
    known: BTreeSet<Name>,
    runs: u32,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let mut c = Components {
        name: literal("probe.components"),
        roots: s.roots.clone(),
        configured: s.config.sensors.iter().map(|s| s.name.clone()).collect(),
        all: vec![],
        known: BTreeSet::new(),
        runs: 0,
    };
    c.scan(&s.signals);
    vec![Box::new(c)]
}

impl Components {
    fn scan(&mut self, signals: &Signals) {
        for o in offered(&self.roots) {
            if self.configured.contains(&o.name) || !self.known.insert(o.name.clone()) {
                continue;
            }
            let def = SignalDef::new(o.name, Unit::Celsius, 0.1, o.what).within(-60.0, 200.0).at("component");
            let file = Kept::whole(self.roots.path(&o.file));
            self.all.push(One { gauge: Gauge::new(signals, def), file, shown: format!("/{}", o.file) });
        }
    }
}

impl Probe for Components {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        Span::secs(5)
    }
    fn deadline(&self) -> Span {
        Span::secs(5)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.all.iter().map(|o| o.gauge.id()).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        self.runs = self.runs.wrapping_add(1);
        if self.runs.is_multiple_of(RESCAN_EVERY) {
            self.scan(out.signals);
        }
        for o in &mut self.all {
            let read = match o.file.read() {
                Ok(text) => parse::signed(text)
                    .map(|n| n as f64 / 1000.0)
                    .ok_or_else(|| Why::new(WhyCode::Garbled, format!("{}: not a whole number", o.shown))),
                Err(e) => Err(why_not(&o.shown, &e)),
            };
            out.either(&o.gauge, read);
        }
    }
}

/// The reason behind an error of a driver.
fn why_not(shown: &str, e: &io::Error) -> Why {
    // ENODATA: asked, and nothing measured; ENODEV and ENXIO: the device is gone.
    match e.raw_os_error() {
        Some(61) => Why::new(WhyCode::Absent, format!("{shown}: the driver has no value now")),
        Some(6 | 19) => Why::new(WhyCode::Absent, format!("{shown}: the device is gone")),
        _ => Why::from_io(shown, e),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    fn bench() -> Bench {
        let b = Bench::new(&[
            ("sys/class/hwmon/hwmon1/name", "coretemp\n"),
            ("sys/class/hwmon/hwmon1/temp1_input", "41000\n"),
            ("sys/class/hwmon/hwmon1/temp1_label", "Package id 0\n"),
            ("sys/class/hwmon/hwmon1/temp2_input", "-5500\n"),
            ("sys/class/hwmon/hwmon0/name", "nvme\n"),
            ("sys/class/hwmon/hwmon0/temp1_input", "30850\n"),
            ("sys/class/hwmon/hwmon0/fan1_input", "0\n"),
            ("sys/class/hwmon/hwmon2/name", "nvme\n"),
            ("sys/class/hwmon/hwmon2/temp1_input", "junk\n"),
            ("sys/class/thermal/thermal_zone0/type", "coretemp\n"),
            ("sys/class/thermal/thermal_zone0/temp", "1\n"),
            ("sys/class/thermal/thermal_zone1/type", "board\n"),
            ("sys/class/thermal/thermal_zone1/temp", "250000\n"),
        ]);
        for (n, d) in [(0, "nvme0"), (2, "nvme1")] {
            std::os::unix::fs::symlink(format!("../../{d}"), b.root().join(format!("sys/class/hwmon/hwmon{n}/device")))
                .unwrap();
        }
        b
    }

    #[test]
    fn every_temperature_on_offer_is_read() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!(b.value("temperature.coretemp-package-id-0"), Some(41.0));
        assert_eq!(b.value("temperature.coretemp-2"), Some(-5.5));
        assert_eq!(b.value("temperature.nvme-nvme0"), Some(30.9));
        assert_eq!(b.why("temperature.nvme-nvme1"), Some(WhyCode::Garbled));
        assert_eq!(b.why("temperature.board"), Some(WhyCode::OutOfRange));
        assert_eq!(b.signals.len(), 5, "a zone that is a chip too is read once");
        let id = b.signals.id(&Name::new("temperature.board").unwrap()).unwrap();
        assert_eq!(b.signals.def(id).unwrap().place, "component");
    }

    #[test]
    fn a_configured_sensor_keeps_its_name_for_itself() {
        let mut b = bench();
        b.config.sensors.push(crate::config::model::Sensor {
            name: Name::new("temperature.board").unwrap(),
            title: "board".into(),
            kind: crate::config::model::SensorKind::Temperature,
            place: "component".into(),
            source: crate::config::model::SensorSource::Thermal { zone: "board".into() },
            scale: 0.001,
            fahrenheit: false,
            offset: 0.0,
            plausible: (-60.0, 120.0),
            largest_jump: 20.0,
            frozen_after: None,
            silent_after: Span::mins(5),
            every: Span::secs(10),
            deadline: Span::secs(5),
        });
        assert_eq!(b.probes(probes)[0].signals().len(), 4);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(b in proptest::collection::vec(any::<u8>(), 0..100), n in any::<i64>()) {
            let bench = Bench::new(&[
                ("sys/class/hwmon/hwmon1/name", "x\n"),
                ("sys/class/hwmon/hwmon1/temp2_input", &format!("{n}\n")),
            ]);
            bench.write_bytes("sys/class/hwmon/hwmon1/temp1_input", &b);
            bench.write_bytes("sys/class/hwmon/hwmon1/temp1_label", &b);
            let mut p = bench.probes(probes);
            bench.run(&mut p);
            bench.all_in_range();
        }
    }
}
