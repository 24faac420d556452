//! Which signals are tested, and in which rank. Pure.

use crate::analysis::season::{Rank, SeasonSignal};
use crate::model::{Name, SignalDef, SignalId, Unit};

/// A signal that is tested.
#[derive(Clone, Debug)]
pub struct Chosen {
    /// Its number in the store.
    pub id: SignalId,
    /// What the analysis must know of it.
    pub signal: SeasonSignal,
}

/// Signals that can be tested: measured quantities, without those that only say that something has failed.
pub fn choose(all: &[(SignalId, SignalDef)], suspects: &[Name]) -> Vec<Chosen> {
    let has_share = all.iter().any(|(_, d)| d.name.as_str() == "memory.available-share");
    let mut out: Vec<Chosen> = all
        .iter()
        .filter(|(_, d)| suspects.contains(&d.name) || is_evidence(d))
        .map(|(id, d)| {
            let rank = match short(d, has_share) {
                true => Rank::Short,
                false if suspects.contains(&d.name) => Rank::Suspect,
                false => Rank::Rest,
            };
            let what = if d.what.is_empty() { d.name.to_string() } else { d.what.clone() };
            let signal = SeasonSignal { name: d.name.clone(), unit: d.unit, what, rank, beyond_reach: beyond_reach(d) };
            Chosen { id: *id, signal }
        })
        .collect();
    out.sort_by(|a, b| (a.signal.rank, &a.signal.name).cmp(&(b.signal.rank, &b.signal.name)));
    out
}

/// The short list: outside, box, dew margin, waiting for the processor, memory, link signal.
fn short(d: &SignalDef, has_share: bool) -> bool {
    match (d.name.kind(), d.name.of_thing()) {
        ("temperature", None) => {
            matches!(d.place.as_str(), "outside" | "box") || matches!(d.name.own(), "outside" | "box")
        }
        ("dew", None) => d.name.own() == "margin",
        ("pressure", None) => d.name.own() == "cpu",
        ("memory", None) => match d.name.own() {
            "available-share" => true,
            "available" => !has_share,
            _ => false,
        },
        ("interface", Some("signal")) => true,
        ("link", Some("signal")) => true,
        ("link", None) => d.name.own() == "signal" && d.unit == Unit::Dbm,
        _ => false,
    }
}

/// Nothing that fails in the chain can change it.
fn beyond_reach(d: &SignalDef) -> bool {
    match d.name.kind() {
        "temperature" | "humidity" => d.place == "outside" || d.name.own() == "outside",
        "sun" | "moon" | "weather" | "sky" => true,
        _ => false,
    }
}

/// Whether a signal can be a cause at all: yes or no, counts of frames, ages and uptimes only tell that something has failed.
fn is_evidence(d: &SignalDef) -> bool {
    let gone = match (d.name.kind(), d.name.of_thing()) {
        ("frames" | "clock" | "agent" | "store", _) => true,
        ("program", Some(q)) => matches!(q, "uptime" | "restarts" | "alive-age" | "waiting"),
        ("memory", None) => d.name.own() == "kills",
        _ => false,
    };
    d.unit != Unit::Truth && !gone
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks() {
        let def =
            |n: &str, unit, place: &str| (SignalId(1), SignalDef::new(Name::new(n).unwrap(), unit, 0.1, "").at(place));
        let all = [
            def("temperature.box", Unit::Celsius, "box"),
            def("temperature.core", Unit::Celsius, "component"),
            def("temperature.garden", Unit::Celsius, "outside"),
            def("pressure.cpu", Unit::Percent, ""),
            def("memory.available", Unit::Bytes, ""),
            def("memory.available-share", Unit::Percent, ""),
            def("interface.wlan0.signal", Unit::Dbm, ""),
            def("load.cpu", Unit::Percent, ""),
            def("program.mount", Unit::Truth, ""),
            def("frames.main.count", Unit::Count, ""),
            def("program.mount.uptime", Unit::Seconds, ""),
        ];
        let got = choose(&all, &[Name::new("load.cpu").unwrap()]);
        let rank = |n: &str| got.iter().find(|c| c.signal.name.as_str() == n).map(|c| c.signal.rank);
        for n in [
            "temperature.box",
            "temperature.garden",
            "pressure.cpu",
            "memory.available-share",
            "interface.wlan0.signal",
        ] {
            assert_eq!(rank(n), Some(Rank::Short), "{n}");
        }
        assert_eq!(rank("load.cpu"), Some(Rank::Suspect));
        assert_eq!(rank("temperature.core"), Some(Rank::Rest));
        assert_eq!(rank("memory.available"), Some(Rank::Rest));
        for n in ["program.mount", "frames.main.count", "program.mount.uptime"] {
            assert_eq!(rank(n), None, "{n}");
        }
        let reach: Vec<&str> = got.iter().filter(|c| c.signal.beyond_reach).map(|c| c.signal.name.as_str()).collect();
        assert_eq!(reach, ["temperature.garden"]);
    }
}
