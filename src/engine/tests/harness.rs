//! A small language for nights. Each case file in `tests/data/engine/` has three parts, divided by lines of dashes and of
//! equals signs: a configuration, a timeline, and what the engine is expected to say. With `TILLDAWN_REWRITE=1` the third
//! part is written anew, to be read as a change before it is kept.

use crate::config;
use crate::engine::{Engine, EngineState, Plan};
use crate::model::rows::GapRow;
use crate::model::{
    AlarmId, Batch, BootMs, Command, Event, EventKind, Incident, MarkKind, Name, Outcome, Reading, SignalDef, Signals,
    Span, Stamp, Unit, UnixMs, Why, WhyCode,
};
use jiff::tz::TimeZone;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Midnight of the first day, UTC: 2026-01-12.
const DAY0: i64 = 1_768_176_000_000;
const DAY: i64 = 86_400_000;

pub struct Night {
    pub engine: Engine,
    pub signals: Signals,
    pub now: Stamp,
    pub step: Span,
    dark: Vec<(UnixMs, UnixMs)>,
    values: BTreeMap<Name, Result<f64, String>>,
    pub said: String,
    pub incidents: BTreeMap<i64, Incident>,
    pub batches: Vec<Batch>,
    pub outcomes: Vec<Outcome>,
    quiet_notices: bool,
}

pub fn name(t: &str) -> Name {
    Name::new(t).unwrap_or_else(|e| panic!("{e}"))
}

/// `1h`, `90s`, `250ms`, `5m`, `-1h`.
pub fn span(t: &str) -> Span {
    let (sign, t) = t.strip_prefix('-').map_or((1, t), |r| (-1, r));
    let t = t.trim_start_matches('+');
    let cut = t.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(t.len());
    let n: f64 = t[..cut].parse().unwrap_or_else(|_| panic!("`{t}` is no length of time"));
    let unit = match &t[cut..] {
        "ms" => 1.0,
        "s" | "" => 1e3,
        "m" | "min" => 6e4,
        "h" => 3.6e6,
        "d" => 8.64e7,
        u => panic!("`{u}` is no unit of time"),
    };
    Span((n * unit).round() as i64 * sign)
}

fn unit_of(n: &Name) -> (Unit, &'static str) {
    match (n.kind(), n.of_thing()) {
        ("temperature", None) => (Unit::Celsius, if n.own() == "box" { "box" } else { "" }),
        ("dew", _) => (Unit::Kelvin, ""),
        ("program" | "device" | "link" | "interface", None) => (Unit::Truth, ""),
        ("clock", _) if n.own() == "synchronised" => (Unit::Truth, ""),
        ("clock", _) => (Unit::Seconds, ""),
        ("pressure", _) => (Unit::Percent, ""),
        ("memory", _) if n.own() == "kills" => (Unit::Count, ""),
        ("memory", _) => (Unit::Percent, ""),
        ("disk", Some("writable")) => (Unit::Truth, ""),
        ("disk", Some("free")) => (Unit::Bytes, ""),
        ("disk", _) => (Unit::Percent, ""),
        ("link", Some("loss")) => (Unit::Percent, ""),
        (_, Some("since-light" | "alive-age")) => (Unit::Seconds, ""),
        _ => (Unit::None, ""),
    }
}

impl Night {
    pub fn new(toml: &str) -> Night {
        let config = config::parse(toml, None).unwrap_or_else(|e| panic!("{e:?}"));
        let now = Stamp::new(UnixMs(DAY0 + 18 * 3_600_000), BootMs(1_000_000));
        Night {
            engine: Engine::new(Plan::from_config(&config, vec![], TimeZone::UTC), None),
            signals: Signals::new(),
            now,
            step: Span::secs(1),
            dark: vec![],
            values: BTreeMap::new(),
            said: String::new(),
            incidents: BTreeMap::new(),
            batches: vec![],
            outcomes: vec![],
            quiet_notices: true,
        }
    }

    /// A time of day, after the present one.
    fn time(&self, t: &str) -> UnixMs {
        let parts: Vec<f64> =
            t.split(':').map(|p| p.parse().unwrap_or_else(|_| panic!("`{t}` is no time of day"))).collect();
        let ms = parts.iter().zip([3.6e6, 6e4, 1e3]).map(|(p, f)| p * f).sum::<f64>().round() as i64;
        let midnight = DAY0 + (self.now.wall.0 - DAY0).div_euclid(DAY) * DAY;
        UnixMs(if midnight + ms < self.now.wall.0 { midnight + ms + DAY } else { midnight + ms })
    }

