//! Logging: readable on a terminal, one JSON object a line under the journal, and sparing when a thing fails again and again.

use crate::clock::since_boot;
use crate::model::BootMs;
use std::collections::HashMap;
use std::fmt::{self, Write as _};
use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use tracing::{Event, Subscriber, field::Visit};
use tracing_subscriber::fmt::format::{self, FormatEvent, FormatFields, Writer};
use tracing_subscriber::fmt::{FmtContext, time::FormatTime};
use tracing_subscriber::registry::LookupSpan;
use tracing_subscriber::{EnvFilter, Layer, layer::SubscriberExt, util::SubscriberInitExt};

/// Lines of one kind that pass at once before they are held back.
const AT_ONCE: u32 = 3;
/// After this long a line of a held-back kind passes again, and tells how many were not shown.
const HOLD_MS: i64 = 600_000;
/// Kinds of lines that are remembered; the one seen longest ago is forgotten first.
const KINDS: usize = 256;

/// Starts logging to standard error. `TILLDAWN_LOG` sets the level (`info` without it; `tilldawn=debug` tells more).
pub fn start() {
    let filter =
        EnvFilter::try_from_env("TILLDAWN_LOG").unwrap_or_else(|_| EnvFilter::new("info,rusqlite_migration=warn"));
    // The service manager sets this variable when standard error goes to its journal.
    let layer = if std::env::var_os("JOURNAL_STREAM").is_some() {
        tracing_subscriber::fmt::layer()
            .with_writer(std::io::stderr)
            .fmt_fields(format::JsonFields::new())
            .event_format(Sparing::new(format::format().json().flatten_event(true), true))
            .boxed()
    } else {
        let plain = format::format().with_target(false).with_timer(LocalTime);
        tracing_subscriber::fmt::layer()
            .with_writer(std::io::stderr)
            .with_ansi(std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none())
            .event_format(Sparing::new(plain, false))
            .boxed()
    };
    // A second start in one process (tests) keeps the first.
    let _ = tracing_subscriber::registry().with(filter).with(layer).try_init();
}

/// Local wall time to the second, as a person at a terminal wants it.
struct LocalTime;

impl FormatTime for LocalTime {
    fn format_time(&self, w: &mut Writer<'_>) -> fmt::Result {
        write!(w, "{}", jiff::ZonedDateTime::now().strftime("%Y-%m-%d %H:%M:%S"))
    }
}

/// Passes lines to `inner`, but of lines that say the same only a few at once and then one in ten minutes.
struct Sparing<F> {
    inner: F,
    json: bool,
    ledger: Mutex<Ledger>,
}

impl<F> Sparing<F> {
    fn new(inner: F, json: bool) -> Sparing<F> {
        Sparing { inner, json, ledger: Mutex::default() }
    }
}

/// What was said how often.
#[derive(Default)]
struct Ledger(HashMap<String, Said>);

struct Said {
    since: BootMs,
    last: BootMs,
    passed: u32,
    held: u64,
}

impl Ledger {
    /// Whether a line of this kind passes at `now`, and how many were held back since the last one.
    fn passes(&mut self, kind: String, now: BootMs) -> Option<u64> {
        if self.0.len() >= KINDS
            && !self.0.contains_key(&kind)
            && let Some(oldest) = self.0.iter().min_by_key(|(_, s)| s.last).map(|(k, _)| k.clone())
        {
            self.0.remove(&oldest);
        }
        let s = self.0.entry(kind).or_insert(Said { since: now, last: now, passed: 0, held: 0 });
        s.last = now;
        if (now - s.since).0 >= HOLD_MS {
            let held = std::mem::take(&mut s.held);
            // A kind that was held back stays on a short leash until it has been quiet for a whole stretch.
            (s.since, s.passed) = (now, if held > 0 { AT_ONCE } else { 1 });
            return Some(held);
        }
        if s.passed < AT_ONCE {
            s.passed += 1;
            return Some(0);
        }
        s.held += 1;
        None
    }
}

/// The text of an event with its numbers left out: what makes two lines "the same".
#[derive(Default)]
struct Kind(String);

impl Visit for Kind {
    fn record_debug(&mut self, field: &tracing::field::Field, value: &dyn fmt::Debug) {
        let _ = write!(self.0, "{}=", field.name());
        let from = self.0.len();
        let _ = write!(self.0, "{value:?}");
        let said: String = self.0.drain(from..).filter(|c| !c.is_ascii_digit()).take(200).collect();
        self.0.push_str(&said);
        self.0.push(' ');
    }
}

impl<S, N, F> FormatEvent<S, N> for Sparing<F>
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
    F: FormatEvent<S, N>,
{
    fn format_event(&self, cx: &FmtContext<'_, S, N>, mut out: Writer<'_>, event: &Event<'_>) -> fmt::Result {
        let mut kind = Kind(event.metadata().target().into());
        event.record(&mut kind);
        let held = {
            // Counts stay sound whatever panicked elsewhere.
            let mut ledger = self.ledger.lock().unwrap_or_else(PoisonError::into_inner);
            match ledger.passes(kind.0, since_boot()) {
                Some(held) => held,
                None => return Ok(()),
            }
        };
        if held == 0 {
            return self.inner.format_event(cx, out, event);
        }
        let mut line = String::new();
        self.inner.format_event(cx, Writer::new(&mut line), event)?;
        let line = line.trim_end();
        match line.strip_suffix('}').filter(|_| self.json) {
            Some(open) => writeln!(out, "{open},\"not_shown\":{held}}}"),
            None => writeln!(out, "{line} (and {held} more like it, not shown)"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn repeated_lines_are_held_back_and_counted() {
        let mut l = Ledger::default();
        let mut shown = 0;
        let mut told = 0;
        // Once a second for an hour.
        for s in 0..3600 {
            if let Some(held) = l.passes("disk full".into(), BootMs(s * 1000)) {
                shown += 1;
                told += held;
            }
        }
        assert_eq!(shown, 3 + 5, "three at once, then one in ten minutes");
        assert!(told > 2900, "{told}");
        assert_eq!(l.passes("another thing".into(), BootMs(3_600_000)), Some(0), "other lines are not held back");
    }

    #[test]
    fn the_ledger_stays_small() {
        let mut l = Ledger::default();
        for i in 0..10_000 {
            assert_eq!(l.passes(format!("kind {i}"), BootMs(i)), Some(0));
        }
        assert!(l.0.len() <= KINDS);
    }
}
