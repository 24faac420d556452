//! What happened to the watched things: events from the kernel and the probes, and presence as it is polled.

use super::exit::Exit;
use super::life::Fact;
use super::plan::Sort;
use super::{Engine, leaning::MACHINE, name};
use crate::config::model::Builtin;
use crate::model::reading::Why;
use crate::model::{Batch, Event, EventKind, Span, Stamp};

/// A poll this soon after an event of the kernel's says nothing against it.
const SETTLES: Span = Span(1500);

pub(super) fn text_of<'a>(e: &'a Event, key: &str) -> Option<&'a str> {
    e.detail.get(key).and_then(serde_json::Value::as_str)
}

pub(super) fn number_of(e: &Event, key: &str) -> Option<f64> {
    e.detail.get(key).and_then(serde_json::Value::as_f64)
}

impl Engine {
    /// One event, in its place in time.
    pub(super) fn event(&mut self, e: &Event, batch: &Batch) {
        use EventKind as E;
        let thing = self.plan.by_name.get(&e.thing).copied();
        match (e.kind, thing) {
            (E::ProgramStarted | E::DeviceArrived | E::LinkUp, Some(i)) => self.there(i, e, batch),
            (E::ProgramEnded | E::DeviceLeft | E::LinkDown, Some(i)) => {
                let exit = (e.kind == E::ProgramEnded).then(|| Exit::of(e));
                self.gone(i, e.at, e.within, Some(e.kind), exit);
                self.things[i].p.event = self.things[i].p.event.max(Some(e.at.boot));
            }
            (E::ProgramStopped, Some(i)) => self.sign(i, "stopped", true, e.at, e.within, Some(e.kind)),
            (E::ProgramContinued, Some(i)) => self.sign(i, "stopped", false, e.at, e.within, Some(e.kind)),
            (E::SignMissing | E::SignBack, Some(i)) => {
                let sign = text_of(e, "sign").unwrap_or("sign of life").to_owned();
                self.sign(i, &sign, e.kind == E::SignMissing, e.at, e.within, Some(e.kind));
            }
            (E::ContactBreak, Some(i)) => self.contact_break_told(i, e),
            (E::FrameArrived, _) => {
                let light = e.detail.get("light").and_then(serde_json::Value::as_bool).unwrap_or(false);
                if light {
                    self.light_frame(e.at, number_of(e, "exposure_s"));
                }
            }
            (E::KernelLine, _) => self.kernel_line(e),
            (E::Changed, _) => self.supply_changed(e),
            (E::MemoryKill, _) => {
                let by = number_of(e, "count").unwrap_or(1.0);
                let rule = self.rule_of(Builtin::MemoryShort);
                if let Some(r) = rule {
                    let s = self.slot(r, &name(super::machine::KILLS)) as usize;
                    self.memory_kill(s, e.at, by);
                }
            }
            (E::ClockStep | E::AddressChanged | E::DeviceRenamed | E::DeviceClosed, _) if self.st.session.is_some() => {
                let text = if e.text.is_empty() { e.kind.code().replace('_', " ") } else { e.text.clone() };
                self.st.incidents.happened(e, text, &self.plan.leaning);
            }
            (E::Suspended, _) => self.slept(e),
            (E::ProbeState, _) => self.probe_state(e),
            (E::LogLine, Some(i)) => {
                if let Some(broken) = e.detail.get("broken").and_then(serde_json::Value::as_bool) {
                    let words = if e.text.is_empty() { text_of(e, "class").unwrap_or("trouble") } else { &e.text };
                    self.things[i].p.log = broken.then(|| (e.at.wall, words.to_owned()));
                    self.version += 1;
                    if broken && self.st.session.is_some() {
                        self.st.incidents.happened(e, format!("its log: {words}"), &self.plan.leaning);
                    }
                }
            }
            _ => {}
        }
    }

    pub(super) fn rule_of(&self, b: Builtin) -> Option<usize> {
        self.plan.rules.iter().position(|r| r.builtin() == Some(b))
    }

    /// A polled truth. What an event told later than the reading was taken stands.
    pub(super) fn truth(&mut self, i: usize, up: bool, at: Stamp) {
        let p = &mut self.things[i].p;
        if p.event.is_some_and(|e| at.boot <= e) || p.read.is_some_and(|r| at.boot < r) {
            return;
        }
        // What the kernel just told is not contradicted by a poll that was under way.
        if p.up.is_some_and(|was| was != up) && p.event.is_some_and(|e| at.boot - e < SETTLES) {
            return;
        }
        let before = p.read.replace(at.boot);
        let within = before.map_or(Span::ZERO, |b| at.boot - b);
        self.readable(i, at);
        match self.things[i].p.up {
            Some(was) if was == up => {}
            _ if up => self.up(i, at),
            _ => {
                let ran = self.things[i].p.up == Some(true);
                let exit = (ran && self.plan.things[i].sort == Sort::Program).then(Exit::unknown);
                self.gone(i, at, within, None, exit);
            }
        }
    }

