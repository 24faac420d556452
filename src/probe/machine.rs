//! The machine itself: uptime, steps of the wall clock, sleep.
//!
//! A step is told when the wall clock and the time since boot disagree by more than half a second from one run to the next;
//! slow corrections by a time server stay far below. Sleep is the time that the since-boot clock counts and the monotonic
//! clock does not (clock_gettime(2)).

use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, boot, literal};
use crate::model::{BootMs, Event, EventKind, Name, SignalDef, SignalId, Span, Stamp, Unit};
use std::time::Instant;

/// Smaller disagreements are no step and no sleep.
const LEAST: i64 = 500;

/// Tells steps and sleep from one look to the next. Pure.
#[derive(Clone, Copy, Debug, Default)]
pub struct Watch {
    last: Option<(Stamp, i64)>,
}

/// What has happened between two looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Happened {
    /// The wall clock was set forward (or back, if negative) by so much.
    pub step: Option<Span>,
    /// The machine slept for so long.
    pub slept: Option<Span>,
}

impl Watch {
    /// A look at the clocks; `awake_ms` is a clock that stands still while the machine sleeps.
    pub fn look(&mut self, now: Stamp, awake_ms: i64) -> Happened {
        let Some((then, awake_then)) = self.last.replace((now, awake_ms)) else { return Happened::default() };
        let passed = now.boot - then.boot;
        let step = (now.wall - then.wall) - passed;
        let slept = passed - Span(awake_ms.saturating_sub(awake_then));
        Happened { step: (step.0.saturating_abs() > LEAST).then_some(step), slept: (slept.0 > LEAST).then_some(slept) }
    }
}

struct Machine {
    name: Name,
    period: Span,
    uptime: Gauge,
    step: Gauge,
    watch: Watch,
    began: Instant,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let uptime = SignalDef::new(literal("machine.uptime"), Unit::Seconds, 1.0, "time since the machine started");
    let step =
        SignalDef::new(literal("clock.step"), Unit::Seconds, 0.1, "how far the wall clock was set since the last look");
    vec![Box::new(Machine {
        name: literal("probe.machine"),
        period: s.cycle(),
        uptime: Gauge::new(&s.signals, uptime.within(0.0, 1e10)),
        step: Gauge::new(&s.signals, step),
        watch: Watch::default(),
        began: Instant::now(),
    })]
}

impl Probe for Machine {
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
        vec![self.uptime.id(), self.step.id()]
    }
    fn take(&mut self, out: &mut Take<'_>) {
        // The clocks are read one after the other; all in one place, so that nothing lies between.
        let now = out.touch();
        let awake = i64::try_from(self.began.elapsed().as_millis()).unwrap_or(i64::MAX);
        let h = self.watch.look(now, awake);
        out.known(&self.uptime, (now.boot - BootMs(0)).as_secs_f64());
        out.known(&self.step, h.step.map_or(0.0, Span::as_secs_f64));
        if let Some(step) = h.step {
            let way = if step.0 > 0 { "forward" } else { "back" };
            let text = format!("the wall clock was set {way} by {}", Span(step.0.abs()));
            let e = Event::new(now, literal("machine.this"), EventKind::ClockStep, text);
            out.event(e.within(self.period).with("by_ms", step.0));
        }
        if let Some(slept) = h.slept {
            let e = Event::new(
                now,
                literal("machine.this"),
                EventKind::Suspended,
                format!("the machine slept for {slept}"),
            );
            out.event(e.within(self.period).with("for_ms", slept.0));
        }
    }
}

/// What the look around says.
pub fn found(_roots: &Roots) -> Vec<Found> {
    let up = crate::clock::since_boot() - BootMs(0);
    let id = boot::boot_id();
    let note = if id.is_empty() { String::new() } else { format!(", this start is {id}") };
    vec![Found::plain(Group::Machine, "the machine: starts, clock steps, sleep", format!("up for {up}{note}"))]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::UnixMs;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    fn at(wall: i64, boot: i64) -> Stamp {
        Stamp::new(UnixMs(wall), BootMs(boot))
    }

    #[test]
    fn steps_and_sleep_are_told_apart() {
        let mut w = Watch::default();
        assert_eq!(w.look(at(5_000_000, 0), 0), Happened::default());
        // A slow correction and a late look are neither.
        assert_eq!(w.look(at(5_001_400, 1_000), 1_000), Happened::default());
        assert_eq!(w.look(at(5_011_400, 11_000), 11_000), Happened::default());
        let h = w.look(at(5_012_400 + 3_600_000, 12_000), 12_000);
        assert_eq!(h, Happened { step: Some(Span::hours(1)), slept: None });
        assert_eq!(w.look(at(5_013_400, 13_000), 13_000).step, Some(Span::hours(-1)));
        // An hour of sleep moves the wall clock and the since-boot clock alike.
        let h = w.look(at(5_014_400 + 3_600_000, 14_000 + 3_600_000), 14_000);
        assert_eq!(h, Happened { step: None, slept: Some(Span::hours(1)) });
    }

    #[test]
    fn a_step_is_an_event_and_a_reading() {
        let b = Bench::new(&[]);
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert_eq!((b.value("machine.uptime"), b.value("clock.step")), (Some(1001.0), Some(0.0)));
        b.clock.step_wall(-3_600_000);
        b.run(&mut p);
        let e = b.events();
        assert!(e.iter().any(|e| e.kind == EventKind::ClockStep && e.detail["by_ms"] == -3_600_000), "{e:?}");
        assert_eq!(b.value("clock.step"), Some(-3600.0));
    }

    proptest! {
        #[test]
        fn no_clock_makes_it_panic(looks in proptest::collection::vec((any::<i64>(), any::<i64>(), any::<i64>()), 2..6)) {
            let mut w = Watch::default();
            for (a, b, c) in looks {
                w.look(at(a, b), c);
            }
        }
    }
}
