//! One night of the garden as it unfolds at the pier: who is there at which instant, and what happens when. Pure.

use super::garden::{GardenNight, Step};
use super::pier::Cascade;
use crate::model::{EventKind, Span, UnixMs};
use serde_json::{Value, json};

/// From light frame to light frame.
const PACE: Span = Span::secs(130);
/// Exposure of a light frame, seconds.
const EXPOSURE: f64 = 120.0;
/// After an outage, until all goes its way again.
const AGAIN: Span = Span::mins(9);
/// The programs of the chain, in the order in which they are started.
const CHAIN: [&str; 3] = ["program.mount", "program.guiding", "program.camera"];

/// Something that happens.
#[derive(Clone, Debug)]
pub struct Happening {
    /// When.
    pub at: UnixMs,
    /// To what.
    pub thing: &'static str,
    /// What.
    pub kind: EventKind,
    /// In words.
    pub text: String,
    /// Facts.
    pub detail: Vec<(&'static str, Value)>,
}

/// A stretch in which a thing was away.
#[derive(Clone, Copy, Debug)]
struct Away {
    thing: &'static str,
    from: UnixMs,
    to: UnixMs,
}

/// A night at the pier.
pub struct Evening {
    /// The first light frame is there.
    pub begins: UnixMs,
    /// The programs are closed, or dawn of a night that was lost.
    pub ends: UnixMs,
    /// Faults before the end.
    pub faults: usize,
    steps: Vec<Step>,
    step_ms: f64,
    away: Vec<Away>,
    happenings: Vec<Happening>,
}

fn hours(h: f64) -> Span {
    Span((h.min(1e4) * 3_600_000.0).round() as i64)
}

impl Evening {
    /// Lets the night unfold: `cascades` tells for each fault how it looks.
    pub fn new(n: &GardenNight, cascades: Vec<Cascade>, begins: UnixMs, dawn: UnixMs) -> Evening {
        let planned = (begins + hours(n.hours)).min(dawn - Span::mins(2));
        let mut e = Evening {
            begins,
            ends: planned,
            faults: 0,
            step_ms: n.steps.get(1).map_or(60_000.0, |s| s.at * 3_600_000.0),
            steps: n.steps.clone(),
            away: vec![],
            happenings: vec![],
        };
        for (k, p) in CHAIN.into_iter().enumerate() {
            let up = begins - Span::mins(8) + Span::secs(20 * k as i64);
            e.away.push(Away { thing: p, from: UnixMs(i64::MIN / 4), to: up });
            e.put(up, p, EventKind::ProgramStarted, String::new(), vec![("restart", json!(false))]);
        }
        // Stretches in which the chain was down, for the frames.
        let mut down = vec![];
        let mut lost = false;
        for (f, c) in n.faults.iter().zip(cascades) {
            let at = begins + hours(f.at);
            if at + Span::mins(4) >= planned || lost {
                break;
            }
            // What comes before the first frame after an outage is still the same outage.
            if down.last().is_some_and(|d: &(UnixMs, UnixMs)| at < d.1 + AGAIN) {
                continue;
            }
            e.faults += 1;
            let back = if f.outage.is_finite() { at + hours(f.outage) } else { UnixMs(i64::MAX / 4) };
            lost = back + Span::mins(3) >= planned;
            let back = if lost { UnixMs(i64::MAX / 4) } else { back };
            e.breaks(at, back, c);
            down.push((at, back));
        }
        if lost {
            // Nobody is there to close anything: the session ends at dawn.
            e.ends = dawn + Span::secs(30);
        }
        e.frames(&down, planned);
        if !lost {
            for (k, p) in CHAIN.into_iter().rev().enumerate() {
                let at = planned + Span::secs(10 + 8 * k as i64);
                e.away.push(Away { thing: p, from: at, to: UnixMs(i64::MAX / 4) });
                let detail = vec![("code", json!(0)), ("how", json!("closed"))];
                e.put(at, p, EventKind::ProgramEnded, String::new(), detail);
            }
        }
        e.happenings.sort_by_key(|h| h.at);
        e
    }

    fn put(
        &mut self,
        at: UnixMs,
        thing: &'static str,
        kind: EventKind,
        text: String,
        detail: Vec<(&'static str, Value)>,
    ) {
        self.happenings.push(Happening { at, thing, kind, text, detail });
    }

    fn breaks(&mut self, at: UnixMs, back: UnixMs, c: Cascade) {
        if let Some((class, line)) = c.kernel_line() {
            let detail = vec![("class", json!(class)), ("line", json!(line))];
            self.put(at - Span(3), "machine.this", EventKind::KernelLine, String::new(), detail);
        }
        for (k, b) in c.breaks().into_iter().enumerate() {
            let from = at + b.after;
            // What was first is back first, the programs a little later.
            let to = back + Span::secs(12 * k as i64);
            self.put(from, b.thing, b.kind, b.text.into(), b.detail);
            self.away.push(Away { thing: b.thing, from, to });
            if back.0 < i64::MAX / 8 {
                let kind = match b.kind {
                    EventKind::DeviceLeft => EventKind::DeviceArrived,
                    EventKind::LinkDown => EventKind::LinkUp,
                    _ => EventKind::ProgramStarted,
                };
                let fact = match kind {
                    EventKind::DeviceArrived => ("away_ms", json!((to - from).0)),
                    EventKind::LinkUp => ("down_ms", json!((to - from).0)),
                    _ => ("restart", json!(true)),
                };
                self.put(to, b.thing, kind, String::new(), vec![fact]);
            }
        }
    }

    fn frames(&mut self, down: &[(UnixMs, UnixMs)], until: UnixMs) {
        let mut at = self.begins;
        while at <= until {
            let exposed = (at - Span((EXPOSURE * 1000.0) as i64), at);
            match down.iter().find(|d| d.0 < exposed.1 && d.1 > exposed.0) {
                // The first frame after an outage is begun a minute after all is back.
                Some(d) if d.1 < until => at = d.1 + Span::mins(1) + PACE,
                Some(_) => break,
                None => {
                    let detail = vec![
                        ("light", json!(true)),
                        ("exposure_s", json!(EXPOSURE)),
                        ("path", json!(format!("frame-{}.fits", at.0 / 1000))),
                    ];
                    self.put(at, "frames.main", EventKind::FrameArrived, String::new(), detail);
                    at = at + PACE;
                }
            }
        }
    }

    /// Everything that happens, in order.
    pub fn events(&self) -> Vec<Happening> {
        self.happenings.clone()
    }

    /// The garden at an instant; before the session as at its beginning, after it as at its end.
    pub fn step_at(&self, t: UnixMs) -> Step {
        let i = ((t - self.begins).0 as f64 / self.step_ms.max(1.0)).max(0.0) as usize;
        let mut s = self.steps.get(i).or(self.steps.last()).copied().unwrap_or(Step {
            at: 0.0,
            outside: 0.0,
            dew_point: -5.0,
            inside: 5.0,
            starved: 1.0,
            memory: 50.0,
            radio: -60.0,
            up: false,
        });
        s.up = CHAIN.iter().all(|p| self.is_up(p, t));
        s
    }

    /// Whether a thing is there.
    pub fn is_up(&self, thing: &str, t: UnixMs) -> bool {
        !self.away.iter().any(|a| a.thing == thing && a.from <= t && t < a.to)
    }
}
