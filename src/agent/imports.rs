//! What was recorded elsewhere, handed over while the agent runs: a part at a time, so that no alarm waits for it.

use super::cycle::Agent;
use crate::model::command::{CommandAnswer, CommandError, ImportPart, TakenIn};
use crate::model::{Stamp, Value};
use crate::store::{Foreign, Later, StoreError, Taken};

impl Agent {
    /// Takes in one part. What is there already stays as it is.
    pub(super) async fn take_in(&mut self, part: ImportPart, at: Stamp) -> CommandAnswer {
        let taken = match part {
            ImportPart::Readings { signal, readings } => {
                let readings = readings.into_iter().map(|(t, v)| (t, Value::Known(v))).collect();
                counted(self.writer.import_readings(Foreign { signal, readings })).await
            }
            ImportPart::Faults { faults } => counted(self.writer.import_faults(faults)).await,
            ImportPart::Note { source, digest, summary } => {
                match self.writer.import_note(at.wall, source, digest, summary).await {
                    Ok(Ok(before)) => Ok(TakenIn { new: u64::from(!before), known: u64::from(before) }),
                    Ok(Err(e)) => Err(e),
                    Err(_) => Err(StoreError::Closed),
                }
            }
        };
        match taken {
            Ok(t) => Ok(t.words()),
            Err(StoreError::Refused(why)) => Err(CommandError::NotNow(why)),
            Err(e) => Err(CommandError::Failed(e.to_string())),
        }
    }
}

async fn counted(later: Later<Taken>) -> Result<TakenIn, StoreError> {
    let t = later.await.map_err(|_| StoreError::Closed)??;
    Ok(TakenIn { new: t.new, known: t.known })
}
