//! The present in conditions and sentences: each watched thing, the whole, and what to try. Unknown is never shown as good.

use super::plan::Sort;
use super::session::Mode;
use super::{Engine, Standing};
use crate::model::live::{AlarmNow, DarkNow, ThingNow};
use crate::model::{Condition, Priority, SessionStart, Span};

/// Alarms for which advice is given at once.
const ADVISED: usize = 3;

impl Engine {
    /// The present, in words and conditions. Cheap enough for every cycle, but only needed when [`Engine::version`] has grown.
    pub fn standing(&self) -> Standing {
        let things: Vec<ThingNow> = (0..self.things.len()).map(|i| self.thing_now(i)).collect();
        let alarms = self.alarms_now();
        let condition = self.whole(&things);
        let mut session = self.st.session.clone();
        if let Some(s) = &mut session {
            // The wall clock may have been set since: the page counts from a beginning that fits the present clock.
            let began = self.stamp(s.started.boot);
            if (began.wall - s.started.wall).0.abs() > 60_000 {
                s.started = began;
            }
        }
        Standing {
            condition,
            sentence: self.sentence(condition, &things),
            try_this: self.advice(),
            things,
            alarms,
            session,
            dark: self.dark_now(),
            wakes: self.wake_words(),
            seq: self.st.numbers.seq,
            last_light_frame: self.plan.frames.as_ref().and(self.st.frames.last).map(|l| l.wall),
        }
    }

    fn dark_now(&self) -> DarkNow {
        let now = self.now.wall;
        let next = self.plan.dark().iter().copied().find(|d| d.1 > now);
        DarkNow {
            known: self.plan.site,
            dark: self.plan.dark_at(now).is_some(),
            from: next.map(|d| d.0),
            to: next.map(|d| d.1),
        }
    }

    /// Slots with a standing alarm that is not held back by a person, worst and earliest first.
    fn worst(&self) -> Vec<usize> {
        let mut all: Vec<usize> =
            (0..self.slots.len()).filter(|s| self.slots[*s].standing() && self.slots[*s].k.shelved.is_none()).collect();
        all.sort_by_key(|s| {
            let a = self.slots[*s].k.alarm.as_ref();
            (std::cmp::Reverse(a.map(|a| a.priority)), a.map(|a| (a.since.boot, a.id)))
        });
        all
    }

    fn alarms_now(&self) -> Vec<AlarmNow> {
        let mut all: Vec<AlarmNow> = self
            .slots
            .iter()
            .filter_map(|s| s.k.alarm.as_ref().map(|a| (s, a)))
            .map(|(s, a)| AlarmNow {
                alarm: a.id,
                rule: s.k.rule.clone(),
                thing: s.k.thing.clone(),
                priority: a.priority,
                since: a.since,
                standing: a.standing,
                acknowledged: a.acknowledged,
                shelved_until: s.k.shelved.as_ref().map(|x| self.stamp(x.0.boot).wall),
                chattering: a.chattering,
                stale: a.stale,
                saved: true,
                text: a.text.clone(),
                incident: a.incident,
            })
            .collect();
        all.sort_by_key(|a| (!a.standing, std::cmp::Reverse(a.priority), a.since.boot, a.alarm));
        all
    }

    fn thing_now(&self, i: usize) -> ThingNow {
        let (t, w) = (&self.plan.things[i], &self.things[i]);
        let (condition, because) = self.condition_of(i);
        let since = match &w.p.unread {
            Some((u, _)) => Some(*u),
            None if condition == Condition::Unknown => None,
            None => w.p.missing.iter().map(|m| m.1).min_by_key(|m| m.boot).or(w.p.since),
        };
        let since = since.map(|s| self.stamp(s.boot).wall);
        ThingNow { thing: t.name.clone(), title: t.title.clone(), condition, since, because }
    }

