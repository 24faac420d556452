//! What changed of the installation since the agent looked the last time: looked at soon after the start of the agent, when the
//! programs have been found, and at the start of each session. On a thread of its own, since files are read through.

use crate::config::Config;
use crate::model::{BootMs, Event, EventKind, Name, Span, Stamp};
use crate::probe::Roots;
use crate::probe::installed::{self, Facts};
use crate::store::Writer;
use std::sync::Arc;
use tokio::task::JoinHandle;

/// After the start of the agent, programs have been found by then.
const AFTER_START: Span = Span::secs(20);

/// The look and what is known.
pub struct Changes {
    config: Arc<Config>,
    known: Facts,
    due: Option<BootMs>,
    looking: Option<JoinHandle<Facts>>,
}

impl Changes {
    /// `known`: as it was kept in the store.
    pub fn new(config: Arc<Config>, known: Facts, now: Stamp) -> Changes {
        Changes { config, known, due: Some(now.boot + AFTER_START), looking: None }
    }

    /// Another configuration: looked at anew.
    pub fn reconfigured(&mut self, config: Arc<Config>, now: Stamp) {
        self.config = config;
        self.due = Some(now.boot + AFTER_START);
    }

    /// A session starts.
    pub fn session(&mut self, now: Stamp) {
        self.due = Some(now.boot);
    }

    /// Called each cycle; cheap. Gives what has changed, once it is known.
    pub async fn tick(&mut self, at: Stamp, writer: &Writer) -> Vec<Event> {
        if self.looking.is_none() && self.due.is_some_and(|d| at.boot >= d) {
            self.due = None;
            let config = self.config.clone();
            self.looking = Some(tokio::task::spawn_blocking(move || installed::facts(&config, &Roots::default())));
        }
        if !self.looking.as_ref().is_some_and(JoinHandle::is_finished) {
            return vec![];
        }
        let Some(looking) = self.looking.take() else { return vec![] };
        let Ok(now) = looking.await else { return vec![] };
        let before = self.known.clone();
        let changes = installed::differences(&mut self.known, now);
        if self.known != before {
            // Not saved: the next look tells it again, which is better than never.
            drop(writer.installed(&self.known));
        }
        changes.into_iter().map(|(what, old, new)| self.event(at, &what, &old, &new)).collect()
    }

    fn event(&self, at: Stamp, what: &str, old: &str, new: &str) -> Event {
        let named = what.split_once(' ').and_then(|(head, rest)| Some((Name::new(head).ok()?, rest)));
        let (thing, words) = match named {
            Some((name, rest)) => {
                let title = self.config.title_of(&name);
                (name, format!("{title}: {rest} changed from {old} to {new}"))
            }
            None => (super::cycle::own("machine.this"), format!("{what} changed from {old} to {new}")),
        };
        tracing::info!("{words}");
        Event::new(at, thing, EventKind::Changed, words).with("what", what).with("old", old).with("new", new)
    }
}
