//! What the machine tells of its own supply: mains or battery, charge, and the under-voltage alarms of its sensors.
//!
//! Kernel documents "ABI testing sysfs-class-power" (online, capacity in per cent, voltage_now in microvolts, status) and "Naming and
//! data format standards for sysfs files" of hwmon (`in*_lcrit_alarm`, `in*_min_alarm`: 1 is an alarm). A machine without any of
//! these has none of these signals. On a thread of its own, since batteries answer over slow buses.

use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Signals, Span, Unit, Why, WhyCode};
use std::collections::BTreeMap;

const EVERY: Span = Span::secs(10);
/// Supplies that come and go are looked for after so many runs.
const RESCAN_EVERY: u32 = 6;
const SUPPLIES: &str = "sys/class/power_supply";

/// A battery's gauges.
struct Battery {
    charge: Gauge,
    discharging: Gauge,
    voltage: Option<Gauge>,
}

#[derive(Default)]
struct Parts {
    /// Folders of supplies that tell whether they are plugged in.
    mains: Vec<String>,
    /// Folders of batteries of the machine itself.
    batteries: Vec<String>,
    /// Files of under-voltage alarms, each with what it is of.
    alarms: Vec<(String, String)>,
}

struct Power {
    name: Name,
    roots: Roots,
    parts: Parts,
    mains: Option<Gauge>,
    low: Option<Gauge>,
    charge: Option<Gauge>,
    batteries: BTreeMap<String, Battery>,
    runs: u32,
    was_on: Option<bool>,
    was_low: Option<bool>,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let (parts, mains, low, charge, batteries, runs, was_on, was_low) = Default::default();
    let (name, roots) = (literal("probe.power"), s.roots.clone());
    let mut p = Power { name, roots, parts, mains, low, charge, batteries, runs, was_on, was_low };
    p.scan(&s.signals);
    vec![Box::new(p)]
}

fn entries(roots: &Roots, dir: &str) -> Vec<String> {
    let Ok(all) = std::fs::read_dir(roots.path(dir)) else { return vec![] };
    let mut all: Vec<String> = all.flatten().filter_map(|e| e.file_name().into_string().ok()).collect();
    all.sort();
    all
}

fn parts(roots: &Roots) -> Parts {
    let mut p = Parts::default();
    for n in entries(roots, SUPPLIES) {
        let dir = format!("{SUPPLIES}/{n}");
        let text = |f: &str| roots.text(format!("{dir}/{f}")).unwrap_or_default();
        // The battery of a mouse is not the machine's.
        if text("scope") == "Device" {
            continue;
        }
        match text("type").as_str() {
            "Battery" | "UPS" => p.batteries.push(dir),
            "" => {}
            _ if roots.path(format!("{dir}/online")).exists() => p.mains.push(dir),
            _ => {}
        }
    }
    for n in entries(roots, "sys/class/hwmon") {
        let dir = format!("sys/class/hwmon/{n}");
        let chip = roots.text(format!("{dir}/name")).unwrap_or_default();
        for f in entries(roots, &dir) {
            let input = f.strip_suffix("_lcrit_alarm").or_else(|| f.strip_suffix("_min_alarm"));
            let Some(input) = input.filter(|i| i.starts_with("in")) else { continue };
            let label = roots.text(format!("{dir}/{input}_label")).filter(|l| !l.is_empty());
            let of = format!("{chip} {}", label.as_deref().unwrap_or(input));
            p.alarms.push((format!("{dir}/{f}"), of.trim().to_string()));
        }
    }
    p
}

