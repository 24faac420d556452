//! What a report must know beside the rows of the store: names, site, scale, limits. Taken from the configuration, and
//! kept in the store by the agent, so that a copy of the store can be read on another machine without the file.

use crate::config::Config;
use crate::config::model::{Builtin, TemperatureScale, Test};
use crate::model::{Name, zone_name, zone_named};
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

/// Key of the detail of a "configuration loaded" event under which the agent keeps the settings with the record, so that a
/// night is told with the names and limits of its own time.
pub const KEPT_AS: &str = "settings";

/// Settings of a report. Plain data; every field has a default, so that older records can be read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// Name of the field PC.
    pub field: String,
    /// Zone of local times, as [`zone_named`] takes it; empty: the system's.
    pub zone: String,
    /// How people see temperatures.
    pub scale: TemperatureScale,
    /// Where the telescope stands: degrees north, degrees east, metres; none: no dark hours.
    pub site: Option<(f64, f64, f64)>,
    /// Dark means the Sun this many degrees below the horizon.
    pub dark_below: f64,
    /// The watched things in the order of the configuration.
    pub things: Vec<Thing>,
    /// The chain, in the order in which its parts lean on each other.
    pub chain: Vec<Name>,
    /// The limit above which the box is too hot, °C.
    pub box_hot: Option<f64>,
    /// The limit below which the box counts as cold, °C, where one is set.
    pub box_cold: Option<f64>,
    /// The smallest good dew-point margin, K.
    pub dew_margin: Option<f64>,
}

/// A watched thing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Thing {
    /// `program.mount`
    pub name: Name,
    /// What the person calls it.
    pub title: String,
    /// What it cannot work without.
    #[serde(default)]
    pub leans_on: Vec<Name>,
}

impl Settings {
    /// From a configuration.
    pub fn from_config(c: &Config) -> Settings {
        let limit =
            |which: Builtin| c.rules.iter().find(|r| r.test == Test::Builtin(which) && r.enabled).and_then(|r| r.limit);
        let plain = |name: &Name, title: &str| Thing { name: name.clone(), title: title.into(), leans_on: vec![] };
        let mut things = vec![];
        for p in &c.programs {
            things.push(Thing { name: p.name.clone(), title: p.title.clone(), leans_on: p.leans_on.clone() });
        }
        for d in &c.devices {
            things.push(Thing { name: d.name.clone(), title: d.title.clone(), leans_on: d.leans_on.clone() });
        }
        if let Some(f) = &c.frames {
            things.push(Thing { name: f.name.clone(), title: f.title.clone(), leans_on: f.leans_on.clone() });
        }
        for l in &c.links {
            things.push(Thing { name: l.name.clone(), title: l.title.clone(), leans_on: l.leans_on.clone() });
        }
        things.extend(c.interfaces.iter().map(|i| plain(&i.name, &i.title)));
        things.extend(c.disks.iter().map(|d| plain(&d.name, &d.title)));
        things.extend(c.sensors.iter().map(|s| plain(&s.name, &s.title)));
        things.extend(c.logs.iter().map(|l| plain(&l.name, &l.title)));
        // Parts of the chain stand first, in the order of the chain: what the others lean on is read first.
        let place = |t: &Thing| c.session.chain.iter().position(|n| *n == t.name).unwrap_or(usize::MAX);
        things.sort_by_key(place);
        Settings {
            field: c.field.clone(),
            zone: c.stated_zone().unwrap_or_default().into(),
            scale: c.temperatures,
            site: c.site.as_ref().map(|s| (s.latitude, s.longitude, s.elevation)),
            dark_below: c.site.as_ref().map_or(12.0, |s| s.dark_below),
            things,
            chain: c.session.chain.clone(),
            box_hot: limit(Builtin::BoxTooHot),
            box_cold: limit(Builtin::BoxCold),
            dew_margin: limit(Builtin::DewMarginSmall),
        }
    }

