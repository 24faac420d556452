//! Text logs of other programs: a program that lives while its talk with a device is dead often says so in its log, and nowhere
//! else.
//!
//! Each configured log is followed; a line that fits one of the person's patterns is an event, with what the pattern means and
//! what its named groups hold. Nothing is ever written or locked there.

pub mod follow;
pub mod look;

use super::{Gauge, Lane, Probe, Setup, Take};
use crate::config::model::TextLog;
use crate::model::{BootMs, Event, EventKind, Name, SignalId, Span, Why, WhyCode};
use follow::Follow;
use regex::Regex;

/// A log is looked at this often.
const PERIOD: Span = Span::secs(1);
/// Longest part of a line that is kept with an event, in characters.
const KEPT: usize = 300;
/// So many lines of one pattern are told in one minute; the others are counted.
const MOST: u32 = 10;

struct Pattern {
    regex: Regex,
    means: String,
    broken: Option<bool>,
    /// Begin of the minute, told in it, held back since.
    told: (BootMs, u32, u64),
}

/// The probe of one log.
struct LogProbe {
    name: Name,
    log: Name,
    title: String,
    thing: Name,
    follow: Follow,
    patterns: Vec<Pattern>,
    /// What the log said last: nothing broken. Only for logs with a pattern that says so.
    well: Option<Gauge>,
    state: Option<bool>,
    last: Option<BootMs>,
}

/// One probe for each configured log that has a pattern.
pub fn probes(s: &Setup<'_>) -> Vec<Box<dyn Probe>> {
    let make = |l: &TextLog| -> Option<Box<dyn Probe>> {
        // The configuration has been checked with the same limits.
        let patterns: Vec<Pattern> = l
            .patterns
            .iter()
            .filter_map(|p| {
                let regex = regex::RegexBuilder::new(&p.regex).size_limit(1 << 20).build().ok()?;
                Some(Pattern { regex, means: p.means.clone(), broken: p.broken, told: Default::default() })
            })
            .collect();
        if patterns.is_empty() {
            return None;
        }
        let mut follow = Follow::new(s.roots.clone(), &l.path, l.encoding.as_deref());
        if l.path.contains(['*', '?']) {
            // A folder may hold the logs of years.
            follow.look_every = 5;
        }
        let says = patterns.iter().any(|p| p.broken.is_some());
        Some(Box::new(LogProbe {
            name: Name::from_parts("probe", &l.name.as_str().replace('.', "-")),
            log: l.name.clone(),
            title: l.title.clone(),
            thing: l.of.clone().unwrap_or_else(|| l.name.clone()),
            follow,
            patterns,
            well: says
                .then(|| Gauge::truth(&s.signals, l.name.clone(), format!("{}: says of nothing broken", l.title))),
            state: None,
            last: None,
        }))
    };
    s.config.logs.iter().filter_map(make).collect()
}

impl Pattern {
    /// Whether one more may be told, and how many were held back before it.
    fn may_tell(&mut self, at: BootMs) -> Option<u64> {
        let (from, told, held) = &mut self.told;
        if *told == 0 || at - *from >= Span::mins(1) {
            (*from, *told) = (at, 0);
        }
        if *told >= MOST {
            *held += 1;
            return None;
        }
        *told += 1;
        Some(std::mem::take(held))
    }
}

fn shortened(t: &str) -> String {
    let clean = |c: char| if c.is_control() { ' ' } else { c };
    t.chars().take(KEPT).map(clean).collect::<String>().trim().to_string()
}

