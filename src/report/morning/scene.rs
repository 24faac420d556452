//! The scene of one fault: what the rules for likely reasons look at.

use super::rows::{Figures, NightRows, figures, lead};
use super::unusual::{Finding, Unusual};
use crate::model::incident::Member;
use crate::model::{Event, EventKind, Incident, Name, Span, UnixMs};
use crate::report::say;
use serde_json::Value;

/// A fault with the record around it.
#[derive(Clone, Copy, Debug)]
pub struct Scene<'a> {
    /// The night.
    pub rows: &'a NightRows,
    /// The incident.
    pub incident: &'a Incident,
    /// The earliest instant at which it can have begun.
    pub at: UnixMs,
    /// What stood out before.
    pub unusual: Option<&'a Unusual>,
}

impl<'a> Scene<'a> {
    /// What failed first; an incident always has a first member, a broken record may not.
    pub fn first(&self) -> Option<&'a Member> {
        self.incident.members.first()
    }

    /// What the person calls the thing that failed first.
    pub fn title(&self) -> String {
        self.first().map_or_else(|| self.incident.kind.word().to_string(), |m| self.rows.settings.title(&m.thing))
    }

    /// The ten minutes before.
    pub fn lead(&self) -> (UnixMs, UnixMs) {
        lead(self.at)
    }

    /// Figures of a signal over the ten minutes before.
    pub fn before(&self, signal: &str) -> Option<Figures> {
        let (from, to) = self.lead();
        self.over(signal, from, to)
    }

    /// Figures of a signal over a stretch.
    pub fn over(&self, signal: &str, from: UnixMs, to: UnixMs) -> Option<Figures> {
        self.rows.signal(signal).and_then(|m| figures(&m.minutes, from, to))
    }

    /// Every signal of a kind and quantity, such as all `program.….cpu`, with its figures before.
    pub fn all_before(&self, kind: &str, quantity: Option<&str>) -> Vec<(&'a Name, Figures)> {
        let (from, to) = self.lead();
        self.rows
            .signals
            .iter()
            .filter(|(n, _)| n.kind() == kind && n.of_thing() == quantity)
            .filter_map(|(n, m)| figures(&m.minutes, from, to).map(|f| (n, f)))
            .collect()
    }

    /// Events of a kind from `before` ahead of the fault to `after` past it.
    pub fn events(&self, kind: EventKind, before: Span, after: Span) -> impl Iterator<Item = &'a Event> {
        let (from, to) = (self.at - before, self.at + after);
        self.rows.events.iter().filter(move |e| e.kind == kind && e.at.wall >= from && e.at.wall <= to)
    }

    /// Lines of the kernel's own of one of these classes around the fault.
    pub fn kernel_lines(&self, classes: &'static [&'static str], before: Span, after: Span) -> Vec<&'a Event> {
        self.events(EventKind::KernelLine, before, after)
            .filter(|e| e.detail.get("class").and_then(Value::as_str).is_some_and(|c| classes.contains(&c)))
            .collect()
    }

    /// Whether this signal stood out, in this direction.
    pub fn stood_out(&self, signal: &str, high: bool) -> Option<&'a Finding> {
        self.unusual?.findings.iter().find(|f| f.signal.as_str() == signal && f.high == high)
    }

    /// Whether a signal had any known value in the hour before.
    pub fn was_measured(&self, signal: &str) -> bool {
        self.over(signal, self.at - Span::hours(1), self.at).is_some()
    }

    /// Local clock time with seconds.
    pub fn clock(&self, at: UnixMs) -> String {
        say::clock_s(at, &self.rows.settings.time_zone())
    }

    /// A temperature in the scale that people chose.
    pub fn celsius(&self, v: f64) -> String {
        say::value(v, crate::model::Unit::Celsius, 0.1, self.rows.settings.scale)
    }

    /// A member of one of these kinds of things.
    pub fn member(&self, kinds: &[&str]) -> Option<&'a Member> {
        self.incident.members.iter().find(|m| kinds.contains(&m.thing.kind()))
    }
}

/// A finding as evidence: "higher than in all but 1 of 140 comparable ten minutes".
pub fn rank_words(f: &Finding) -> String {
    let way = if f.high { "higher" } else { "lower" };
    match f.as_extreme {
        0 => format!("{way} than in all {} comparable ten minutes", f.of),
        k => format!("as {} in {k} of {} comparable ten minutes", if f.high { "high" } else { "low" }, f.of),
    }
}
