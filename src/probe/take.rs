//! What a probe writes its findings into, and the gauge: a registered signal in a probe's hand.

use crate::clock::SharedClock;
use crate::model::{Event, Name, Reading, SignalDef, SignalId, Signals, Span, Stamp, Unit, Value, Why, WhyCode};

/// A registered signal with what is needed to round a value and to refuse an impossible one, without looking it up again.
#[derive(Clone, Debug, PartialEq)]
pub struct Gauge {
    id: SignalId,
    /// Whole steps a unit, or zero when the resolution is no such fraction.
    per: f64,
    step: f64,
    low: f64,
    high: f64,
}

impl Gauge {
    /// Registers the signal and takes it in hand.
    pub fn new(signals: &Signals, def: SignalDef) -> Gauge {
        let per = 1.0 / def.resolution;
        let per = if per >= 1.0 && (per - per.round()).abs() < 1e-9 { per.round() } else { 0.0 };
        let (step, low, high) = (def.resolution, def.low, def.high);
        Gauge { id: signals.register(def), per, step, low, high }
    }

    /// Yes or no.
    pub fn truth(signals: &Signals, name: Name, what: impl Into<String>) -> Gauge {
        Gauge::new(signals, SignalDef::new(name, Unit::Truth, 1.0, what).within(0.0, 1.0))
    }

    /// The signal's number.
    pub fn id(&self) -> SignalId {
        self.id
    }

    /// The value as it may be stored: rounded to the signal's resolution, or why it cannot be right.
    pub fn value(&self, v: f64) -> Value {
        let r = if self.per > 0.0 { (v * self.per).round() / self.per } else { (v / self.step).round() * self.step };
        if !r.is_finite() {
            return Value::Unavailable(Why::new(WhyCode::Garbled, "not a number"));
        }
        if r < self.low || r > self.high {
            let text = format!("`{r}` is outside {} to {}", self.low, self.high);
            return Value::Unavailable(Why::new(WhyCode::OutOfRange, text));
        }
        // Minus zero is shown as "-0" by some views.
        Value::Known(r + 0.0)
    }
}

/// The tray that a probe fills in one run.
pub struct Take<'a> {
    clock: &'a SharedClock,
    /// The table of signals, for quantities that turn up while running.
    pub signals: &'a Signals,
    at: Stamp,
    readings: &'a mut Vec<Reading>,
    events: &'a mut Vec<Event>,
}

impl<'a> Take<'a> {
    /// A tray over two lists that are appended to.
    pub fn new(
        clock: &'a SharedClock,
        signals: &'a Signals,
        readings: &'a mut Vec<Reading>,
        events: &'a mut Vec<Event>,
    ) -> Take<'a> {
        let at = clock.now();
        Take { clock, signals, at, readings, events }
    }

    /// The time of the readings that follow: the start of the run, unless `touch` was called.
    pub fn at(&self) -> Stamp {
        self.at
    }

    /// Sets the time of the readings that follow to now: for probes that take long between their readings.
    pub fn touch(&mut self) -> Stamp {
        self.at = self.clock.now();
        self.at
    }

    /// A value, rounded and checked against the signal's range.
    pub fn known(&mut self, g: &Gauge, v: f64) {
        self.readings.push(Reading { signal: g.id, at: self.at, value: g.value(v) });
    }

    /// Yes or no.
    pub fn truth(&mut self, g: &Gauge, yes: bool) {
        self.known(g, if yes { 1.0 } else { 0.0 });
    }

    /// No value, and why.
    pub fn unavailable(&mut self, g: &Gauge, why: Why) {
        self.readings.push(Reading::unavailable(g.id, self.at, why));
    }

    /// A value, or why there is none.
    pub fn either(&mut self, g: &Gauge, v: Result<f64, Why>) {
        match v {
            Ok(v) => self.known(g, v),
            Err(w) => self.unavailable(g, w),
        }
    }

    /// The same reason for several signals.
    pub fn all_unavailable<'g>(&mut self, gauges: impl IntoIterator<Item = &'g Gauge>, why: &Why) {
        for g in gauges {
            self.unavailable(g, why.clone());
        }
    }

    /// A reading that was made elsewhere.
    pub fn reading(&mut self, r: Reading) {
        self.readings.push(r);
    }

    /// An event.
    pub fn event(&mut self, e: Event) {
        self.events.push(e);
    }
}

/// A counter that only grows, turned into a rate. A counter that went back (restart, wrap) starts anew.
#[derive(Clone, Copy, Debug, Default)]
pub struct Rate {
    last: Option<(Stamp, u64)>,
}

impl Rate {
    /// Counts per second since the last call.
    ///
    /// # Errors
    /// "Not yet" at the first call, after the counter went back, and when no time has passed.
    pub fn step(&mut self, at: Stamp, count: u64) -> Result<f64, Why> {
        let last = self.last.replace((at, count));
        let Some((then, was)) = last else { return Err(not_yet()) };
        let span = at.boot - then.boot;
        if count < was || span <= Span::ZERO {
            return Err(not_yet());
        }
        Ok((count - was) as f64 / span.as_secs_f64())
    }
    /// Forgets the last count.
    pub fn reset(&mut self) {
        self.last = None;
    }
}

/// A difference needs two measurements.
pub fn not_yet() -> Why {
    // The same phrase again and again: kept once.
    static TEXT: std::sync::OnceLock<std::sync::Arc<str>> = std::sync::OnceLock::new();
    Why { code: WhyCode::NotYet, text: TEXT.get_or_init(|| "a rate needs two measurements".into()).clone() }
}

/// What this system does not offer.
pub fn not_offered() -> Why {
    Why::new(WhyCode::Unsupported, "not offered on this system")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, UnixMs};
    use proptest::prelude::*;

    fn gauge(resolution: f64, low: f64, high: f64) -> Gauge {
        let def = SignalDef::new(Name::new("load.cpu").unwrap(), Unit::Percent, resolution, "test").within(low, high);
        Gauge::new(&Signals::new(), def)
    }

    #[test]
    fn values_are_rounded_and_refused_at_the_probe() {
        let g = gauge(0.1, 0.0, 100.0);
        assert_eq!(g.value(14.649), Value::Known(14.6));
        assert_eq!(g.value(100.04), Value::Known(100.0));
        assert_eq!(g.value(100.06).why().unwrap().code, WhyCode::OutOfRange);
        assert_eq!(g.value(f64::NAN).why().unwrap().code, WhyCode::Garbled);
        assert_eq!(gauge(4096.0, 0.0, f64::MAX).value(10_000.0), Value::Known(8192.0));
    }

    #[test]
    fn rates_start_anew_when_the_counter_goes_back() {
        let at = |ms| Stamp::new(UnixMs(0), BootMs(ms));
        let mut r = Rate::default();
        assert_eq!(r.step(at(0), 100).unwrap_err().code, WhyCode::NotYet);
        assert_eq!(r.step(at(2000), 300), Ok(100.0));
        assert!(r.step(at(3000), 5).is_err());
        assert_eq!(r.step(at(4000), 6), Ok(1.0));
        assert!(r.step(at(4000), 7).is_err());
    }

    proptest! {
        #[test]
        fn a_gauge_never_gives_a_value_outside_its_range(v in any::<f64>(), res in prop_oneof![Just(0.1), Just(1.0), Just(0.25), Just(4096.0)]) {
            if let Value::Known(k) = gauge(res, -40.0, 125.0).value(v) {
                prop_assert!((-40.0..=125.0).contains(&k));
            }
        }
    }
}