impl Power {
    fn scan(&mut self, s: &Signals) {
        self.parts = parts(&self.roots);
        if !self.parts.mains.is_empty() && self.mains.is_none() {
            self.mains = Some(Gauge::truth(s, literal("power.mains"), "the machine runs on mains"));
        }
        if !self.parts.alarms.is_empty() && self.low.is_none() {
            self.low =
                Some(Gauge::truth(s, literal("power.undervoltage"), "a supply voltage of the machine is too low"));
        }
        if !self.parts.batteries.is_empty() && self.charge.is_none() {
            let def = SignalDef::new(literal("power.charge"), Unit::Percent, 1.0, "charge of the emptiest battery");
            self.charge = Some(Gauge::new(s, def.within(0.0, 100.0)));
        }
        for dir in &self.parts.batteries {
            if self.batteries.contains_key(dir) {
                continue;
            }
            let own = dir.rsplit('/').next().unwrap_or("");
            let thing = Name::from_parts("battery", own);
            let g = |q: &str, unit, res, high, what: &str| {
                let def = SignalDef::new(thing.quantity(q), unit, res, format!("battery {own}: {what}"));
                Gauge::new(s, def.within(0.0, high))
            };
            let voltage = self.roots.path(format!("{dir}/voltage_now")).exists();
            let b = Battery {
                charge: g("charge", Unit::Percent, 1.0, 100.0, "charge"),
                discharging: Gauge::truth(s, thing.quantity("discharging"), format!("battery {own} is being drained")),
                voltage: voltage.then(|| g("voltage", Unit::Volts, 0.01, 1000.0, "voltage")),
            };
            self.batteries.insert(dir.clone(), b);
        }
    }

    fn number(&self, file: &str) -> Result<i64, Why> {
        let text = self.roots.read(file).map_err(|e| match e.raw_os_error() {
            // ENODATA, ENODEV, ENXIO: asked, and nothing there now.
            Some(61 | 19 | 6) => Why::new(WhyCode::Absent, format!("/{file}: no value now")),
            _ => Why::from_io(&format!("/{file}"), &e),
        })?;
        parse::signed(&text).ok_or_else(|| Why::new(WhyCode::Garbled, format!("/{file}: not a whole number")))
    }

    /// Yes if any of these files says 1; why not known, if none does and some cannot be read.
    fn any<'f>(&self, files: impl Iterator<Item = (&'f str, &'f str)>) -> Result<Option<&'f str>, Why> {
        let mut why = None;
        for (file, of) in files {
            match self.number(file) {
                Ok(0) => {}
                Ok(_) => return Ok(Some(of)),
                Err(w) => why = Some(w),
            }
        }
        why.map_or(Ok(None), Err)
    }

    fn supply(&mut self, out: &mut Take<'_>) {
        let Some(g) = &self.mains else { return };
        let files: Vec<String> = self.parts.mains.iter().map(|d| format!("{d}/online")).collect();
        let on = match files.is_empty() {
            // Unplugged supplies may leave the list altogether.
            true => Ok(None),
            false => self.any(files.iter().map(|f| (f.as_str(), ""))),
        };
        out.either(g, on.clone().map(|o| if o.is_some() { 1.0 } else { 0.0 }));
        let Ok(on) = on.map(|o| o.is_some()) else { return };
        if self.was_on.replace(on).is_some_and(|w| w != on) {
            let word = |on| if on { "mains" } else { "battery" };
            let text = format!("the machine now runs on {}", word(on));
            let e = Event::new(out.at(), literal("machine.this"), EventKind::Changed, text).within(EVERY);
            out.event(e.with("what", "supply").with("old", word(!on)).with("new", word(on)));
        }
    }

    fn alarms(&mut self, out: &mut Take<'_>) {
        let Some(g) = &self.low else { return };
        let low = match self.parts.alarms.is_empty() {
            true => Err(Why::new(WhyCode::Absent, "the sensor of the supply voltage is gone")),
            false => self.any(self.parts.alarms.iter().map(|(f, of)| (f.as_str(), of.as_str()))),
        };
        out.either(g, low.clone().map(|o| if o.is_some() { 1.0 } else { 0.0 }));
        let Ok(low) = low else { return };
        if self.was_low.replace(low.is_some()) != Some(low.is_some())
            && let Some(of) = low
        {
            let text = format!("a supply voltage is too low ({of}): look at the supply and its cable");
            let e = Event::new(out.at(), literal("machine.this"), EventKind::Changed, text).within(EVERY);
            out.event(e.with("what", "supply voltage").with("old", "in order").with("new", "too low"));
        }
    }
}

