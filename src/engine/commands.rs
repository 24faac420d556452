//! What a person asks for: sessions, acknowledging, shelving, marks.

use super::Engine;
use super::session::Mode;
use super::state::Blocked;
use crate::model::{
    AlarmChange, AlarmId, Command, EventKind, Mark, Outcome, SessionEnd, SessionStart, Span, Stamp,
    command::CommandError,
};

/// Longest shelving.
pub const SHELVE_AT_MOST: Span = Span::hours(24);

impl Engine {
    /// Carries out a person's wish. The text says what was done.
    ///
    /// # Errors
    /// [`CommandError::NotFound`] for an unknown alarm or incident; [`CommandError::NotNow`] when the present state forbids it.
    pub fn command(&mut self, at: Stamp, c: &Command, by: &str) -> Result<(Outcome, String), CommandError> {
        self.enter(at);
        self.run_timers(self.now.boot, true);
        self.t = self.now.boot;
        let said = self.obey(c, by);
        self.run_timers(self.now.boot, true);
        // What the timers did on the way is not lost when the wish is refused: it goes out with the next step.
        let text = said?;
        Ok((self.leave(), text))
    }

    fn obey(&mut self, c: &Command, by: &str) -> Result<String, CommandError> {
        let now = self.now;
        match c {
            Command::SessionStart => {
                if let Some(s) = &self.st.session {
                    let since = self.clock_time(self.stamp(s.started.boot).wall);
                    return Err(CommandError::NotNow(format!("a session has been going on since {since}")));
                }
                self.start_session(now, SessionStart::Person);
                Ok("session begun".into())
            }
            Command::SessionEnd => {
                if self.st.session.is_none() {
                    return Err(CommandError::NotNow("no session is going on".into()));
                }
                if self.mode() == Mode::Always {
                    let text = "there is neither a chain nor a site, so the session never ends: configure one of them, or \
                                hold single alarms back";
                    return Err(CommandError::NotNow(text.into()));
                }
                self.st.blocked = Some(Blocked::Person);
                self.end_session(now, SessionEnd::Person);
                Ok("session ended".into())
            }
            Command::Acknowledge { alarm: Some(id) } => {
                let s = self.find(*id)?;
                if self.slots[s].k.alarm.as_ref().is_some_and(|a| a.acknowledged) {
                    return Err(CommandError::NotNow(format!("alarm {} is acknowledged already", id.0)));
                }
                self.acknowledge(s, by);
                Ok(format!("alarm {} acknowledged", id.0))
            }
            Command::Acknowledge { alarm: None } => {
                let open = |a: &super::slot::Alarm| !a.acknowledged;
                let all: Vec<usize> =
                    (0..self.slots.len()).filter(|s| self.slots[*s].k.alarm.as_ref().is_some_and(open)).collect();
                all.iter().for_each(|s| self.acknowledge(*s, by));
                Ok(match all.len() {
                    0 => "there was nothing to acknowledge".into(),
                    1 => "one alarm acknowledged".into(),
                    n => format!("{n} alarms acknowledged"),
                })
            }
            Command::Shelve { alarm, lasting } => {
                let s = self.find(*alarm)?;
                if *lasting <= Span::ZERO || *lasting > SHELVE_AT_MOST {
                    return Err(CommandError::NotNow(format!(
                        "an alarm can be held back for up to {SHELVE_AT_MOST}, not for {lasting}"
                    )));
                }
                let until = now.plus(*lasting);
                self.slots[s].k.shelved = Some((until, by.to_owned()));
                self.tell(s, now, AlarmChange::Shelved { until: until.wall, by: by.to_owned() }, false);
                self.set_timer(s, until.boot);
                Ok(format!("alarm {} held back until {}", alarm.0, self.clock_time(until.wall)))
            }
            Command::Unshelve { alarm } => {
                let s = self.find(*alarm)?;
                if self.slots[s].k.shelved.take().is_none() {
                    return Err(CommandError::NotNow(format!("alarm {} is not held back", alarm.0)));
                }
                self.unshelved(s, now);
                self.visit(s, now, false);
                Ok(format!("alarm {} is no longer held back", alarm.0))
            }
            Command::Mark { incident, kind, words } => {
                if *incident < 1 || *incident > self.st.numbers.incident {
                    return Err(CommandError::NotFound(format!("incident {incident}")));
                }
                let mark = Mark { at: now, kind: *kind, words: words.clone() };
                self.st.incidents.mark(*incident, &mark);
                let code = serde_json::to_value(kind).unwrap_or_default();
                let said = match kind {
                    Some(k) => format!("incident {incident} marked: {}", k.word()),
                    None => format!("mark of incident {incident} taken back"),
                };
                let e = self.say(now, "agent.this", EventKind::Marked, said.clone());
                e.detail.insert("incident".into(), (*incident).into());
                e.detail.insert("mark".into(), code);
                e.detail.insert("words".into(), words.clone().into());
                self.out.marks.push((*incident, mark));
                Ok(said)
            }
            Command::RemedyAdd(_) | Command::RemedyRemove { .. } | Command::Import(_) | Command::TakeBack(_) => {
                Err(CommandError::NotNow("this is kept by the store, not by the engine".into()))
            }
        }
    }

    fn find(&self, id: AlarmId) -> Result<usize, CommandError> {
        let found = self.slots.iter().position(|s| s.k.alarm.as_ref().is_some_and(|a| a.id == id));
        found.ok_or_else(|| CommandError::NotFound(format!("standing alarm {}", id.0)))
    }

    fn acknowledge(&mut self, s: usize, by: &str) {
        if let Some(a) = &mut self.slots[s].k.alarm {
            a.acknowledged = true;
        }
        self.tell(s, self.now, AlarmChange::Acknowledged { by: by.to_owned() }, false);
        if !self.slots[s].standing() {
            self.slots[s].k.alarm = None;
        }
        self.version += 1;
    }
}
