//! The signals of a watched program.

use super::roll::Roll;
use crate::model::{Name, SignalDef, Signals, Unit, Why, WhyCode};
use crate::probe::{Gauge, Take};

/// The gauges of one program.
pub struct Gauges {
    /// Runs or not.
    pub truth: Gauge,
    /// Processor use.
    pub cpu: Gauge,
    /// Resident memory.
    pub memory: Gauge,
    /// Threads.
    pub threads: Gauge,
    /// Open files.
    pub files: Gauge,
    /// Time since its start.
    pub uptime: Gauge,
    /// Starts after an end.
    pub restarts: Gauge,
    /// In an uninterruptible wait.
    pub waiting: Gauge,
    /// Only for a program with signs of life.
    pub alive: Option<Gauge>,
}

impl Gauges {
    /// Registers them.
    pub fn new(s: &Signals, thing: &Name, title: &str, truth: Gauge, signs: bool) -> Gauges {
        let g = |q: &str, unit, res, high, what: &str| {
            Gauge::new(s, SignalDef::new(thing.quantity(q), unit, res, format!("{title}: {what}")).within(0.0, high))
        };
        Gauges {
            truth,
            cpu: g("cpu", Unit::Percent, 0.1, 102_400.0, "processor use, in shares of one core"),
            memory: g("memory", Unit::Bytes, 65_536.0, 1e18, "resident memory"),
            threads: g("threads", Unit::Count, 1.0, 1e9, "threads"),
            files: g("open-files", Unit::Count, 1.0, 1e9, "open files, counted every 10 s"),
            uptime: g("uptime", Unit::Seconds, 1.0, 1e10, "time since its start"),
            restarts: g("restarts", Unit::Count, 1.0, 1e9, "starts after an end, since the agent started"),
            waiting: Gauge::truth(s, thing.quantity("waiting"), format!("{title}: stuck in an uninterruptible wait")),
            alive: signs.then(|| g("alive-age", Unit::Seconds, 0.1, 1e10, "time since the last sign of life")),
        }
    }
    /// All that exist only while it runs.
    pub fn running(&self) -> impl Iterator<Item = &Gauge> {
        [&self.cpu, &self.memory, &self.threads, &self.files, &self.uptime, &self.waiting]
            .into_iter()
            .chain(&self.alive)
    }
    /// All of them.
    pub fn all(&self) -> impl Iterator<Item = &Gauge> {
        [&self.truth, &self.restarts].into_iter().chain(self.running())
    }
}

/// Judges the sign "processor time advances" and tells the age of the last sign.
pub fn alive(roll: &Roll, i: usize, g: &Gauges, busy_ms: i64, out: &mut Take<'_>) {
    let Some(gauge) = &g.alive else { return };
    let mut events = vec![];
    let age = {
        let mut all = roll.entries();
        let e = &mut all[i];
        for s in &mut e.signs {
            events.extend(s.processor(out.at(), busy_ms).map(|t| t.event(&e.program.name, &e.program.title)));
        }
        e.signs.iter().map(|s| s.age(out.at())).max()
    };
    events.into_iter().for_each(|e| out.event(e));
    match age {
        Some(age) => out.known(gauge, age.as_secs_f64()),
        None => out.unavailable(gauge, Why::new(WhyCode::NotYet, "no sign has been looked for yet")),
    }
}