impl Probe for Power {
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
        let batteries = self.batteries.values().flat_map(|b| [&b.charge, &b.discharging].into_iter().chain(&b.voltage));
        self.mains.iter().chain(&self.low).chain(&self.charge).chain(batteries).map(Gauge::id).collect()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        self.runs = self.runs.wrapping_add(1);
        if self.runs.is_multiple_of(RESCAN_EVERY) {
            self.scan(out.signals);
        }
        self.supply(out);
        self.alarms(out);
        let mut emptiest: Option<Result<f64, Why>> = None;
        for (dir, b) in &self.batteries {
            let charge = self.number(&format!("{dir}/capacity")).map(|n| n as f64);
            emptiest = match (emptiest, charge.clone()) {
                (Some(Ok(a)), Ok(c)) => Some(Ok(a.min(c))),
                // One that is not known may be the emptiest.
                (Some(Err(why)), _) | (_, Err(why)) => Some(Err(why)),
                (None, c) => Some(c),
            };
            out.either(&b.charge, charge);
            let status =
                self.roots.read(format!("{dir}/status")).map_err(|e| Why::from_io(&format!("/{dir}/status"), &e));
            let status = status.and_then(|t| match parse::trim(&t) {
                b"Discharging" => Ok(1.0),
                b"Charging" | b"Not charging" | b"Full" => Ok(0.0),
                _ => Err(Why::new(WhyCode::Absent, "the battery does not tell whether it is drained")),
            });
            out.either(&b.discharging, status);
            if let Some(g) = &b.voltage {
                out.either(g, self.number(&format!("{dir}/voltage_now")).map(|n| n as f64 * 1e-6));
            }
        }
        if let (Some(g), Some(v)) = (&self.charge, emptiest) {
            out.either(g, v);
        }
    }
}