    /// A thing can be read.
    pub(super) fn readable(&mut self, i: usize, at: Stamp) {
        let polled = matches!(self.plan.things[i].sort, Sort::Disk | Sort::Sensor | Sort::Frames);
        let p = &mut self.things[i].p;
        p.read = p.read.max(Some(at.boot));
        if polled && p.up.is_none() {
            (p.up, p.since) = (Some(true), Some(at));
            self.version += 1;
        }
        if p.old || p.unread.is_some() {
            (p.old, p.unread) = (false, None);
            if polled {
                p.since = Some(at);
            }
            self.version += 1;
            for s in self.things[i].unread.clone() {
                self.set(s as usize, Fact::off(at));
            }
        }
    }

    /// A thing cannot be read, because.
    pub(super) fn unreadable(&mut self, i: usize, at: Stamp, why: &Why) {
        let p = &mut self.things[i].p;
        let since = p.unread.as_ref().map_or(at, |u| u.0);
        p.unread = Some((since, why.text.to_string()));
        self.version += 1;
        for s in self.things[i].unread.clone() {
            self.set(s as usize, Fact { words: why.text.to_string(), ..Fact::on(since) });
        }
    }

    /// An event says that a thing is there.
    pub(super) fn there(&mut self, i: usize, e: &Event, batch: &Batch) {
        let p = &self.things[i].p;
        if p.up == Some(false) && p.since.is_some_and(|s| e.at.boot < s.boot) {
            return;
        }
        let away = p.since.filter(|_| p.up == Some(false)).map(|s| e.at.boot - s.boot);
        if e.kind == EventKind::DeviceArrived {
            let least = self.plan.things[i].speed_at_least;
            let speed = number_of(e, "speed_mbit");
            self.things[i].p.slow = match (speed, least) {
                (Some(s), Some(l)) if s < l => Some(format!("on a bus of {s} Mbit/s instead of {l} Mbit/s")),
                (None, _) => self.things[i].p.slow.take(),
                _ => None,
            };
            if let Some(away) = away {
                self.contact_break(i, e, away, batch);
            }
        }
        self.things[i].p.event = self.things[i].p.event.max(Some(e.at.boot));
        self.up(i, e.at);
    }

    /// A device that comes back before its alarm is raised has had a contact break: counted as an event.
    pub(super) fn contact_break(&mut self, i: usize, e: &Event, away: Span, batch: &Batch) {
        let delay = self.rule_of(Builtin::DeviceGone).map_or(Span::secs(10), |r| self.plan.rules[r].on_delay);
        let raised = self.things[i].gone.iter().any(|s| self.slots[*s as usize].standing());
        if raised || away >= delay || self.plan.things[i].sort != Sort::Device {
            return;
        }
        let text = format!("{} lost contact for {away}", self.plan.things[i].title);
        for s in self.things[i].gone.clone() {
            let key = self.key(s as usize);
            if self.slots[s as usize].k.incident.is_some() {
                self.st.incidents.retell(&key, &text);
            }
        }
        let told = batch.events.iter().any(|o| o.kind == EventKind::ContactBreak && o.thing == e.thing);
        if told {
            return;
        }
        let (thing, within) = (e.thing.as_str().to_owned(), e.within);
        let said = self.say(e.at, &thing, EventKind::ContactBreak, text);
        said.within = within;
        said.detail.insert("away_ms".into(), away.0.into());
    }

    /// A probe told of a contact break as a whole.
    pub(super) fn contact_break_told(&mut self, i: usize, e: &Event) {
        let away = Span(number_of(e, "away_ms").unwrap_or(0.0).clamp(0.0, 6e5) as i64);
        let left = self.earlier(e.at, away);
        let p = &self.things[i].p;
        if p.event.is_some_and(|t| t >= left.boot) || p.up != Some(true) {
            return;
        }
        self.gone(i, left, e.within, Some(EventKind::ContactBreak), None);
        self.up(i, e.at);
        self.things[i].p.event = Some(e.at.boot);
    }

