//! The plan: the configuration compiled into what the engine judges by.

use crate::config::Config;
use crate::model::{Span, UnixMs};
use jiff::tz::TimeZone;

/// What the engine judges by.
#[derive(Clone, Debug)]
pub struct Plan {
    dark: Vec<(UnixMs, UnixMs)>,
    zone: TimeZone,
    pub(crate) learned: Learned,
}

/// What earlier nights taught.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Learned {
    /// Box temperature below which faults came, °C; none: nothing learned.
    pub box_cold: Option<f64>,
    /// Longest pause between light frames in fault-free sessions; none: nothing learned.
    pub longest_pause: Option<Span>,
}

impl Plan {
    /// Compiles a configuration. `dark`: dark stretches around now (empty without a site); `zone`: for rules by clock time.
    pub fn from_config(_c: &Config, dark: Vec<(UnixMs, UnixMs)>, zone: TimeZone) -> Plan {
        let mut p = Plan { dark: vec![], zone, learned: Learned::default() };
        p.set_dark(dark);
        p
    }

    /// Takes new dark stretches.
    pub fn set_dark(&mut self, mut dark: Vec<(UnixMs, UnixMs)>) {
        dark.retain(|d| d.0 < d.1);
        dark.sort_unstable();
        self.dark = dark;
    }

    /// The dark stretches.
    pub fn dark(&self) -> &[(UnixMs, UnixMs)] {
        &self.dark
    }

    /// The zone of clock times.
    pub fn zone(&self) -> &TimeZone {
        &self.zone
    }
}
