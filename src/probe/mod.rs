//! Takes readings. The only room that touches the operating system, one file per kind of probe.
//!
//! A value that cannot be read is a reading *unavailable, because …*: never zero, never absent in silence. Knows nothing of
//! rules, alarms or the store.
//!
//! # Adding a probe
//!
//! 1. One file here. In it a struct that holds its [`Gauge`]s (one per signal: unit, resolution and range are stated once,
//!    and every value is rounded and range-checked by it), its kept-open files ([`kept::Kept`]) and what it must remember.
//! 2. `pub fn probes(s: &Setup) -> Vec<Box<dyn Probe>>` makes it from the configuration (none, if nothing asks for it).
//! 3. `impl Probe`: its name, how often it runs, how long it may take, and its [`Lane`]. [`Lane::Shared`] only for what
//!    reads kernel memory (procfs, sysfs of the network): it must never block. All else ([`Lane::Own`]) gets a thread of its
//!    own. `signals` lists what is known beforehand, so that a probe that hangs in its first run leaves no signal silent.
//! 4. `pub fn found(roots: &Roots) -> Vec<Found>` for the look around the machine.
//! 5. One line in [`all`] and one in `FINDERS`.
//!
//! Parsers take bytes and are pure ([`parse`]); each has a property test that no bytes make it panic or give a value outside
//! its stated range. Files are found through [`Roots`], so that a test can use a made-up tree. What waits for the kernel or
//! the network instead of being asked (process exit, link changes, hot-plug, echo) is a [`Source`]: a task on the agent's
//! runtime that sends through an [`Outlet`] and never blocks its thread.

pub mod beat;
pub mod boot;
#[cfg(target_os = "linux")]
pub mod chain;
#[cfg(target_os = "linux")]
pub mod clock_state;
#[cfg(target_os = "linux")]
pub mod components;
pub mod devices;
pub mod disks;
#[cfg(not(target_os = "linux"))]
pub mod elsewhere;
pub mod files;
pub mod found;
pub mod frames;
pub mod graphics;
pub mod kept;
#[cfg(target_os = "linux")]
pub mod kernel;
#[cfg(target_os = "linux")]
pub mod kernel_log;
pub mod lines;
pub mod look_rights;
pub mod machine;
pub mod outlet;
pub mod parse;
pub mod poke;
pub mod reach;
pub mod roots;
pub mod sensors;
pub mod storage;
#[cfg(target_os = "linux")]
pub mod sweep;
pub mod take;
pub mod text_log;

pub mod installed;
#[cfg(target_os = "linux")]
pub mod interfaces;
pub mod links;
#[cfg(target_os = "linux")]
pub mod memory;
#[cfg(target_os = "linux")]
pub mod power;
#[cfg(target_os = "linux")]
pub mod pressure;
#[cfg(target_os = "linux")]
pub mod processor;
pub mod programs;
#[cfg(target_os = "linux")]
pub mod wifi;

#[cfg(test)]
pub mod testing;

#[cfg(not(target_os = "linux"))]
pub use elsewhere::interfaces_in_use;
pub use found::{Found, Group, look};
#[cfg(target_os = "linux")]
pub use interfaces::in_use as interfaces_in_use;
pub use outlet::{Observation, Outlet};
pub use poke::Poke;
pub use roots::Roots;
pub use take::{Gauge, Take};

use crate::clock::SharedClock;
use crate::config::Config;
use crate::model::{Name, SignalId, Signals, Span, Why};
use std::future::Future;
use std::pin::Pin;

/// Where a probe runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lane {
    /// On the one worker thread that takes all of these in turn: only kernel memory is read.
    Shared,
    /// On a thread of its own, since it may block: files of others, sensors, disks, commands.
    Own,
}