    pub fn set(&mut self, signal: &str, v: Result<f64, String>) {
        let n = name(signal);
        let (unit, place) = unit_of(&n);
        self.signals.register(SignalDef::new(n.clone(), unit, 0.001, n.own().to_owned()).at(place));
        self.values.insert(n, v);
    }

    pub fn readings(&self) -> Vec<Reading> {
        self.values
            .iter()
            .map(|(n, v)| {
                let id = self.signals.id(n).unwrap();
                match v {
                    Ok(v) => Reading::known(id, self.now, *v),
                    Err(why) => Reading::unavailable(id, self.now, Why::new(WhyCode::Failed, why.clone())),
                }
            })
            .collect()
    }

    pub fn go(&mut self, events: Vec<Event>) {
        let b = Batch { at: self.now, readings: self.readings(), events };
        let out = self.engine.step(&b, &self.signals);
        self.batches.push(b);
        self.take(out);
    }

    pub fn until(&mut self, wall: UnixMs) {
        while self.now.wall < wall {
            let by = self.step.min(wall - self.now.wall);
            self.now = self.now.plus(by);
            self.go(vec![]);
        }
    }

    fn clock(&self, at: Stamp) -> String {
        let ms = (at.wall.0 - DAY0).rem_euclid(DAY);
        let (h, m, s, f) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000);
        if f == 0 { format!("{h:02}:{m:02}:{s:02}") } else { format!("{h:02}:{m:02}:{s:02}.{f:03}") }
    }

    fn take(&mut self, out: Outcome) {
        for s in out.sessions.iter() {
            let _ = match s.ended {
                None => writeln!(self.said, "{} session {} began: {:?}", self.clock(s.started), s.id, s.why),
                Some(e) => writeln!(self.said, "{} session {} ended: {:?}", self.clock(e), s.id, s.end_why.unwrap()),
            };
        }
        for e in &out.events {
            let code = e.kind.code();
            if !code.starts_with("session_") {
                let _ = writeln!(self.said, "{} event {} {}: {}", self.clock(e.at), code, e.thing, e.text);
            }
        }
        for t in &out.transitions {
            let late = t.announced.boot - t.at.boot;
            let late = if late == Span::ZERO { String::new() } else { format!(" (+{late})") };
            let mut more = format!("alarm {}", t.alarm.0);
            if let Some(i) = t.incident {
                let _ = write!(more, ", incident {i}");
            }
            if t.wakes {
                more += ", wakes";
            }
            let _ = writeln!(
                self.said,
                "{}{late} {} {} {} {}: {} [{more}]",
                self.clock(t.at),
                t.change.code(),
                t.priority.word(),
                t.rule.own(),
                t.thing,
                t.text
            );
        }
        for n in &out.notices {
            if !self.quiet_notices {
                let kind = format!("{:?}", n.kind).to_lowercase();
                let wakes = if n.wakes { " wakes" } else { "" };
                let _ = writeln!(self.said, "{} notice {kind}{wakes}: {}", self.clock(n.at), n.text);
            }
        }
        for a in &out.actions {
            let _ = writeln!(self.said, "{} action {} {}", self.clock(a.at), a.action, if a.on { "on" } else { "off" });
        }
        for i in &out.incidents {
            self.incidents.insert(i.id, i.clone());
        }
        self.outcomes.push(out);
    }

    fn event(&mut self, words: &[&str]) -> Event {
        let mut at = self.now;
        let kind = EventKind::from_code(words[1]).unwrap_or_else(|| panic!("`{}` is no event", words[1]));
        let mut e = Event::new(at, name(words[0]), kind, "");
        for w in &words[2..] {
            let (k, v) = w.split_once('=').unwrap_or_else(|| panic!("`{w}` is no fact"));
            match k {
                "ago" => at = Stamp::new(at.wall - span(v), at.boot - span(v)),
                "within" => e = e.within(span(v)),
                "text" => e.text = v.replace('_', " "),
                _ => {
                    let value = serde_json::from_str(v).unwrap_or_else(|_| serde_json::Value::String(v.into()));
                    e.detail.insert(k.into(), value);
                }
            }
        }
        e.at = at;
        // What is polled agrees with what the kernel told.
        let up = match kind {
            EventKind::ProgramEnded | EventKind::DeviceLeft | EventKind::LinkDown => Some(0.0),
            EventKind::ProgramStarted | EventKind::DeviceArrived | EventKind::LinkUp => Some(1.0),
            _ => None,
        };
        if let (Some(v), Some(old)) = (up, self.values.get_mut(&e.thing)) {
            *old = Ok(v);
        }
        e
    }

    /// One line of a timeline.
    pub fn line(&mut self, line: &str) {
        let words: Vec<&str> = line.split_whitespace().collect();
        match words[0] {
            "start" => {
                self.now = Stamp::new(self.time(words[1]), BootMs(1_000_000));
            }
            "boot" => self.now.boot = BootMs(span(words[1]).0),
            "dark" => {
                let from = self.time(words[1]).0;
                let to = self.time(words[2]).0;
                let to = if to <= from { to + DAY } else { to };
                self.dark = (-2..3).map(|d| (UnixMs(from + d * DAY), UnixMs(to + d * DAY))).collect();
                self.engine.set_dark(self.dark.clone());
            }
            "step" => self.step = span(words[1]),
            "notices" => self.quiet_notices = words[1] == "off",
            "set" => {
                for w in &words[1..] {
                    if let Some(n) = w.strip_prefix('-') {
                        self.values.remove(&name(n));
                    } else if let Some((n, why)) = w.split_once("=!") {
                        self.set(n, Err(why.replace('_', " ")));
                    } else {
                        let (n, v) = w.split_once('=').unwrap_or_else(|| panic!("`{w}` is no value"));
                        self.set(n, Ok(v.parse().unwrap()));
                    }
                }
            }
            "until" => self.until(self.time(words[1])),
            "for" => self.until(self.now.wall + span(words[1])),
            "frames" => {
                // frames EVERY until TIME: light frames at a steady pace, the first one after EVERY.
                let (every, end) = (span(words[1]), self.time(words[3]));
                while self.now.wall + every <= end {
                    self.until(self.now.wall + every);
                    self.line(&format!("light {}", every.0 / 1000));
                }
                self.until(end);
            }
            "light" => {
                let e = Event::new(self.now, name("frames.main"), EventKind::FrameArrived, "")
                    .with("light", true)
                    .with("exposure_s", words[1].parse::<f64>().unwrap());
                self.go(vec![e]);
            }
            "event" => {
                let rest = line.trim_start_matches("event");
                let events: Vec<Event> =
                    rest.split(';').map(|e| self.event(&e.split_whitespace().collect::<Vec<_>>())).collect();
                // A batch is judged no earlier than the last of its events.
                if let Some(last) =
                    events.iter().map(|e| e.at).max_by_key(|a| a.boot).filter(|a| a.boot > self.now.boot)
                {
                    self.now = last;
                }
                self.go(events);
            }
            "wall" => self.now.wall = self.now.wall + span(words[1]),
            "restart" => self.restart(None),
            "gap" => {
                // gap LENGTH WHY [machine clean|unclean]
                let from = self.now;
                self.now = self.now.plus(span(words[1]));
                let machine = words.get(3) == Some(&"machine");
                if machine {
                    self.now.boot = BootMs(20_000);
                }
                let clean = words.get(4).and_then(|w| match *w {
                    "clean" => Some(true),
                    "unclean" => Some(false),
                    _ => None,
                });
                let row = GapRow { from: from.wall, to: self.now.wall, why: words[2].into() };
                self.restart(Some((row, machine, clean)));
            }
            "replan" => panic!("replan is handled by the reader"),
            "command" => {
                let id = |i: usize| words[i].parse::<i64>().unwrap();
                let c = match words[1] {
                    "session_start" => Command::SessionStart,
                    "session_end" => Command::SessionEnd,
                    "acknowledge" if words[2] == "all" => Command::Acknowledge { alarm: None },
                    "acknowledge" => Command::Acknowledge { alarm: Some(AlarmId(id(2))) },
                    "shelve" => Command::Shelve { alarm: AlarmId(id(2)), lasting: span(words[3]) },
                    "unshelve" => Command::Unshelve { alarm: AlarmId(id(2)) },
                    "mark" => Command::Mark {
                        incident: id(2),
                        kind: match words[3] {
                            "cloud" => Some(MarkKind::Cloud),
                            "my_doing" => Some(MarkKind::MyDoing),
                            "test" => Some(MarkKind::Test),
                            "not_a_fault" => Some(MarkKind::NotAFault),
                            _ => None,
                        },
                        words: words[4..].join(" "),
                    },
                    w => panic!("`{w}` is no command"),
                };
                match self.engine.command(self.now, &c, "page") {
                    Ok((out, text)) => {
                        let _ = writeln!(self.said, "{} > {text}", self.clock(self.now));
                        self.take(out);
                    }
                    Err(e) => {
                        let _ = writeln!(self.said, "{} > refused: {e}", self.clock(self.now));
                    }
                }
            }
            "standing" => self.standing(),
            "wakes" => {
                for w in self.engine.standing().wakes {
                    let _ = writeln!(self.said, "    wakes: {w}");
                }
            }
            "say" => {
                let _ = writeln!(self.said, "-- {}", words[1..].join(" "));
            }
            w => panic!("`{w}` is no line of a timeline"),
        }
    }

    /// The engine is stopped and goes on from its stored state.
    fn restart(&mut self, gap: Option<(GapRow, bool, Option<bool>)>) {
        let text = serde_json::to_string(&self.engine.state()).unwrap();
        let state: EngineState = serde_json::from_str(&text).unwrap();
        assert_eq!(state, self.engine.state(), "the state survives its JSON");
        self.engine = Engine::new(self.engine.plan().clone(), Some(state));
        if let Some((row, machine, clean)) = gap {
            let out = self.engine.after_gap(&row, machine, clean, self.now);
            self.take(out);
        }
    }

    pub fn replan(&mut self, toml: &str) {
        let config = config::parse(toml, None).unwrap_or_else(|e| panic!("{e:?}"));
        let out = self.engine.replan(Plan::from_config(&config, self.dark.clone(), TimeZone::UTC), self.now);
        self.take(out);
    }

    fn standing(&mut self) {
        let s = self.engine.standing();
        let _ = writeln!(self.said, "{} {}: {}", self.clock(self.now), s.condition.word(), s.sentence);
        for t in &s.things {
            let why = if t.because.is_empty() { String::new() } else { format!(" ({})", t.because) };
            let _ = writeln!(self.said, "    {} {}{why}", t.thing, t.condition.word());
        }
        for a in &s.alarms {
            let mut more = vec![];
            if !a.standing {
                more.push("over".to_owned());
            }
            if a.acknowledged {
                more.push("acknowledged".into());
            }
            if let Some(u) = a.shelved_until {
                more.push(format!("held back until {}", self.clock(Stamp::new(u, BootMs(0)))));
            }
            if a.chattering {
                more.push("comes and goes".into());
            }
            if a.stale {
                more.push("stale".into());
            }
            let more = if more.is_empty() { String::new() } else { format!(" [{}]", more.join(", ")) };
            let _ = writeln!(self.said, "    alarm {} {} {}{more}", a.alarm.0, a.priority.word(), a.text);
        }
        for t in &s.try_this {
            let _ = writeln!(self.said, "    try: {t}");
        }
    }

    /// The incidents as last handed out.
    pub fn incidents(&self) -> String {
        let mut out = String::new();
        for i in self.incidents.values() {
            let mut facts = vec![i.kind.word().to_owned()];
            facts.push(match i.session {
                Some(s) => format!("session {s}"),
                None => "no session".into(),
            });
            facts.push(i.closed.map_or("open".into(), |c| format!("closed {}", self.clock(c))));
            if !i.order_certain {
                facts.push("order not certain".into());
            }
            if i.harmless {
                facts.push("harmless".into());
            }
            if i.pause_only {
                facts.push("pause".into());
            }
            if let Some(m) = i.mark.as_ref().and_then(|m| m.kind) {
                facts.push(format!("marked {}", m.word()));
            }
            facts.push(if i.is_fault() { "fault".into() } else { "no fault".to_owned() });
            let _ = writeln!(out, "incident {}: {}", i.id, facts.join(", "));
            for m in &i.members {
                let off = m.at.boot - i.opened.boot;
                let until = m.until.map_or(String::new(), |u| format!(" until {}", self.clock(u)));
                let by = format!("{:?}", m.belongs).to_lowercase();
                let alarm = m.alarm.map_or(String::new(), |a| format!(" alarm {}", a.0));
                let within = if m.within == Span::ZERO { String::new() } else { format!(" within {}", m.within) };
                let _ = writeln!(
                    out,
                    "    {} +{off}{within} {} ({by}{alarm}){until}: {}",
                    self.clock(m.at),
                    m.thing,
                    m.text
                );
            }
        }
        out
    }
}

/// Runs one case; gives what was said.
pub fn run(config: &str, timeline: &str) -> Night {
    let mut n = Night::new(config);
    let mut lines = timeline.lines();
    while let Some(line) = lines.next() {
        let line = line.split('#').next().unwrap_or("").trim();
        if line.is_empty() {
            continue;
        }
        if line == "replan" {
            let toml: Vec<&str> = lines.by_ref().take_while(|l| l.trim() != "planned").collect();
            n.replan(&toml.join("\n"));
            continue;
        }
        n.line(line);
    }
    n
}
