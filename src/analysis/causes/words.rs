//! One plain sentence about each signal, counts of nights first.

use super::result::{Cause, Direction, Verdict};
use crate::analysis::dew;
use crate::analysis::season::{SEASON_DAY, SINCE_START};
use crate::config::model::TemperatureScale;
use crate::model::Unit;

impl Cause {
    /// The sentence in the person's unit.
    pub fn say(&self, scale: TemperatureScale) -> String {
        let kind = self.kind.map_or(String::new(), |k| format!(" ({} faults)", k.word()));
        let Some(at) = self.threshold else {
            return format!(
                "{}{kind}: it hardly differed between hours, so nothing can be told of it.",
                head(&self.what)
            );
        };
        let level = level(at, self.unit, scale);
        let (bad, good) = sides(self);
        let n = self.nights;
        let counts = if self.signal.as_str() == SINCE_START {
            let (b, w) = (&self.rate_beyond, &self.rate_within);
            format!(
                "{bad} ({} {level}): {} in {:.0} hours; {good}: {} in {:.0} hours",
                if self.direction == Direction::Above { "after" } else { "before" },
                many(b.faults, "fault"),
                b.hours,
                w.faults,
                w.hours
            )
        } else {
            format!(
                "{bad} ({} {level}): trouble on {} of {}; {good}: {} of {}",
                if self.direction == Direction::Below { "below" } else { "from" },
                n.beyond_trouble,
                many(n.beyond, "night"),
                n.within_trouble,
                n.within
            )
        };
        format!("{}{kind}, {counts}. {}", head(&self.what), self.meaning())
    }

    fn meaning(&self) -> String {
        let others = || self.moved_with.join(" and ");
        match self.verdict {
            Verdict::GoesWithFaults => "The faults go with it; that is no proof that it causes them.".into(),
            Verdict::Inseparable => {
                format!(
                    "The faults go with it, but it moved together with {}: these nights cannot tell which it is.",
                    others()
                )
            }
            Verdict::Season => {
                "It changed with the season, and so did the faults: the two cannot be told apart.".into()
            }
            Verdict::WorthWatching if !self.inseparable_from.is_empty() => {
                format!("Worth watching; it moved together with {}.", others())
            }
            Verdict::WorthWatching => "Worth watching; among so many signals this can still be chance.".into(),
            Verdict::NoSign => "No sign: a threefold rate on either side is excluded.".into(),
            Verdict::NotEnoughNights if self.power_twelvefold >= 0.5 => {
                "Not enough nights: a twelvefold rate would probably have shown, a threefold one is not excluded yet."
                    .into()
            }
            Verdict::NotEnoughNights => "Not enough nights: even a twelvefold rate could have been missed.".into(),
        }
    }
}

/// Capital first letter.
fn head(what: &str) -> String {
    let mut c = what.chars();
    c.next().map_or(String::new(), |f| f.to_uppercase().chain(c).collect())
}

/// `1 night`, `3 nights`.
pub(in crate::analysis) fn many(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn sides(c: &Cause) -> (&'static str, &'static str) {
    let below = c.direction == Direction::Below;
    let (low, high) = match (c.signal.as_str(), c.unit) {
        (SINCE_START, _) => ("early", "late"),
        (SEASON_DAY, _) => ("earlier in the season", "later"),
        (_, Unit::Celsius) => ("cold", "warm"),
        (_, Unit::Dbm) => ("weak", "strong"),
        _ => ("low", "high"),
    };
    if below { (low, high) } else { (high, low) }
}

/// A value with its unit, in the person's scale of temperature.
pub(in crate::analysis) fn level(value: f64, unit: Unit, scale: TemperatureScale) -> String {
    let (v, symbol) = match (unit, scale) {
        (Unit::Celsius, TemperatureScale::Fahrenheit) => (dew::fahrenheit(value), "°F"),
        (Unit::Hours, _) => (value, "hours"),
        (Unit::Days, _) => (value, "days"),
        _ => (value, unit.symbol()),
    };
    let text = format!("{v:.1}").replace('-', "−");
    let text = if text == "−0.0" { "0.0".into() } else { text };
    if symbol.is_empty() { text } else { format!("{text} {symbol}") }
}