/// Something that is asked for readings every so often.
pub trait Probe: Send {
    /// `probe.processor`
    fn name(&self) -> &Name;
    /// How often it is asked.
    fn period(&self) -> Span;
    /// How long one run may take before the probe counts as stuck. Nothing waits for it in the meantime.
    fn deadline(&self) -> Span;
    /// Where it runs.
    fn lane(&self) -> Lane;
    /// Signals known beforehand: they become unavailable when the probe hangs or fails, even in its first run.
    fn signals(&self) -> Vec<SignalId>;
    /// One run. At most one is under way. A panic in it is caught, told and followed by `recover` and another try.
    fn take(&mut self, out: &mut Take<'_>);
    /// How others may ask for a run before its time; none: they may not.
    fn poke(&self) -> Option<Poke> {
        None
    }
    /// After a panic: throws away whatever may be half made.
    fn recover(&mut self) {}
}

/// A future that a [`Source`] runs.
pub type Running<'a> = Pin<Box<dyn Future<Output = Why> + Send + 'a>>;

/// Something that waits for the kernel or the network and sends what it hears. Runs on the agent's runtime and must not
/// block it.
pub trait Source: Send {
    /// `probe.interfaces`
    fn name(&self) -> &Name;
    /// Signals known beforehand: they become unavailable while the source is down.
    fn signals(&self) -> Vec<SignalId>;
    /// Runs until it can do no more, and says why. It is then run again, with back-off. A panic is caught and told.
    fn run(&mut self, out: Outlet) -> Running<'_>;
}

/// What probes are made from.
#[derive(Clone)]
pub struct Setup<'a> {
    /// The configuration.
    pub config: &'a Config,
    /// Where files are looked for.
    pub roots: Roots,
    /// The table of signals.
    pub signals: Signals,
    /// The clock.
    pub clock: SharedClock,
}

impl Setup<'_> {
    /// Period of what is cheap to read: the agent's cycle.
    pub fn cycle(&self) -> Span {
        self.config.agent.every.max(Span(100))
    }

    /// Whether this one is wanted: it may be left out by the configuration, and then has no signals either.
    pub fn wants(&self, probe: &str) -> bool {
        !self.config.agent.leave_out.iter().any(|l| l == probe)
    }
}

/// Everything that takes readings.
#[derive(Default)]
pub struct All {
    /// What is asked.
    pub probes: Vec<Box<dyn Probe>>,
    /// What tells of itself.
    pub sources: Vec<Box<dyn Source>>,
}

impl All {
    /// Adds what another one holds.
    pub fn extend(&mut self, more: All) {
        self.probes.extend(more.probes);
        self.sources.extend(more.sources);
    }
}

/// The probes and sources that this configuration asks for on this system.
pub fn all(s: &Setup<'_>) -> All {
    let mut a = All::default();
    let changes = links::Changes::default();
    #[cfg(target_os = "linux")]
    {
        a.probes.extend(processor::probes(s));
        a.probes.extend(pressure::probes(s));
        a.probes.extend(memory::probes(s));
        a.extend(interfaces::all(s, &changes));
        a.extend(wifi::all(s));
        a.probes.extend(components::probes(s));
        a.probes.extend(clock_state::probes(s));
        if s.wants("power") {
            a.probes.extend(power::probes(s));
        }
        if s.wants("storage") {
            a.probes.extend(storage::probes(s));
        }
    }
    #[cfg(not(target_os = "linux"))]
    a.probes.extend(elsewhere::probes(s));
    let heard = programs::Heard::default();
    #[cfg(target_os = "linux")]
    {
        if s.wants("kernel-log") {
            a.extend(kernel_log::all(s, &heard));
        }
        if s.wants("every-program") {
            a.sources.extend(sweep::sources(s));
        }
    }
    a.extend(programs::all(s, heard));
    a.sources.extend(links::sources(s, &changes));
    a.probes.extend(machine::probes(s));
    a.probes.extend(disks::probes(s));
    a.extend(devices::all(s));
    a.probes.extend(sensors::probes(s));
    a.probes.extend(frames::probes(s));
    a.probes.extend(text_log::probes(s));
    a.sources.extend(sensors::sources(s));
    a
}

/// What can look around for things to watch.
type Finder = fn(&Roots) -> Vec<Found>;

const FINDERS: &[Finder] = &[
    sensors::look::found,
    devices::look::found,
    frames::look::found,
    text_log::look::found,
    machine::found,
    graphics::found,
    disks::found,
    #[cfg(target_os = "linux")]
    clock_state::found,
    #[cfg(target_os = "linux")]
    power::found,
    #[cfg(target_os = "linux")]
    kernel_log::found,
    #[cfg(target_os = "linux")]
    processor::found,
    #[cfg(target_os = "linux")]
    pressure::found,
    #[cfg(target_os = "linux")]
    memory::found,
    #[cfg(target_os = "linux")]
    programs::found,
    links::found,
    #[cfg(target_os = "linux")]
    interfaces::found,
];

/// A name that is written in the source.
pub(crate) fn literal(n: &str) -> Name {
    Name::new(n).expect("a literal that is a name")
}