impl Probe for LogProbe {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        PERIOD
    }
    fn deadline(&self) -> Span {
        Span::secs(10)
    }
    fn lane(&self) -> Lane {
        Lane::Own
    }
    fn signals(&self) -> Vec<SignalId> {
        self.well.iter().map(Gauge::id).collect()
    }

    fn take(&mut self, out: &mut Take<'_>) {
        let at = out.at();
        // A line may have been written at any time since the last look.
        let within = self.last.replace(at.boot).map_or(PERIOD, |l| at.boot - l);
        let LogProbe { follow, patterns, log, title, thing, state, .. } = self;
        let mut events = vec![];
        let went = follow.go(|line| {
            // The first pattern that fits counts, in the order in which they are written.
            let Some((p, c)) = patterns.iter_mut().find_map(|p| {
                let c = p.regex.captures(line)?;
                let groups: Vec<(String, String)> = p
                    .regex
                    .capture_names()
                    .flatten()
                    .filter_map(|n| Some((n.to_string(), shortened(c.name(n)?.as_str()))))
                    .collect();
                Some((p, groups))
            }) else {
                return;
            };
            let turned = p.broken.is_some() && *state != p.broken;
            *state = p.broken.or(*state);
            // A change is always told; repetitions within limits.
            let held = p.may_tell(at.boot);
            if held.is_none() && !turned {
                return;
            }
            let groups = c.iter().map(|(n, v)| format!("{n} {v}")).collect::<Vec<_>>().join(", ");
            let text = if groups.is_empty() { p.means.clone() } else { format!("{} ({groups})", p.means) };
            let mut e = Event::new(at, thing.clone(), EventKind::LogLine, text)
                .within(within)
                .with("class", p.means.as_str())
                .with("log", log.as_str())
                .with("line", shortened(line));
            if let Some(b) = p.broken {
                e = e.with("broken", b);
            }
            if let Some(n) = held.filter(|n| *n > 0) {
                e = e.with("held_back", n);
            }
            for (n, v) in c {
                // What is documented cannot be overwritten by a group of the same name.
                e.detail.entry(n).or_insert_with(|| v.into());
            }
            events.push(e);
        });
        events.into_iter().for_each(|e| out.event(e));
        let why = match went {
            Ok(w) => {
                if w.skipped > 0 {
                    tracing::warn!(log = %log, bytes = w.skipped, "the log grew faster than it could be read; a part was skipped");
                }
                None
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                Some(Why::new(WhyCode::Absent, format!("{title}: no such file yet")))
            }
            Err(e) => Some(Why::from_io(title, &e)),
        };
        if let Some(g) = &self.well {
            match (why, self.state) {
                (Some(why), _) => out.unavailable(g, why),
                (None, Some(broken)) => out.truth(g, !broken),
                (None, None) => {
                    out.unavailable(g, Why::new(WhyCode::NotYet, "no line has said yet whether something is broken"));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::model::LogPattern;
    use crate::probe::testing::Bench;
    use std::io::Write;

    fn bench() -> Bench {
        let mut b = Bench::new(&[("logs/guiding-1.txt", "old: star lost\n")]);
        let pattern =
            |regex: &str, means: &str, broken| LogPattern { regex: regex.into(), means: means.into(), broken };
        b.config.logs = vec![TextLog {
            name: crate::probe::literal("log.guiding"),
            title: "guiding log".into(),
            path: "/logs/guiding-*.txt".into(),
            of: Some(crate::probe::literal("program.guiding")),
            encoding: None,
            patterns: vec![
                pattern("(?i)device lost: (?P<device>\\w+) after (?P<line>\\d+)", "device lost", Some(true)),
                pattern("(?i)star lost", "guiding lost", Some(true)),
                pattern("(?i)resumed", "guiding restored", Some(false)),
                pattern("(?i)temperature", "temperature told", None),
            ],
        }];
        b
    }

    fn append(b: &Bench, text: &str) {
        let p = b.root().join("logs/guiding-1.txt");
        std::fs::OpenOptions::new().append(true).open(p).unwrap().write_all(text.as_bytes()).unwrap();
    }

    #[test]
    fn lines_become_events_with_what_they_name() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        assert!(b.events().is_empty(), "what was there before is no news");
        assert_eq!(b.why("log.guiding"), Some(WhyCode::NotYet));
        append(&b, "22:01 Device lost: camera after 7\n22:02 nothing\n");
        b.run(&mut p);
        let e = &b.events()[0];
        assert_eq!((e.thing.as_str(), e.kind, e.within), ("program.guiding", EventKind::LogLine, Span::secs(1)));
        assert_eq!(e.text, "device lost (device camera, line 7)");
        assert_eq!((e.detail["device"].as_str(), e.detail["broken"].as_bool()), (Some("camera"), Some(true)));
        assert_eq!(e.detail["line"], "22:01 Device lost: camera after 7", "a group cannot take the place of the line");
        assert_eq!(b.value("log.guiding"), Some(0.0));
        append(&b, "22:03 Resumed\n22:04 temperature 3\n");
        b.run(&mut p);
        let classes: Vec<_> = b.events().iter().map(|e| e.detail["class"].clone()).collect();
        assert_eq!(classes, ["guiding restored", "temperature told"]);
        assert_eq!(b.value("log.guiding"), Some(1.0));
        std::fs::remove_dir_all(b.root().join("logs")).unwrap();
        for _ in 0..5 {
            b.run(&mut p);
        }
        assert_eq!(b.why("log.guiding"), Some(WhyCode::Absent));
    }

    #[test]
    fn a_line_that_is_repeated_for_ever_is_told_a_few_times() {
        let b = bench();
        let mut p = b.probes(probes);
        b.run(&mut p);
        append(&b, &"star lost\n".repeat(5000));
        append(&b, "resumed\n");
        b.run(&mut p);
        assert_eq!(b.events().len(), MOST as usize + 1);
        assert_eq!(b.value("log.guiding"), Some(1.0));
        append(&b, "star lost\n");
        b.run(&mut p);
        assert_eq!(b.events().len(), 1, "a change is always told");
        for _ in 0..60 {
            b.run(&mut p);
        }
        append(&b, "star lost\n");
        b.run(&mut p);
        assert_eq!(b.events()[0].detail["held_back"].as_u64(), Some(4991));
    }
}