    /// From the configuration of the agent on this machine: where that names no zone, the machine's own is written down, so that a
    /// copy of the store is read in the zone of its nights and not in that of the reader.
    pub fn here(c: &Config) -> Settings {
        Settings::from_config(c).with_zone_here()
    }

    /// Where no zone is named, this machine's is, if it has a name.
    pub fn with_zone_here(mut self) -> Settings {
        let own = TimeZone::system();
        if self.zone.is_empty() && !own.is_unknown() {
            self.zone = zone_name(&own).unwrap_or_default();
        }
        self
    }

    /// For the detail of an event, under [`KEPT_AS`].
    pub fn to_json(&self) -> serde_json::Value {
        serde_json::to_value(self).unwrap_or_default()
    }

    /// From the detail of an event; none if it is something else.
    pub fn from_json(v: &serde_json::Value) -> Option<Settings> {
        v.is_object().then(|| serde_json::from_value(v.clone()).ok()).flatten()
    }

    /// The zone of local times; an unknown name falls back to the system's zone.
    pub fn time_zone(&self) -> TimeZone {
        zone_or_here(Some(&self.zone))
    }

    /// What the person calls a thing or signal; where that is not known, words made from the name.
    pub fn title(&self, name: &Name) -> String {
        let thing = name.thing();
        match self.things.iter().find(|t| t.name == thing) {
            Some(t) if !t.title.is_empty() => t.title.clone(),
            _ => plain_title(&thing),
        }
    }

    /// What a thing leans on, as configured.
    pub fn leans_on(&self, name: &Name) -> &[Name] {
        self.things.iter().find(|t| t.name == *name).map_or(&[], |t| t.leans_on.as_slice())
    }
}

/// The zone in which people on this machine read times: the one that the configuration states, else the system's.
pub fn zone_here(c: &Config) -> TimeZone {
    zone_or_here(c.stated_zone())
}

fn zone_or_here(named: Option<&str>) -> TimeZone {
    named.and_then(zone_named).unwrap_or_else(TimeZone::system)
}

/// Words for a name nobody gave a title to: `program.mount` is "mount program", `device.main-camera` "main camera".
pub fn plain_title(name: &Name) -> String {
    let own = name.own().replace(['-', '_'], " ");
    match (name.kind(), name.own()) {
        ("machine", _) => "the machine".into(),
        ("agent", _) => "the agent".into(),
        ("store", _) => "the store".into(),
        ("program", _) => format!("{own} program"),
        ("link", "gateway") => "gateway".into(),
        ("link", _) => format!("link to {own}"),
        ("disk", _) => format!("{own} disk"),
        ("interface", own) => own.into(),
        ("dew", own) => format!("dew {own}"),
        ("temperature", _) => format!("{own} temperature"),
        ("humidity", _) => format!("{own} humidity"),
        ("load", _) | ("pressure", "cpu") => "processor".into(),
        ("pressure", "io") => "disks".into(),
        ("memory", _) | ("pressure", _) => "memory".into(),
        ("clock", _) => "clock".into(),
        _ => own,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_come_back_and_older_ones_can_be_read() {
        let s = Settings::from_config(&Config::default());
        let back: Settings = serde_json::from_str(&serde_json::to_string(&s).unwrap()).unwrap();
        assert_eq!(back, s);
        assert_eq!(s.box_hot, Some(45.0));
        assert!(serde_json::from_str::<Settings>(r#"{"field": "orchard pier"}"#).is_ok());
    }

    #[test]
    fn names_without_a_title_are_worded() {
        for (name, said) in [
            ("program.mount", "mount program"),
            ("device.main-camera", "main camera"),
            ("link.house.loss", "link to house"),
            ("interface.wlan0", "wlan0"),
            ("disk.root", "root disk"),
        ] {
            assert_eq!(Settings::default().title(&Name::new(name).unwrap()), said);
        }
    }
}
