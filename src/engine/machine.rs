//! What concerns the machine and the agent as a whole: kernel lines, kills for memory, disks that fill, sleep and stops, probes.

use super::life::Fact;
use super::watch::{number_of, text_of};
use super::{Engine, leaning::MACHINE, name};
use crate::config::model::Builtin;
use crate::model::{Event, EventKind, Name, Span, Stamp};

/// The signal whose rise tells of programs killed for memory.
pub(super) const KILLS: &str = "memory.kills";

impl Engine {
    pub(super) fn kernel_line(&mut self, e: &Event) {
        let class = text_of(e, "class").unwrap_or("");
        // The crash of a program that nobody watches, or a file that is mounted as a disk, says nothing of the chain.
        let foreign = e.detail.get("watched").and_then(serde_json::Value::as_bool) == Some(false)
            || text_of(e, "device").is_some_and(|d| d.starts_with("loop"));
        if matches!(class, "crash" | "out_of_memory" | "io_error" | "over_current") && !foreign {
            self.complain(e.at);
        }
        let line = text_of(e, "line").unwrap_or(&e.text).to_ascii_lowercase();
        if class == "over_current" || line.contains("undervoltage") || line.contains("under-voltage") {
            self.st.incidents.power_line(e.at.boot);
        }
    }

    /// The machine's own supply failed or sagged: what fails together with it, failed by power.
    pub(super) fn supply_changed(&mut self, e: &Event) {
        if matches!(
            (text_of(e, "what"), text_of(e, "new")),
            (Some("supply"), Some("battery")) | (Some("supply voltage"), _)
        ) {
            self.st.incidents.power_line(e.at.boot);
        }
    }

    /// Programs were killed for memory: raised at once, over by itself after the off-delay.
    pub(super) fn memory_kill(&mut self, s: usize, at: Stamp, by: f64) {
        self.complain(at);
        let words = if by > 1.0 { format!("{by} programs were") } else { "a program was".to_owned() };
        self.set(s, Fact { words, value: Some(by), event: Some(EventKind::MemoryKill), at_once: true, ..Fact::on(at) });
        self.set(s, Fact::off(at));
    }

    /// Free space of a disk against what tonight still needs at the present pace.
    pub(super) fn free(&mut self, s: usize, at: Stamp, free: f64, bytes_per_second: Option<f64>) {
        use super::judge::Rel;
        let left = self.session_left(at);
        let (rel, lasts) = match (bytes_per_second, left) {
            (Some(b), Some(left)) if b > 0.0 => {
                let need = b * left.as_secs_f64();
                let rel = if free < need {
                    Rel::Past
                } else if free > need * 1.1 {
                    Rel::Back
                } else {
                    Rel::Between
                };
                (rel, Some(Span((free / b * 1000.0).min(1e12) as i64)))
            }
            _ => (Rel::Back, None),
        };
        let k = &mut self.slots[s].k;
        k.urgent = lasts.is_some_and(|l| l < Span::hours(1)) && rel == Rel::Past;
        if let Some(l) = lasts {
            k.words = format!("full in about {l} at the present pace");
        }
        if rel != Rel::Back || k.on || self.slots[s].standing() {
            self.slots[s].k.value = Some(free);
            if rel == Rel::Past && self.slots[s].standing() {
                let text = self.words_of(s);
                if let Some(a) = &mut self.slots[s].k.alarm {
                    (a.text, a.value) = (text, Some(free));
                }
                self.version += 1;
            }
            self.value(s, at, free, rel);
        }
    }

    pub(super) fn slept(&mut self, e: &Event) {
        let lasted = Span(number_of(e, "for_ms").unwrap_or(0.0).clamp(0.0, 1e12) as i64);
        // The event may carry the instant of falling asleep or of waking.
        let from = if self.now.boot - e.at.boot >= lasted { e.at } else { self.earlier(e.at, lasted) };
        let to = Stamp { boot: from.boot + lasted, wall: from.wall + lasted };
        if self.st.session.as_ref().is_some_and(|s| s.started.boot <= from.boot) {
            self.machine_stopped(from, format!("slept for {lasted}"), Some(EventKind::Suspended));
            if let Some(s) = self.machine_slot() {
                self.set(s, Fact::off(to));
            }
        }
    }

    pub(super) fn machine_slot(&mut self) -> Option<usize> {
        let r = self.rule_of(Builtin::MachineStopped)?;
        Some(self.slot(r, &name(MACHINE)) as usize)
    }

    /// The machine stopped at `at`, in a session.
    pub(super) fn machine_stopped(&mut self, at: Stamp, words: String, event: Option<EventKind>) {
        self.complain(at);
        if let Some(s) = self.machine_slot() {
            self.set(s, Fact { words, event, ..Fact::on(at) });
        }
    }

    pub(super) fn probe_state(&mut self, e: &Event) {
        let Some(r) = self.rule_of(Builtin::ProbeStuck) else { return };
        let probe = match (e.thing.kind(), text_of(e, "probe")) {
            ("probe", _) | (_, None) => e.thing.clone(),
            (_, Some(p)) => Name::new(p).unwrap_or_else(|_| Name::from_parts("probe", p)),
        };
        let s = self.slot(r, &probe) as usize;
        match text_of(e, "state").unwrap_or("") {
            "stuck" => self.set(s, Fact { words: "hangs".into(), event: Some(e.kind), ..Fact::on(e.at) }),
            "panicked" => self.set(s, Fact { words: "broke".into(), event: Some(e.kind), ..Fact::on(e.at) }),
            "well" => self.set(s, Fact::off(e.at)),
            _ => {}
        }
    }
}
