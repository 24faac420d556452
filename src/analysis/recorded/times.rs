//! Times as loggers write them.

use super::Layout;
use crate::model::UnixMs;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{Timestamp, ToSpan};

/// Reads the times of one file in order; the order tells the two passes of a repeated autumn hour apart.
pub struct Times<'a> {
    layout: &'a Layout,
    last: Option<Timestamp>,
    /// Some time had neither an offset nor a stated zone and was taken as UTC.
    pub took_utc: bool,
    /// Some time fell into the repeated hour and was placed by its order.
    pub repeated: bool,
}

impl<'a> Times<'a> {
    /// For one file.
    pub fn new(layout: &'a Layout) -> Times<'a> {
        Times { layout, last: None, took_utc: false, repeated: false }
    }

    /// One time.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn read(&mut self, text: &str) -> Result<UnixMs, String> {
        let t = self.instant(text.trim())?;
        self.last = Some(t);
        let ms = t.as_millisecond();
        // Within the years that any instrument of this kind can have seen.
        if !(0..=4_102_444_800_000).contains(&ms) {
            return Err(format!("the time `{text}` is not between 1970 and 2100"));
        }
        Ok(UnixMs(ms + self.layout.shift_ms))
    }

    fn instant(&mut self, text: &str) -> Result<Timestamp, String> {
        if text.is_empty() {
            return Err("there is no time".into());
        }
        if let Some(format) = &self.layout.time_format {
            let broken = jiff::fmt::strtime::parse(format, text)
                .map_err(|e| format!("the time `{}` does not fit `{format}`: {e}", short(text)))?;
            if let Ok(t) = broken.to_timestamp() {
                return Ok(t);
            }
            let civil = broken
                .to_datetime()
                .or_else(|_| broken.to_date().map(|d| d.at(0, 0, 0, 0)))
                .map_err(|e| format!("the time `{}` is none: {e}", short(text)))?;
            return self.place(civil, text);
        }
        if let Ok(t) = text.parse::<Timestamp>() {
            return Ok(t);
        }
        // A space for the `T`, as RFC 3339 allows, and a slash between the parts of the date, as many loggers write.
        let plain = text.replacen(' ', "T", 1).replace('/', "-");
        if let Ok(t) = plain.parse::<Timestamp>() {
            return Ok(t);
        }
        let civil = plain.parse::<DateTime>().map_err(|_| {
            format!(
                "`{}` is no time; expected RFC 3339 such as 2026-01-12T22:14:03Z, or say how with --time-format",
                short(text)
            )
        })?;
        self.place(civil, text)
    }

    /// A civil time in the stated zone.
    fn place(&mut self, civil: DateTime, text: &str) -> Result<Timestamp, String> {
        let zone = match &self.layout.zone {
            Some(z) => z.clone(),
            None => {
                self.took_utc = true;
                TimeZone::UTC
            }
        };
        let ambiguous = zone.to_ambiguous_timestamp(civil);
        let is_gap = matches!(ambiguous.offset(), AmbiguousOffset::Gap { .. });
        let is_fold = matches!(ambiguous.offset(), AmbiguousOffset::Fold { .. });
        let wrong = |e: jiff::Error| format!("the time `{}` is none in its zone: {e}", short(text));
        if is_gap {
            return Err(format!("the time `{}` did not exist: the clocks were put forward over it", short(text)));
        }
        if !is_fold {
            return ambiguous.compatible().map_err(wrong);
        }
        self.repeated = true;
        let earlier = ambiguous.earlier().map_err(wrong)?;
        // The first pass of the repeated hour is over once its times start anew.
        let slack = 1.second();
        match self.last {
            Some(last) if earlier + slack <= last => ambiguous.later().map_err(wrong),
            _ => Ok(earlier),
        }
    }
}

fn short(text: &str) -> String {
    let t: String = text.chars().take(40).collect();
    if t.len() < text.len() { format!("{t}…") } else { t }
}