    fn condition_of(&self, i: usize) -> (Condition, String) {
        let (t, w) = (&self.plan.things[i], &self.things[i]);
        let p = &w.p;
        let in_session = self.st.session.is_some();
        let slots = || w.gone.iter().map(|s| &self.slots[*s as usize]);
        match t.sort {
            Sort::Program | Sort::Device | Sort::Frames if !in_session => {
                return (Condition::NotInUse, "no session".into());
            }
            Sort::Link | Sort::Interface if !in_session && p.known() && p.up == Some(false) => {
                return (Condition::NotInUse, format!("no session; {}", self.why_not(i)));
            }
            _ => {}
        }
        if slots().any(|s| s.k.excused) && p.up == Some(false) && self.plan.chain.contains(&t.name) {
            return (Condition::Impaired, "not there yet in this session".into());
        }
        if slots().any(|s| s.k.excused) && p.up == Some(false) {
            return (Condition::NotInUse, "not there since before the session began, or put away in it".into());
        }
        if slots().any(|s| s.k.wait.is_some()) {
            return (Condition::Impaired, "it ended just now, as if it were being closed".into());
        }
        let (condition, why) = if t.sort == Sort::Frames { self.frames_condition(i) } else { self.own_condition(i) };
        if condition == Condition::Working
            && let Some(b) = self.broken_support(&t.name)
        {
            return (Condition::Impaired, format!("what it leans on is broken: {b}"));
        }
        (condition, why)
    }

    /// The condition of a thing in use, by what is known of itself.
    fn own_condition(&self, i: usize) -> (Condition, String) {
        let (t, p) = (&self.plan.things[i], &self.things[i].p);
        if !p.known() {
            return (Condition::Unknown, self.why_not(i));
        }
        if p.up == Some(false) {
            return (Condition::Failed, self.why_not(i));
        }
        if !p.missing.is_empty() {
            let stopped = p.missing.iter().any(|m| m.0 == "stopped");
            return (
                Condition::Failed,
                if stopped { "stopped by a signal" } else { "it hangs: no sign of life" }.into(),
            );
        }
        if let Some(a) = self.alarm_on(&t.name) {
            return (Condition::Impaired, a);
        }
        let why = self.why_not(i);
        (if why.is_empty() { Condition::Working } else { Condition::Impaired }, why)
    }

    fn frames_condition(&self, i: usize) -> (Condition, String) {
        let name = &self.plan.things[i].name;
        let session = self.st.session.as_ref().map(|s| s.started.boot);
        if let Some(s) = self.slots.iter().find(|s| s.k.thing == *name && s.k.on) {
            let condition = if s.k.mild { Condition::Impaired } else { Condition::Failed };
            return (condition, s.k.words.clone());
        }
        if let Some(a) = self.alarm_on(name) {
            return (Condition::Impaired, a);
        }
        match self.st.frames.last {
            Some(l) if session.is_some_and(|s| l.boot >= s) => (Condition::Working, String::new()),
            _ => (Condition::NotInUse, "no light frame yet in this session".into()),
        }
    }

    /// Title of a broken thing that this one leans on.
    fn broken_support(&self, name: &crate::model::Name) -> Option<String> {
        let broken = |w: &super::Watched| {
            let excused = w.gone.iter().any(|s| self.slots[*s as usize].k.excused);
            !excused && (w.p.up == Some(false) || !w.p.missing.is_empty())
        };
        self.things
            .iter()
            .zip(&self.plan.things)
            .find(|(w, t)| broken(w) && self.plan.leaning.leans(name, &t.name))
            .map(|(_, t)| t.title.clone())
    }

    /// The worst alarm standing on a thing or its quantities.
    fn alarm_on(&self, name: &crate::model::Name) -> Option<String> {
        self.worst()
            .into_iter()
            .find(|s| self.slots[*s].k.thing.thing() == *name)
            .and_then(|s| self.slots[s].k.alarm.as_ref().map(|a| a.text.clone()))
    }

