//! Remedies as a person writes them down: what must be frozen at that moment is frozen here.

use super::cycle::Agent;
use crate::model::command::{CommandAnswer, CommandError, RemedyWish};
use crate::model::rows::RemedyRow;
use crate::model::{Span, Stamp};
use crate::night;
use crate::store::{Reader, StoreError};

impl Agent {
    /// Stores a remedy with the date of writing it down and the length of the record before it.
    pub(super) async fn remedy_add(&mut self, wish: &RemedyWish, at: Stamp) -> CommandAnswer {
        if wish.name.trim().is_empty() {
            return Err(CommandError::NotNow("a remedy needs a name that says what was changed".into()));
        }
        if wish.until.is_some_and(|u| u <= wish.since) {
            return Err(CommandError::NotNow("the end of a remedy must be later than its beginning".into()));
        }
        let path = self.store.clone();
        let first = tokio::task::spawn_blocking(move || Reader::open(&path).and_then(|r| r.runs()))
            .await
            .ok()
            .and_then(Result::ok)
            .and_then(|runs| runs.first().map(|r| r.started));
        let record_before = first.map_or(Span::ZERO, |first| Span((wish.since - first).0.max(0)));
        // Written down before the first night with it is over: nobody can have seen yet how it went.
        let hindsight = night::night_of(wish.since, self.darkness.zone()).to <= at.wall;
        let row = RemedyRow {
            id: 0,
            name: wish.name.trim().into(),
            added: at.wall,
            since: wish.since,
            until: wish.until,
            only_nights: wish.only_nights.clone(),
            hard_when: wish.hard_when.clone(),
            record_before,
            hindsight,
        };
        match self.writer.remedy_add(row).await {
            Ok(Ok(id)) if hindsight => {
                Ok(format!("remedy {id} is written down; judged with hindsight, since it began earlier"))
            }
            Ok(Ok(id)) => Ok(format!("remedy {id} is written down")),
            Ok(Err(e)) => Err(CommandError::Failed(e.to_string())),
            Err(_) => Err(CommandError::Failed("the store has stopped".into())),
        }
    }

    /// Forgets a remedy.
    pub(super) async fn remedy_remove(&mut self, id: i64) -> CommandAnswer {
        match self.writer.remedy_remove(id).await {
            Ok(Ok(())) => Ok(format!("remedy {id} is forgotten")),
            Ok(Err(StoreError::NotFound(what))) => Err(CommandError::NotFound(what)),
            Ok(Err(e)) => Err(CommandError::Failed(e.to_string())),
            Err(_) => Err(CommandError::Failed("the store has stopped".into())),
        }
    }
}
