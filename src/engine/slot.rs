//! One rule on one thing: its condition as last judged, and the alarm that came of it.

use super::chatter::Chatter;
use crate::model::{AlarmId, BootMs, EventKind, Name, Priority, Span, Stamp, Unit};
use serde::{Deserialize, Serialize};

/// The life of one raising.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Alarm {
    pub id: AlarmId,
    pub priority: Priority,
    /// When the condition began.
    pub since: Stamp,
    /// When it was announced.
    pub announced: Stamp,
    /// The condition still holds.
    pub standing: bool,
    /// When it returned to normal.
    pub returned: Option<Stamp>,
    pub acknowledged: bool,
    pub chattering: bool,
    pub stale: bool,
    pub woken: bool,
    pub text: String,
    pub value: Option<f64>,
    pub incident: Option<i64>,
}

/// What of a slot outlives a run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Kept {
    pub rule: Name,
    pub thing: Name,
    /// The condition holds.
    pub on: bool,
    /// Since when it holds.
    pub since: Stamp,
    /// Known to within this span before `since`.
    pub within: Span,
    /// When it ceased to hold.
    pub off_since: Option<Stamp>,
    /// The value that was judged.
    pub value: Option<f64>,
    /// Facts for the alarm's sentence.
    pub words: String,
    /// The event behind it.
    pub event: Option<EventKind>,
    /// The alarm is not raised before this instant.
    pub wait: Option<BootMs>,
    /// What held it back is over; it has until then to come back by itself.
    #[serde(default)]
    pub grace: Option<BootMs>,
    /// The thing was not there when the session began, or was put away: no alarm until it was there.
    pub excused: bool,
    /// Last known reading that was judged, for rules over readings.
    pub judged: Option<BootMs>,
    /// Only a low notice: nothing else is broken.
    pub mild: bool,
    /// Less than an hour is left.
    pub urgent: bool,
    /// The incident that the condition belongs to.
    pub incident: Option<i64>,
    /// Held back by a person until this instant.
    pub shelved: Option<(Stamp, String)>,
    pub chatter: Chatter,
    pub alarm: Option<Alarm>,
}

/// A slot at work.
#[derive(Clone, Debug)]
pub(crate) struct Slot {
    /// Index of the rule.
    pub rule: usize,
    /// Delays are counted from reading to reading, not by a timer.
    pub evidence: bool,
    /// In force since; none: not in force.
    pub force: Option<BootMs>,
    /// The timer that is set.
    pub timer: Option<BootMs>,
    /// Unit and meaning of the signal that it judges.
    pub unit: Unit,
    pub what: String,
    /// A reading of it is waiting in the present batch.
    pub touched: bool,
    pub k: Kept,
}

impl Kept {
    /// A slot of which nothing is known.
    pub fn new(rule: Name, thing: Name) -> Kept {
        Kept {
            rule,
            thing,
            on: false,
            since: Stamp::default(),
            within: Span::ZERO,
            off_since: None,
            value: None,
            words: String::new(),
            event: None,
            wait: None,
            grace: None,
            excused: false,
            judged: None,
            mild: false,
            urgent: false,
            incident: None,
            shelved: None,
            chatter: Chatter::default(),
            alarm: None,
        }
    }

    /// Whether it says anything that a new slot does not.
    pub fn worth_keeping(&self) -> bool {
        self.on || self.alarm.is_some() || self.shelved.is_some() || self.excused
    }

    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        let s = |t: &mut Stamp| t.boot = t.boot + by;
        s(&mut self.since);
        self.off_since.iter_mut().for_each(s);
        self.wait.iter_mut().for_each(|w| *w = *w + by);
        self.grace.iter_mut().for_each(|w| *w = *w + by);
        self.judged.iter_mut().for_each(|w| *w = *w + by);
        self.shelved.iter_mut().for_each(|x| s(&mut x.0));
        self.chatter.shift(by);
        if let Some(a) = &mut self.alarm {
            s(&mut a.since);
            s(&mut a.announced);
            a.returned.iter_mut().for_each(s);
        }
    }
}

impl Slot {
    /// Whether an alarm stands whose condition holds, or is not yet over for its off-delay.
    pub fn standing(&self) -> bool {
        self.k.alarm.as_ref().is_some_and(|a| a.standing)
    }

    /// Whether a reading that is not past the limit changes nothing.
    pub fn quiet(&self) -> bool {
        !self.k.on && !self.standing()
    }
}
