//! What is said of alarms: transitions, notices (folded in a flood), and wishes for actions.

use super::flood::WINDOW;
use super::{Engine, Tick};
use crate::model::outcome::NoticeKind;
use crate::model::{ActionWish, AlarmChange, BootMs, EventKind, Notice, Priority, Stamp, Transition};

impl Engine {
    /// Counts a raise; whether it began a flood, which is then announced in one.
    pub(super) fn count_raise(&mut self, s: usize, t: Stamp) -> bool {
        self.flood_due(Stamp { boot: BootMs(t.boot.0 - 1), ..t });
        let began = self.st.flood.raised(t.boot);
        let text = self.words_of(s);
        if self.st.flooded.len() < 50 {
            self.st.flooded.push(text);
        }
        if self.st.flood.on.is_none() {
            let keep = self.st.flood.count(t.boot);
            let drop = self.st.flooded.len().saturating_sub(keep);
            self.st.flooded.drain(..drop);
        }
        if let Some(due) = self.st.flood.due() {
            self.timers.insert((due, Tick::Flood));
        }
        if began {
            let n = self.st.flood.count(t.boot);
            let text = format!(
                "flood of alarms: {n} in {WINDOW}; from here on they are folded into one message. First: {}",
                self.st.flooded.first().map_or("", String::as_str)
            );
            self.say(t, "agent.this", EventKind::Flood, text.clone()).detail.insert("count".into(), n.into());
            let worst = self.slots.iter().filter_map(|s| s.k.alarm.as_ref()).filter(|a| a.standing).map(|a| a.priority);
            let priority = worst.max().unwrap_or(Priority::Medium);
            let wakes = self.slots[s].k.alarm.as_ref().is_some_and(|a| a.woken);
            self.fold(t, NoticeKind::FloodBegan, priority, wakes, text);
        }
        began
    }

    pub(super) fn fold(&mut self, at: Stamp, kind: NoticeKind, priority: Priority, wakes: bool, text: String) {
        let seq = self.st.numbers.seq;
        self.out.notices.push(Notice { at, kind, seq, alarm: None, rule: None, thing: None, priority, wakes, text });
    }

    /// Ends the flood if it is over at `t`.
    pub(super) fn flood_due(&mut self, t: Stamp) {
        if let Some(due) = self.st.flood.due().filter(|d| *d > t.boot) {
            self.timers.insert((due, Tick::Flood));
            return;
        }
        let due = self.st.flood.due();
        let Some((from, n)) = self.st.flood.over(t.boot) else { return };
        let at = self.stamp(due.unwrap_or(t.boot));
        let standing = self.slots.iter().filter(|s| s.standing()).count();
        let mut text = format!("the flood of alarms is over: {n} in {}; {standing} still stand", at.boot - from);
        for (i, a) in self.st.flooded.iter().take(5).enumerate() {
            text += if i == 0 { ". They were: " } else { "; " };
            text += a;
        }
        let more = (n as usize).saturating_sub(5);
        if more > 0 {
            text += &format!("; and {more} more");
        }
        self.st.flooded.clear();
        let e = self.say(at, "agent.this", EventKind::Flood, text.clone());
        e.detail.insert("count".into(), n.into());
        e.detail.insert("over".into(), true.into());
        let worst = self.slots.iter().filter_map(|s| s.k.alarm.as_ref()).filter(|a| a.standing).map(|a| a.priority);
        let priority = worst.max().unwrap_or(Priority::Low);
        self.fold(at, NoticeKind::FloodEnded, priority, false, text);
    }

    /// Writes down one step of a slot's alarm.
    pub(super) fn tell(&mut self, s: usize, at: Stamp, change: AlarmChange, wakes: bool) {
        let k = &self.slots[s].k;
        let Some(a) = &k.alarm else { return };
        self.st.numbers.seq += 1;
        self.out.transitions.push(Transition {
            seq: self.st.numbers.seq,
            at,
            announced: self.now,
            alarm: a.id,
            rule: k.rule.clone(),
            thing: k.thing.clone(),
            priority: a.priority,
            text: match change {
                AlarmChange::Returned => self.back_words(s),
                _ => a.text.clone(),
            },
            value: a.value,
            incident: a.incident,
            change,
            wakes,
            saved: true,
        });
        self.version += 1;
    }

    /// A word to the world about a slot's alarm.
    pub(super) fn notice(&mut self, s: usize, kind: NoticeKind, wakes: bool) {
        let k = &self.slots[s].k;
        let Some(a) = &k.alarm else { return };
        let text = match kind {
            NoticeKind::Returned => self.back_words(s),
            NoticeKind::Chattering => format!("{}; it comes and goes", a.text),
            NoticeKind::Wakes => {
                format!("{}; it has stood for {}", a.text, self.now.boot - a.since.boot)
            }
            _ => a.text.clone(),
        };
        self.out.notices.push(Notice {
            at: self.now,
            kind,
            seq: self.st.numbers.seq,
            alarm: Some(a.id),
            rule: Some(k.rule.clone()),
            thing: Some(k.thing.clone()),
            priority: a.priority,
            wakes,
            text,
        });
    }

    /// The rule's action, if it has one.
    pub(super) fn act(&mut self, s: usize, on: bool) {
        let Some(action) = self.plan.rules[self.slots[s].rule].action.clone() else { return };
        let k = &self.slots[s].k;
        self.out.actions.push(ActionWish {
            action,
            on,
            at: self.now,
            alarm: k.alarm.as_ref().map(|a| a.id),
            rule: k.rule.clone(),
            thing: k.thing.clone(),
            text: k.alarm.as_ref().map_or_else(String::new, |a| a.text.clone()),
        });
    }

    /// A shelving is over: an alarm that still stands is announced anew.
    pub(super) fn unshelved(&mut self, s: usize, at: Stamp) {
        self.tell(s, at, AlarmChange::Unshelved, false);
        if self.slots[s].standing() {
            self.notice(s, NoticeKind::Raised, false);
        }
    }
}