/// What the look around says.
pub fn found(roots: &Roots) -> Vec<Found> {
    let p = parts(roots);
    let mut all = vec![];
    let lines = |own: &str, on: &str, is: &str, priority: &str| {
        let keys = ["title", "on", "differs_from", "on_delay", "priority"];
        let values = [format!("{own:?}"), format!("{on:?}"), is.into(), "\"10 s\"".into(), format!("{priority:?}")];
        let mut l = vec![format!("[rule.{}]", Name::part(own))];
        l.extend(keys.iter().zip(values).map(|(k, v)| format!("{k} = {v}")));
        l
    };
    if !p.mains.is_empty() {
        let on = p.mains.iter().any(|d| roots.text(format!("{d}/online")).as_deref() == Some("1"));
        let note = if on { "on mains now" } else { "not on mains now" };
        let lines = lines("runs on battery", "power.mains", "true", "high");
        all.push(Found::with_lines(Group::Machine, "the supply: mains or battery", lines, note));
    }
    for (i, d) in p.batteries.iter().enumerate() {
        let charge = roots.text(format!("{d}/capacity")).map_or("charge unknown".into(), |c| format!("charge {c} %"));
        let title = format!("battery {}", d.rsplit('/').next().unwrap_or(""));
        let rule = ["[rule.battery-low]", "title = \"battery low\"", "on = \"power.charge\"", "below = \"25 %\""];
        // One rule is for all of them.
        let lines = if i == 0 { rule.map(str::to_string).to_vec() } else { vec![] };
        all.push(Found::with_lines(Group::Machine, title, lines, charge));
    }
    if !p.alarms.is_empty() {
        let of = p.alarms.iter().map(|a| a.1.as_str()).collect::<Vec<_>>().join(", ");
        let lines = lines("supply voltage too low", "power.undervoltage", "false", "medium");
        all.push(Found::with_lines(Group::Machine, "under-voltage alarm", lines, format!("told by {of}")));
    }
    if all.is_empty() {
        let note = "this machine tells nothing of it; a power cut is seen only by the gap that it leaves";
        all.push(Found::plain(Group::Machine, "the supply: mains, battery, voltage", note));
    }
    all
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    fn bench() -> Bench {
        Bench::new(&[
            ("sys/class/power_supply/AC/type", "Mains\n"),
            ("sys/class/power_supply/AC/online", "1\n"),
            ("sys/class/power_supply/BAT0/type", "Battery\n"),
            ("sys/class/power_supply/BAT0/capacity", "87\n"),
            ("sys/class/power_supply/BAT0/status", "Charging\n"),
            ("sys/class/power_supply/BAT0/voltage_now", "12345678\n"),
            ("sys/class/power_supply/mouse/type", "Battery\n"),
            ("sys/class/power_supply/mouse/scope", "Device\n"),
            ("sys/class/hwmon/hwmon0/name", "board_volt\n"),
            ("sys/class/hwmon/hwmon0/in0_lcrit_alarm", "0\n"),
            ("sys/class/hwmon/hwmon0/temp1_alarm", "1\n"),
        ])
    }

    #[test]
    fn mains_battery_and_voltage() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!((b.value("power.mains"), b.value("power.undervoltage")), (Some(1.0), Some(0.0)));
        assert_eq!((b.value("battery.bat0.charge"), b.value("battery.bat0.discharging")), (Some(87.0), Some(0.0)));
        assert_eq!(b.value("battery.bat0.voltage"), Some(12.35));
        assert_eq!(b.value("power.charge"), Some(87.0));
        assert_eq!(b.signals.len(), 6, "the mouse's battery is not the machine's");
        assert!(b.events().is_empty());
        b.write("sys/class/power_supply/AC/online", "0\n");
        b.write("sys/class/power_supply/BAT0/status", "Discharging\n");
        b.write("sys/class/hwmon/hwmon0/in0_lcrit_alarm", "1\n");
        b.run(&mut p);
        assert_eq!((b.value("power.mains"), b.value("battery.bat0.discharging")), (Some(0.0), Some(1.0)));
        let told: Vec<_> = b.events().iter().map(|e| e.detail["what"].as_str().unwrap().to_string()).collect();
        assert_eq!(told, ["supply", "supply voltage"]);
        assert!(b.events()[1].text.contains("board_volt in0"));
        b.run(&mut p);
        assert!(b.events().is_empty());
        for f in ["AC/online", "BAT0/capacity"] {
            b.remove(&format!("sys/class/power_supply/{f}"));
        }
        b.run(&mut p);
        assert_eq!(
            (b.why("power.mains"), b.why("battery.bat0.charge")),
            (Some(WhyCode::Absent), Some(WhyCode::Absent))
        );
    }

    #[test]
    fn a_machine_that_tells_nothing_has_no_such_signal_and_look_says_so() {
        let b = Bench::new(&[]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert!(b.signals.is_empty());
        assert!(found(&b.roots())[0].note.contains("tells nothing"));
        let f = found(&bench().roots());
        assert_eq!(f.len(), 3);
        assert_eq!(f[0].config_lines[0], "[rule.runs-on-battery]");
    }

    #[test]
    fn the_lines_to_paste_are_sound() {
        let lines: Vec<String> = found(&bench().roots()).into_iter().flat_map(|f| f.config_lines).collect();
        let c = crate::config::parse(&lines.join("\n"), None).unwrap();
        assert!(c.rules.iter().any(|r| r.on.iter().any(|n| n.as_str() == "power.undervoltage")));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_panic_or_leave_the_range(a in proptest::collection::vec(any::<u8>(), 0..60), n in any::<i64>()) {
            let b = bench();
            let mut p = b.probes(probes);
            for f in ["power_supply/AC/online", "power_supply/BAT0/status", "hwmon/hwmon0/in0_lcrit_alarm"] {
                b.write_bytes(&format!("sys/class/{f}"), &a);
            }
            for f in ["capacity", "voltage_now"] {
                b.write(&format!("sys/class/power_supply/BAT0/{f}"), &n.to_string());
            }
            b.run(&mut p);
            b.all_in_range();
            found(&b.roots());
        }
    }
}
