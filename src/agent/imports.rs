//! What was recorded elsewhere, handed over while the agent runs: a part at a time, so that no alarm waits for it.

use super::cycle::Agent;
use crate::model::command::{CommandAnswer, CommandError, ImportPart, TakenIn};
use crate::model::{Stamp, Value};
use crate::store::{Foreign, Later, StoreError, Taken, Way};

impl Agent {
    /// Takes in one part, where what is there already stays as it is; or takes it out again.
    pub(super) async fn take_in(&mut self, part: ImportPart, way: Way, at: Stamp) -> CommandAnswer {
        let taken = match part {
            ImportPart::Readings { signal, readings } => {
                let readings = readings.into_iter().map(|(t, v)| (t, Value::Known(v))).collect();
                counted(self.writer.import_readings(Foreign { signal, readings }, way)).await
            }
            ImportPart::Faults { faults } => counted(self.writer.import_faults(faults, way)).await,
            ImportPart::Note { source, digest, summary } => {
                let (done, as_it_was) = match way {
                    Way::In => (self.writer.import_note(at.wall, source, digest, summary).await, true),
                    Way::Out => (self.writer.import_forget(digest).await, false),
                };
                match done {
                    Ok(Ok(was)) => {
                        let known = was == as_it_was;
                        Ok(TakenIn { new: u64::from(!known), known: u64::from(known) })
                    }
                    Ok(Err(e)) => Err(e),
                    Err(_) => Err(StoreError::Closed),
                }
            }
        };
        match taken {
            Ok(t) => Ok(if way == Way::In { t.words() } else { t.words_back() }),
            Err(StoreError::Refused(why)) => Err(CommandError::NotNow(why)),
            Err(e) => Err(CommandError::Failed(e.to_string())),
        }
    }
}

async fn counted(later: Later<Taken>) -> Result<TakenIn, StoreError> {
    let t = later.await.map_err(|_| StoreError::Closed)??;
    Ok(TakenIn { new: t.new, known: t.known })
}