    /// A thing is there since `at`.
    pub(super) fn up(&mut self, i: usize, at: Stamp) {
        let p = &mut self.things[i].p;
        let same = p.up == Some(true);
        p.seen = true;
        p.read = p.read.max(Some(at.boot));
        p.old = false;
        if !same {
            (p.up, p.since, p.exit) = (Some(true), Some(at), None);
        }
        let restarted = std::mem::take(&mut p.missing);
        self.version += 1;
        if !restarted.is_empty() {
            // A new process has no old hang.
            for s in self.things[i].hangs.clone() {
                self.set(s as usize, Fact::off(at));
            }
        }
        for s in self.things[i].gone.clone() {
            self.slots[s as usize].k.excused = false;
            self.set(s as usize, Fact::off(at));
        }
        if same {
            return;
        }
        let thing = self.plan.things[i].name.clone();
        self.st.closing.started(&thing);
        if self.slots.iter().any(|s| s.k.thing.as_str() == MACHINE && s.k.on) {
            self.back_after_stop(at);
        }
        self.chain_changed(at);
    }

    /// A thing is gone since `at`.
    pub(super) fn gone(&mut self, i: usize, at: Stamp, within: Span, event: Option<EventKind>, exit: Option<Exit>) {
        let p = &mut self.things[i].p;
        if p.up == Some(true) && p.since.is_some_and(|s| at.boot < s.boot) {
            // Told late: it has come back since.
            return;
        }
        let again = p.up == Some(false);
        if again && event.is_none() {
            return;
        }
        if !again || p.since.is_none_or(|s| at.boot < s.boot) {
            p.since = Some(at);
        }
        p.up = Some(false);
        if exit.is_some() {
            p.exit.clone_from(&exit);
        }
        let since = p.since.unwrap_or(at);
        let hung = !std::mem::take(&mut p.missing).is_empty();
        self.version += 1;
        if hung {
            for s in self.things[i].hangs.clone() {
                self.set(s as usize, Fact::off(at));
            }
        }
        let words = exit.as_ref().map_or_else(String::new, |x| x.words.clone());
        let mut wait = None;
        match (self.plan.things[i].sort, exit) {
            (Sort::Program, Some(x)) => {
                let first = self.plan.things[i].chained && self.st.session.is_some();
                if first {
                    let end = self.end_of(i, since, x.sort);
                    match self.closes(i, end) {
                        super::closedown::Closes::Done => return,
                        super::closedown::Closes::Wait(until) => wait = Some(until),
                        super::closedown::Closes::No => {}
                    }
                }
            }
            (Sort::Device, _) => self.device_complaint(i, at),
            _ => {}
        }
        for s in self.things[i].gone.clone() {
            let k = &mut self.slots[s as usize].k;
            if k.on && again {
                // Now the reason is known; nothing else changes.
                k.words.clone_from(&words);
                if k.event.is_none() {
                    k.event = event;
                }
                let text = self.words_of(s as usize);
                let key = self.key(s as usize);
                if let Some(a) = &mut self.slots[s as usize].k.alarm {
                    a.text.clone_from(&text);
                }
                let k = &self.slots[s as usize].k;
                let (id, w, ev) = (k.incident, k.within, k.event);
                if since.boot >= k.since.boot {
                    if let Some(id) = id {
                        self.st.incidents.refine(id, &key, since, w, ev, &text);
                    }
                    continue;
                }
            }
            self.set(s as usize, Fact { within, words: words.clone(), event, wait, ..Fact::on(since) });
        }
        self.chain_changed(at);
    }

    /// A sign of life is missing, or is back.
    pub(super) fn sign(
        &mut self,
        i: usize,
        sign: &str,
        missing: bool,
        at: Stamp,
        within: Span,
        event: Option<EventKind>,
    ) {
        let p = &mut self.things[i].p;
        if p.up == Some(false) {
            return;
        }
        p.missing.retain(|m| m.0 != sign);
        if missing {
            p.missing.push((sign.to_owned(), at));
            self.complain(at);
        }
        self.version += 1;
        let p = &self.things[i].p;
        let since = p.missing.iter().map(|m| m.1).min_by_key(|s| s.boot);
        for s in self.things[i].hangs.clone() {
            match since {
                Some(since) => {
                    let words = match sign {
                        "stopped" => "stopped by a signal".to_owned(),
                        "age" | "sign of life" => "no sign of life".to_owned(),
                        "device" => "its device is closed".to_owned(),
                        _ => format!("no sign of life: {sign}"),
                    };
                    if !self.slots[s as usize].k.on {
                        self.set(s as usize, Fact { within, words, event, ..Fact::on(since) });
                    }
                }
                None => self.set(s as usize, Fact::off(at)),
            }
        }
    }
}
