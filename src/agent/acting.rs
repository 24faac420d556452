//! Carries the engine's wishes for actions to the commands that the person configured.

use crate::config::model::Action;
use crate::model::outcome::ActionWish;
use crate::model::{Event, EventKind, Stamp};
use crate::night;
use crate::out::policy::Book;
use crate::out::runner::{self, Way};
use crate::probe::Outlet;
use jiff::tz::TimeZone;
use std::time::Duration;

/// The configured actions and what is known of their runs.
pub struct Acting {
    actions: Vec<Action>,
    zone: TimeZone,
    book: Book,
    outlet: Outlet,
}

impl Acting {
    /// For these actions; what comes of them arrives through `outlet` like any other event.
    pub fn new(actions: Vec<Action>, zone: TimeZone, outlet: Outlet) -> Acting {
        Acting { actions, zone, book: Book::default(), outlet }
    }

    /// Carries out one wish, or says why not.
    pub fn wish(&mut self, wish: &ActionWish, because: &str) {
        let Some(action) = self.actions.iter().find(|a| a.name == wish.action).cloned() else { return };
        if !wish.on {
            self.off(&action, wish.at, because);
            return;
        }
        let night = night::night_of(wish.at.wall, &self.zone).date.to_string();
        let minute = jiff::Timestamp::from_millisecond(wish.at.wall.0)
            .map(|t| t.to_zoned_datetime(self.zone.clone()))
            .map_or(0, |z| u16::from(z.hour().unsigned_abs()) * 60 + u16::from(z.minute().unsigned_abs()));
        match self.book.may_run(&action, wish.at, &night, minute) {
            Ok(()) => self.spawn(action, Way::On, wish.at, because),
            Err(why) => {
                let text = format!("{} was not run: {why}", action.title);
                let e = Event::new(wish.at, action.name.clone(), EventKind::ActionRun, text)
                    .with("action", action.name.as_str())
                    .with("ok", false)
                    .with("refused", true);
                self.outlet.event(e);
            }
        }
    }

    /// Switches off what has been on for longer than its `at_most`.
    pub fn tick(&mut self, at: Stamp) {
        if self.actions.is_empty() {
            return;
        }
        let overdue: Vec<Action> = self.book.overdue(&self.actions, at).into_iter().cloned().collect();
        for a in overdue {
            self.off(&a, at, "its longest time (`at_most`) is over");
        }
    }

    /// Sends every switching-off: at start, since a heater may have been left on by an agent that died.
    pub fn all_off(&mut self, at: Stamp, because: &str) {
        for a in self.actions.clone() {
            self.off(&a, at, because);
        }
    }

    /// The same at stop, waited for, at most `limit`.
    pub async fn all_off_now(&mut self, at: Stamp, because: &str, limit: Duration) -> Vec<Event> {
        let offs: Vec<&Action> = self.actions.iter().filter(|a| a.off.is_some()).collect();
        let runs = offs.iter().map(|a| runner::run(a, Way::Off, because, at));
        tokio::time::timeout(limit, futures_util::future::join_all(runs)).await.unwrap_or_default()
    }

    fn off(&mut self, action: &Action, at: Stamp, because: &str) {
        if action.off.is_some() {
            self.book.switched_off(&action.name);
            self.spawn(action.clone(), Way::Off, at, because);
        }
    }

    fn spawn(&self, action: Action, way: Way, at: Stamp, because: &str) {
        let (outlet, because) = (self.outlet.clone(), because.to_string());
        tokio::spawn(async move { outlet.event(runner::run(&action, way, &because, at).await) });
    }
}
