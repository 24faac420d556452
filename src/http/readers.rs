//! Reading the store without holding up anybody: on blocking threads, a few at a time, each with a connection of its own.

use super::app::App;
use super::problem::{Kind, Problem};
use crate::store::{Reader, StoreError};
use std::time::Duration;

/// At most so many requests read at once; the small machine has better things to do.
pub const AT_ONCE: usize = 3;
/// A request waits this long for its turn, and then this long for its answer.
const PATIENCE: Duration = Duration::from_secs(10);

/// Runs `read` on a reader of the store.
///
/// # Errors
/// That there is no store, that it cannot be read now, or that too much is asked at once.
pub async fn read<T, F>(app: &App, read: F) -> Result<T, Problem>
where
    T: Send + 'static,
    F: FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
{
    let Some(path) = app.serving.store.clone() else {
        return Err(Problem::new(
            Kind::NoStore,
            "the agent keeps no store, so that only the present is known; start it with `--store FILE`",
        ));
    };
    let turn = tokio::time::timeout(PATIENCE, app.readers.clone().acquire_owned()).await;
    let Ok(Ok(turn)) = turn else {
        return Err(Problem::new(Kind::Busy, "too many requests read the store at once").retry_after(5));
    };
    let work = tokio::task::spawn_blocking(move || {
        // Held until the work is done, even when nobody waits for it any more: a stuck disk must not gather threads.
        let _turn = turn;
        Reader::open(&path).and_then(|r| read(&r))
    });
    match tokio::time::timeout(PATIENCE, work).await {
        Ok(Ok(Ok(v))) => Ok(v),
        Ok(Ok(Err(e))) => Err(trouble(app, &e)),
        Ok(Err(_)) => {
            Err(Problem::new(Kind::NoStore, "reading the store failed in an unforeseen way; the log tells more"))
        }
        Err(_) => Err(Problem::new(Kind::NoStore, "the disk of the store does not answer").retry_after(10)),
    }
}

fn trouble(app: &App, e: &StoreError) -> Problem {
    let now = app.live();
    let mut words = e.to_string();
    if !now.store.well && !now.store.because.is_empty() {
        words = format!("{words}; the agent says: {}", now.store.because);
    }
    Problem::new(Kind::NoStore, words).retry_after(10)
}
