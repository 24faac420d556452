//! Whether the wall clock is set by a source of time, how far off it is, and who sets it.
//!
//! The kernel itself is asked (adjtimex(2)), which holds whatever program keeps the clock: all of the usual ones tell it. Steps
//! of the clock are [`super::machine`]'s.

use super::kernel::{self, WallClock};
use super::{Found, Gauge, Group, Lane, Probe, Roots, Setup, Take, literal, parse};
use crate::model::{Event, EventKind, Name, SignalDef, SignalId, Span, Stamp, Unit, Why, WhyCode};
use std::io;

const EVERY: Span = Span::secs(10);
/// Who keeps the clock is looked for this often.
const KEEPER_EVERY: Span = Span::mins(10);
/// Programs that keep a clock, as the process table shows them (at most 15 letters).
const KEEPERS: [&str; 7] = ["systemd-timesyn", "chronyd", "ntpd", "ntpd-rs-daemon", "connmand", "phc2sys", "ptp4l"];

type Ask = Box<dyn FnMut() -> io::Result<WallClock> + Send>;

struct ClockState {
    name: Name,
    roots: Roots,
    synchronised: Gauge,
    offset: Gauge,
    bound: Gauge,
    ask: Ask,
    last: Option<bool>,
    looked: Option<Stamp>,
    keeper: Option<String>,
}

/// The probe.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    vec![Box::new(ClockState::new(s, Box::new(kernel::wall_clock)))]
}

/// The program that keeps the clock; none if none of the known ones runs.
pub fn keeper(roots: &Roots) -> Option<String> {
    let dir = std::fs::read_dir(roots.path("proc")).ok()?;
    let mut found: Vec<String> = dir
        .flatten()
        .filter(|e| e.file_name().as_encoded_bytes().iter().all(u8::is_ascii_digit))
        .filter_map(|e| std::fs::read(e.path().join("comm")).ok())
        .map(|b| parse::text(&b))
        .filter(|c| KEEPERS.contains(&c.as_str()))
        .collect();
    found.sort();
    found.dedup();
    (!found.is_empty()).then(|| found.join(" and "))
}

impl ClockState {
    fn new(s: &Setup<'_>, ask: Ask) -> ClockState {
        let seconds = |n: &str, low, what: &str| {
            Gauge::new(&s.signals, SignalDef::new(literal(n), Unit::Seconds, 0.001, what).within(low, 1e6))
        };
        ClockState {
            name: literal("probe.clock"),
            roots: s.roots.clone(),
            synchronised: Gauge::truth(
                &s.signals,
                literal("clock.synchronised"),
                "the clock is set by a source of time",
            ),
            offset: seconds("clock.offset", -1e6, "correction of the clock still to be made"),
            bound: seconds("clock.error-bound", 0.0, "the clock is right to within this"),
            ask,
            last: None,
            looked: None,
            keeper: None,
        }
    }

    fn look_for_keeper(&mut self, out: &mut Take<'_>) {
        let at = out.at();
        if self.looked.is_some_and(|t| at.boot - t.boot < KEEPER_EVERY) {
            return;
        }
        let first = self.looked.replace(at).is_none();
        let now = keeper(&self.roots);
        let was = std::mem::replace(&mut self.keeper, now.clone());
        if !first && was != now {
            let word = |k: Option<String>| k.unwrap_or_else(|| "nothing".into());
            let (was, now) = (word(was), word(now));
            let text = format!("the clock is now kept by {now}, before by {was}");
            let e = Event::new(at, literal("machine.this"), EventKind::Changed, text).within(KEEPER_EVERY);
            out.event(e.with("what", "keeper of the clock").with("old", was).with("new", now));
        }
    }
}

/// Why the kernel did not answer.
fn closed(e: &io::Error) -> Why {
    match e.kind() {
        io::ErrorKind::PermissionDenied | io::ErrorKind::Unsupported => Why::new(
            WhyCode::Refused,
            "the service's filter of system calls leaves the clock's state out: the drop-in clock-state.conf grants it",
        ),
        _ => Why::from_io("the clock's state", e),
    }
}

