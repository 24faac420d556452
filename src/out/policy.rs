//! When a configured action may run: so many times a night, with a cool-down, in the hours that the person allows, and never
//! without its switching-off. Pure: time comes in.

use crate::config::model::Action;
use crate::model::{Name, Span, Stamp};
use std::collections::HashMap;

/// What is known of each action since the agent started.
#[derive(Debug, Default)]
pub struct Book {
    kept: HashMap<Name, Kept>,
}

#[derive(Debug, Default, Clone)]
struct Kept {
    night: String,
    runs: u32,
    last: Option<Stamp>,
    on_since: Option<Stamp>,
}

/// Why an action does not run now, said to the person.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The nightly number is used up.
    #[error("it has already run {0} times tonight, which is its limit (`per_night`)")]
    TooOften(u32),
    /// The last run was too short a time ago.
    #[error("it ran {0} ago and rests between two runs (`cool_down`)")]
    CoolingDown(Span),
    /// It may move equipment and this is not one of its hours.
    #[error("it may move equipment and only runs in the hours that you allowed (`may_move_between`)")]
    NotItsHours,
}

impl Book {
    /// Whether `action` may be switched on now. `night` is the evening's date, `minute` the local minute after midnight.
    /// A permitted run is counted.
    pub fn may_run(&mut self, action: &Action, at: Stamp, night: &str, minute: u16) -> Result<(), Refusal> {
        let kept = self.kept.entry(action.name.clone()).or_default();
        if kept.night != night {
            kept.night = night.into();
            kept.runs = 0;
        }
        if let Some((from, to)) = action.may_move
            && !within(minute, from, to)
        {
            return Err(Refusal::NotItsHours);
        }
        if kept.runs >= action.per_night {
            return Err(Refusal::TooOften(action.per_night));
        }
        if let Some(last) = kept.last
            && at.boot - last.boot < action.cool_down
        {
            return Err(Refusal::CoolingDown(at.boot - last.boot));
        }
        kept.runs += 1;
        kept.last = Some(at);
        if action.off.is_some() {
            kept.on_since = Some(at);
        }
        Ok(())
    }

    /// Whether `action` is switched on, as far as the agent did it itself.
    pub fn is_on(&self, action: &Name) -> bool {
        self.kept.get(action).is_some_and(|k| k.on_since.is_some())
    }

    /// Its switching-off was sent.
    pub fn switched_off(&mut self, action: &Name) {
        if let Some(k) = self.kept.get_mut(action) {
            k.on_since = None;
        }
    }

    /// The actions that have been on for longer than their `at_most`.
    pub fn overdue<'a>(&self, actions: &'a [Action], at: Stamp) -> Vec<&'a Action> {
        actions
            .iter()
            .filter(|a| {
                let since = self.kept.get(&a.name).and_then(|k| k.on_since);
                matches!((since, a.at_most), (Some(s), Some(m)) if at.boot - s.boot >= m)
            })
            .collect()
    }
}

/// Whether a minute after midnight lies in `from..to`, which may pass midnight.
pub fn within(minute: u16, from: u16, to: u16) -> bool {
    if from <= to { (from..to).contains(&minute) } else { minute >= from || minute < to }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{BootMs, UnixMs};

    fn heater() -> Action {
        Action {
            name: Name::new("action.heater").unwrap(),
            title: "heater".into(),
            run: vec!["/bin/true".into()],
            off: Some(vec!["/bin/false".into()]),
            at_most: Some(Span::mins(30)),
            time_limit: Span::secs(5),
            per_night: 2,
            cool_down: Span::mins(10),
            may_move: None,
        }
    }
    fn at(minutes: i64) -> Stamp {
        Stamp::new(UnixMs(minutes * 60_000), BootMs(minutes * 60_000))
    }

    #[test]
    fn runs_are_counted_by_night_and_rest_between() {
        let (mut book, a) = (Book::default(), heater());
        assert_eq!(book.may_run(&a, at(0), "2026-01-12", 0), Ok(()));
        assert_eq!(book.may_run(&a, at(5), "2026-01-12", 0), Err(Refusal::CoolingDown(Span::mins(5))));
        assert_eq!(book.may_run(&a, at(10), "2026-01-12", 0), Ok(()));
        assert_eq!(book.may_run(&a, at(30), "2026-01-12", 0), Err(Refusal::TooOften(2)));
        assert_eq!(book.may_run(&a, at(1440), "2026-01-13", 0), Ok(()));
    }

    #[test]
    fn what_moves_keeps_its_hours_even_over_midnight() {
        let mut a = heater();
        a.may_move = Some((22 * 60, 60));
        let mut book = Book::default();
        assert_eq!(book.may_run(&a, at(0), "n", 12 * 60), Err(Refusal::NotItsHours));
        assert_eq!(book.may_run(&a, at(0), "n", 30), Ok(()));
        assert!(within(23 * 60, 22 * 60, 60) && !within(60, 22 * 60, 60));
    }

    #[test]
    fn every_switching_on_becomes_overdue_until_it_is_switched_off() {
        let (mut book, a) = (Book::default(), heater());
        assert!(book.overdue(std::slice::from_ref(&a), at(0)).is_empty());
        book.may_run(&a, at(0), "n", 0).unwrap();
        assert!(book.is_on(&a.name));
        assert!(book.overdue(std::slice::from_ref(&a), at(29)).is_empty());
        assert_eq!(book.overdue(std::slice::from_ref(&a), at(30)).len(), 1);
        book.switched_off(&a.name);
        assert!(book.overdue(std::slice::from_ref(&a), at(60)).is_empty());
    }
}
