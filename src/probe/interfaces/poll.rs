//! Counters of the interfaces from `/proc/net/dev`, and their state from `/sys/class/net` as a cross-check.

use super::Board;
use crate::model::{Name, SignalDef, SignalId, Span, Stamp, Unit, Why, WhyCode};
use crate::probe::kept::Kept;
use crate::probe::take::Rate;
use crate::probe::{Gauge, Lane, Probe, Setup, Take, literal, parse};
use std::sync::Arc;

/// The state is looked at this often; the kernel's events tell of changes at once.
const LOOK_EVERY: Span = Span::secs(5);

/// The counters that matter of a line of `/proc/net/dev`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes received and sent.
    pub bytes: [u64; 2],
    /// Errors in both directions.
    pub errors: u64,
    /// Dropped in both directions.
    pub drops: u64,
}

/// The counters behind `name:`; none for a torn line.
pub fn counts(rest: &[u8]) -> Option<Counts> {
    let mut f = [0; 16];
    let mut n = 0;
    for (slot, field) in f.iter_mut().zip(parse::fields(rest)) {
        *slot = parse::unsigned(field)?;
        n += 1;
    }
    (n == 16).then(|| Counts {
        bytes: [f[0], f[8]],
        errors: f[2].saturating_add(f[10]),
        drops: f[3].saturating_add(f[11]),
    })
}

/// The line of an interface, without its name.
pub fn line<'a>(text: &'a [u8], device: &str) -> Option<&'a [u8]> {
    parse::lines(text).find_map(|l| {
        let rest = parse::trim(l).strip_prefix(device.as_bytes())?;
        rest.strip_prefix(b":")
    })
}

struct One {
    device: String,
    truth: Gauge,
    rates: [(Gauge, Rate); 4],
    operstate: Kept,
    carrier: Kept,
}

/// The probe.
pub struct Counters {
    name: Name,
    period: Span,
    board: Arc<Board>,
    dev: Kept,
    all: Vec<One>,
    looked: Option<Stamp>,
}

impl Counters {
    /// Reads the counters of the board's interfaces.
    pub fn new(s: &Setup<'_>, board: Arc<Board>) -> Counters {
        let all = board
            .states()
            .iter()
            .map(|st| {
                let i = &st.interface;
                let g = |q: &str, unit, res, what: &str| {
                    let def = SignalDef::new(i.name.quantity(q), unit, res, format!("{}: {what}", i.title));
                    (Gauge::new(&s.signals, def.within(0.0, 1e13)), Rate::default())
                };
                let file = |f: &str| Kept::whole(s.roots.path(format!("sys/class/net/{}/{f}", i.device)));
                One {
                    device: i.device.clone(),
                    truth: st.truth.clone(),
                    rates: [
                        g("received", Unit::BytesPerSecond, 10.0, "bytes received"),
                        g("sent", Unit::BytesPerSecond, 10.0, "bytes sent"),
                        g("errors", Unit::PerSecond, 0.1, "transmission errors"),
                        g("drops", Unit::PerSecond, 0.1, "packets dropped"),
                    ],
                    operstate: file("operstate"),
                    carrier: file("carrier"),
                }
            })
            .collect();
        Counters {
            name: literal("probe.interface-counters"),
            period: s.cycle(),
            board,
            dev: Kept::new(s.roots.path("proc/net/dev")),
            all,
            looked: None,
        }
    }
}

/// Up as the kernel's documents define it (operstates.rst): `up`, or `unknown` with a carrier for drivers that tell no
/// state.
fn is_up(one: &mut One) -> Result<bool, Why> {
    let state = one.operstate.read().map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => Why::new(WhyCode::Absent, format!("there is no interface `{}`", one.device)),
        _ => Why::from_io("operstate", &e),
    })?;
    match parse::trim(state) {
        b"up" => Ok(true),
        // Reading the carrier of an interface that is switched off is an error.
        b"unknown" => Ok(one.carrier.read().is_ok_and(|c| parse::unsigned(c) == Some(1))),
        b"down" | b"lowerlayerdown" | b"dormant" | b"notpresent" | b"testing" => Ok(false),
        _ => Err(Why::new(WhyCode::Garbled, "operstate: not a state that the kernel documents")),
    }
}

impl Probe for Counters {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        self.period
    }
    fn deadline(&self) -> Span {
        Span::secs(3)
    }
    fn lane(&self) -> Lane {
        Lane::Shared
    }
    fn signals(&self) -> Vec<SignalId> {
        self.all
            .iter()
            .flat_map(|o| std::iter::once(&o.truth).chain(o.rates.iter().map(|r| &r.0)))
            .map(Gauge::id)
            .collect()
    }
    fn recover(&mut self) {
        self.all.iter_mut().for_each(|o| o.rates.iter_mut().for_each(|r| r.1.reset()));
    }

    fn take(&mut self, out: &mut Take<'_>) {
        let look = self.looked.is_none_or(|t| out.at().boot - t.boot >= LOOK_EVERY);
        if look {
            self.looked = Some(out.at());
        }
        let text = self.dev.read();
        for o in &mut self.all {
            let at = out.at();
            let known = self.board.states().iter().find(|s| s.interface.device == o.device).and_then(|s| s.up);
            if look || known.is_none() {
                match is_up(o) {
                    Ok(up) => {
                        if let Some((e, _)) = self.board.set(&o.device, up, at, LOOK_EVERY, "no carrier") {
                            out.event(e);
                        }
                        out.truth(&o.truth, up);
                    }
                    // One that was there and is gone is down, not unknown.
                    Err(why) if why.code == WhyCode::Absent && known.is_some() => {
                        if let Some((e, _)) = self.board.set(&o.device, false, at, LOOK_EVERY, "the interface is gone")
                        {
                            out.event(e);
                        }
                        out.truth(&o.truth, false);
                    }
                    Err(why) => out.unavailable(&o.truth, why),
                }
            } else if let Some(up) = known {
                out.truth(&o.truth, up);
            }
            let found = match &text {
                Ok(text) => match line(text, &o.device) {
                    Some(rest) => {
                        counts(rest).ok_or_else(|| Why::new(WhyCode::Garbled, "/proc/net/dev: the line is torn"))
                    }
                    None => Err(Why::new(WhyCode::Absent, format!("there is no interface `{}`", o.device))),
                },
                Err(e) => Err(Why::from_io("/proc/net/dev", e)),
            };
            match found {
                Ok(c) => {
                    for ((g, rate), n) in o.rates.iter_mut().zip([c.bytes[0], c.bytes[1], c.errors, c.drops]) {
                        out.either(g, rate.step(at, n));
                    }
                }
                Err(why) => {
                    for (g, rate) in &mut o.rates {
                        rate.reset();
                        out.unavailable(g, why.clone());
                    }
                }
            }
        }
    }
}