    fn whole(&self, things: &[ThingNow]) -> Condition {
        let worst = self.worst();
        let high = |s: &usize| self.slots[*s].k.alarm.as_ref().is_some_and(|a| a.priority == Priority::High);
        if worst.first().is_some_and(high) {
            return Condition::Failed;
        }
        let vital = |t: &&ThingNow| ["program", "device", "link"].contains(&t.thing.kind());
        if self.now.boot.0 == 0 || things.iter().filter(vital).any(|t| t.condition == Condition::Unknown) {
            return Condition::Unknown;
        }
        let amiss = |t: &ThingNow| t.condition > Condition::Working;
        let standing = self.slots.iter().any(super::slot::Slot::standing);
        if standing || things.iter().any(amiss) {
            return Condition::Impaired;
        }
        if self.st.session.is_some() { Condition::Working } else { Condition::NotInUse }
    }

    fn sentence(&self, whole: Condition, things: &[ThingNow]) -> String {
        let worst = self.worst();
        let alarm = worst.first().and_then(|s| self.slots[*s].k.alarm.as_ref());
        let first_amiss = |c: Condition| things.iter().find(|t| t.condition == c);
        let more = |n: usize| match n {
            0 => String::new(),
            1 => "; one more alarm stands".into(),
            n => format!("; {n} more alarms stand"),
        };
        let text = match (whole, alarm) {
            (Condition::Failed | Condition::Impaired, Some(a)) => {
                let since = self.clock_time(self.stamp(a.since.boot).wall);
                let but = if whole == Condition::Impaired && self.st.session.is_some() { "it works, but " } else { "" };
                let since = if a.text.contains("since ") || a.text.contains(" at ") {
                    String::new()
                } else {
                    format!(", since {since}")
                };
                format!("{but}{}{since}{}.", a.text, more(worst.len() - 1))
            }
            (Condition::Unknown, _) => match first_amiss(Condition::Unknown) {
                Some(t) => format!("not all is known: {}: {}.", t.title, t.because),
                None => "just started: nothing has been read yet.".into(),
            },
            (Condition::Impaired | Condition::Failed, None) => {
                let amiss = first_amiss(Condition::Failed)
                    .or_else(|| first_amiss(Condition::Unknown))
                    .or_else(|| first_amiss(Condition::Impaired));
                match amiss {
                    Some(t) => format!("it works, but {}: {}.", t.title, t.because),
                    None => "it works, but an alarm is held back by a person.".into(),
                }
            }
            (Condition::Working, _) => self.well_sentence(),
            (Condition::NotInUse, _) => self.idle_sentence(),
        };
        capital(&text)
    }

    fn well_sentence(&self) -> String {
        let since = self.st.session.as_ref().map(|s| s.why);
        match (self.mode(), self.st.frames.last.filter(|_| self.plan.frames.is_some())) {
            (Mode::Frames, Some(l)) => {
                format!("all is well: the chain is up, the last light frame came at {}.", self.clock_time(self.stamp(l.boot).wall))
            }
            (Mode::Frames | Mode::Chain, _) => "all is well: the chain is up.".into(),
            (Mode::Always, _) if since == Some(SessionStart::Always) => {
                "all is well: everything that is watched works. There is neither a chain nor a site, so it is always watched."
                    .into()
            }
            _ => "all is well: everything that is watched works.".into(),
        }
    }

    fn idle_sentence(&self) -> String {
        let when = match self.mode() {
            Mode::Frames => "when the chain is up and a light frame arrives",
            Mode::Chain => "when all programs of the chain are up",
            Mode::Dark => "when it gets dark",
            Mode::Always => "at once",
        };
        format!("no session: nothing is meant to work now. One begins {when}.")
    }

    fn advice(&self) -> Vec<String> {
        let mut out: Vec<String> = vec![];
        for s in self.worst().into_iter().take(ADVISED) {
            for line in self.try_words(s) {
                if !out.contains(&line) {
                    out.push(line);
                }
            }
        }
        out
    }

    /// The last instant judged.
    pub fn now(&self) -> crate::model::Stamp {
        self.now
    }

    /// The present limit of "no light frame".
    pub fn frame_limit(&self) -> Option<Span> {
        self.plan.frames.as_ref().map(|f| self.st.frames.limit(f.at_least, self.plan.learned.longest_pause))
    }
}

/// The same with a capital at its start.
fn capital(t: &str) -> String {
    let mut c = t.chars();
    c.next().map_or_else(String::new, |f| f.to_uppercase().collect::<String>() + c.as_str())
}