impl Probe for ClockState {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        EVERY
    }
    fn deadline(&self) -> Span {
        Span::secs(3)
    }
    fn lane(&self) -> Lane {
        Lane::Shared
    }
    fn signals(&self) -> Vec<SignalId> {
        [&self.synchronised, &self.offset, &self.bound].map(Gauge::id).to_vec()
    }
    fn take(&mut self, out: &mut Take<'_>) {
        self.look_for_keeper(out);
        let c = match (self.ask)() {
            Ok(c) => c,
            Err(e) => {
                out.all_unavailable([&self.synchronised, &self.offset, &self.bound], &closed(&e));
                return;
            }
        };
        out.truth(&self.synchronised, c.synchronised);
        if self.last.replace(c.synchronised) == Some(false) && c.synchronised {
            let by = (c.offset * 1000.0).round() as i64;
            let text = format!("the clock is now set by a source of time, right to within {:.3} s", c.error_bound);
            let e = Event::new(out.at(), literal("machine.this"), EventKind::ClockSynchronised, text);
            out.event(e.within(EVERY).with("by_ms", by));
        }
        if c.synchronised {
            out.known(&self.offset, c.offset);
            out.known(&self.bound, c.error_bound);
        } else {
            let by = self.keeper.as_ref().map_or("nothing that this program knows of keeps it".into(), |k| {
                format!("{k} runs, but has found no source of time")
            });
            let why = Why::new(WhyCode::Absent, format!("the clock is not synchronised, so nobody knows: {by}"));
            out.all_unavailable([&self.offset, &self.bound], &why);
        }
    }
}

/// What the look around says.
pub fn found(roots: &Roots) -> Vec<Found> {
    let by = keeper(roots).map_or("nothing that this program knows of keeps it".into(), |k| format!("kept by {k}"));
    let note = match kernel::wall_clock() {
        Err(e) => closed(&e).text.to_string(),
        Ok(c) if c.synchronised => format!("synchronised, right to within {:.3} s, {by}", c.error_bound),
        Ok(_) => format!(
            "not synchronised, {by}: a field PC without network keeps its time by a battery-backed clock or a receiver"
        ),
    };
    vec![Found::plain(Group::Machine, "the clock: synchronised or not, how far off", note)]
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;
    use std::sync::{Arc, Mutex};

    fn bench(answer: Arc<Mutex<io::Result<WallClock>>>) -> (Bench, Vec<Box<dyn Probe>>) {
        let b = Bench::new(&[("proc/71/comm", "chronyd\n"), ("proc/72/comm", "x\n"), ("proc/self/comm", "ntpd\n")]);
        let ask = move || match &*answer.lock().unwrap() {
            Ok(c) => Ok(*c),
            Err(e) => Err(e.kind().into()),
        };
        let p: Box<dyn Probe> = b.probes(|s| Box::new(ClockState::new(s, Box::new(ask))) as Box<dyn Probe>);
        (b, vec![p])
    }

    const SET: WallClock = WallClock { synchronised: true, offset: -0.0123, error_bound: 0.25 };

    #[test]
    fn synchronised_or_not_or_not_to_be_known() {
        let answer = Arc::new(Mutex::new(Ok(WallClock { synchronised: false, ..SET })));
        let (b, mut p) = bench(answer.clone());
        b.run(&mut p);
        assert_eq!(b.value("clock.synchronised"), Some(0.0));
        assert!(b.why_text("clock.offset").contains("chronyd runs, but has found no source"));
        *answer.lock().unwrap() = Ok(SET);
        b.run(&mut p);
        assert_eq!((b.value("clock.synchronised"), b.value("clock.offset")), (Some(1.0), Some(-0.012)));
        assert_eq!(b.value("clock.error-bound"), Some(0.25));
        assert_eq!(b.events().iter().map(|e| e.kind).collect::<Vec<_>>(), [EventKind::ClockSynchronised]);
        b.run(&mut p);
        assert!(b.events().is_empty());
        *answer.lock().unwrap() = Err(io::ErrorKind::PermissionDenied.into());
        b.run(&mut p);
        assert_eq!(b.why("clock.synchronised"), Some(WhyCode::Refused));
        assert!(b.why_text("clock.synchronised").contains("clock-state.conf"));
        b.remove("proc/71/comm");
        b.clock.advance(600_000);
        b.run(&mut p);
        assert_eq!(b.events()[0].text, "the clock is now kept by nothing, before by chronyd");
    }

    /// The same call by another way, from the C library through an interpreter.
    #[test]
    fn the_kernel_says_the_same_to_others() {
        let code = "import ctypes as c; b = c.create_string_buffer(512); print(c.CDLL(None).adjtimex(b))";
        let out = std::process::Command::new("python3").args(["-c", code]).output().unwrap();
        let state: i32 = String::from_utf8(out.stdout).unwrap().trim().parse().unwrap();
        match kernel::wall_clock() {
            // TIME_ERROR is 5 (adjtimex(2)).
            Ok(c) => assert_eq!(c.synchronised, state != 5),
            Err(_) => assert_eq!(state, -1),
        }
    }

    proptest! {
        #[test]
        fn no_answer_panics_or_leaves_the_range(synchronised in any::<bool>(), offset in any::<f64>(), error_bound in any::<f64>()) {
            let (b, mut p) = bench(Arc::new(Mutex::new(Ok(WallClock { synchronised, offset, error_bound }))));
            b.run(&mut p);
            b.all_in_range();
        }
    }
}
