//! From a raw number to a value that can be believed: scale, unit, offset, plausible range, largest jump, frozen, silent. Pure.

use super::Raw;
use crate::config::model::Sensor;
use crate::model::{Span, Stamp, Why, WhyCode};

/// A new level is believed once this many readings in a row agree with each other.
const AGREEING: u32 = 3;

/// What is remembered of one sensor.
#[derive(Clone, Debug)]
pub struct Judge {
    scale: f64,
    fahrenheit: bool,
    offset: f64,
    plausible: (f64, f64),
    largest_jump: f64,
    frozen_after: Option<Span>,
    silent_after: Span,
    /// The last believed value.
    last: Option<f64>,
    /// A level that was not believed yet, and how many readings in a row were near it.
    other: Option<(f64, u32)>,
    /// The last raw number and since when it has been the same.
    same: Option<(f64, Stamp)>,
}

impl Judge {
    /// For this sensor.
    pub fn new(s: &Sensor) -> Judge {
        Judge {
            scale: s.scale,
            fahrenheit: s.fahrenheit,
            offset: s.offset,
            plausible: s.plausible,
            largest_jump: s.largest_jump,
            frozen_after: s.frozen_after,
            silent_after: s.silent_after,
            last: None,
            other: None,
            same: None,
        }
    }

    /// The value in the sensor's unit, or why the raw number cannot be one.
    ///
    /// # Errors
    /// The source's own reason, silent, not a number, outside the plausible range, a jump that was not confirmed, frozen.
    pub fn judge(&mut self, at: Stamp, raw: Result<Raw, Why>) -> Result<f64, Why> {
        let raw = raw?;
        if raw.age > self.silent_after {
            let text = format!("nothing new has arrived for {} (limit {})", raw.age, self.silent_after);
            return Err(Why::new(WhyCode::Silent, text));
        }
        if !raw.number.is_finite() {
            return Err(Why::new(WhyCode::Garbled, "the source gave no finite number"));
        }
        let scaled = raw.number * self.scale;
        // t/°C = (t/°F − 32) / 1.8, exact by definition of the Fahrenheit scale.
        let v = if self.fahrenheit { (scaled - 32.0) / 1.8 } else { scaled } + self.offset;
        let (low, high) = self.plausible;
        if !(low..=high).contains(&v) {
            let text = format!("`{v:.2}` is outside the plausible range {low} to {high}");
            return Err(Why::new(WhyCode::OutOfRange, text));
        }
        self.jump(v)?;
        self.frozen(at, raw.number)?;
        self.last = Some(v);
        Ok(v)
    }

    fn jump(&mut self, v: f64) -> Result<(), Why> {
        let Some(last) = self.last else { return Ok(()) };
        if (v - last).abs() <= self.largest_jump {
            self.other = None;
            return Ok(());
        }
        let agreeing = match self.other {
            Some((level, n)) if (v - level).abs() <= self.largest_jump => n + 1,
            _ => 1,
        };
        if agreeing >= AGREEING {
            // Moved to another place, or the sensor was plugged in again: the new level is real.
            self.other = None;
            return Ok(());
        }
        self.other = Some((v, agreeing));
        let text = format!("jumped from {last:.2} to {v:.2}, more than {} at once", self.largest_jump);
        Err(Why::new(WhyCode::Jumped, text))
    }

    fn frozen(&mut self, at: Stamp, raw: f64) -> Result<(), Why> {
        match self.same {
            // The very same number: a real sensor's last digit moves.
            Some((was, since)) if was.to_bits() == raw.to_bits() => {
                let lasting = at.boot - since.boot;
                if let Some(limit) = self.frozen_after
                    && lasting >= limit
                {
                    return Err(Why::new(WhyCode::Frozen, format!("has read exactly the same for {lasting}")));
                }
            }
            _ => self.same = Some((raw, at)),
        }
        Ok(())
    }
}
