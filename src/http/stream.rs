//! `GET /stream`: server-sent events that keep an open page fresh. `seen` tells how old the agent's knowledge is, `part`
//! brings a section of the page that has changed. A stream ends on the stop signal.

use super::app::App;
use super::page;
use super::problem::{Kind, Problem};
use axum::extract::State;
use axum::response::sse::{Event, Sse};
use futures_util::Stream;
use serde_json::json;
use std::collections::HashMap;
use std::convert::Infallible;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, mpsc};

/// A page is told at most this often.
const PACE: Duration = Duration::from_secs(1);
/// A page hears at least this often, so that both ends notice when the other is gone.
const HEARTBEAT: Duration = Duration::from_secs(5);

/// The handler.
pub async fn stream(
    State(app): State<App>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>> + Send>, Problem> {
    let permit = app.streams.clone().try_acquire_owned().map_err(|_| {
        Problem::new(Kind::Busy, format!("{} pages are open already; close one", super::app::STREAMS)).retry_after(5)
    })?;
    let (tx, rx) = mpsc::channel(4);
    tokio::spawn(feed(app, tx, permit));
    let events = futures_util::stream::unfold(rx, |mut rx| async move { rx.recv().await.map(|e| (Ok(e), rx)) });
    Ok(Sse::new(events))
}

/// Feeds one stream until its reader is gone or the agent stops.
async fn feed(app: App, tx: mpsc::Sender<Event>, _permit: OwnedSemaphorePermit) {
    let mut live = app.serving.live.clone();
    let mut stop = app.stop.clone();
    let mut sent: HashMap<&'static str, u64> = HashMap::new();
    loop {
        let now = live.borrow_and_update().clone();
        let age = app.age_ms(&now);
        let seen = Event::default().event("seen").data(json!({ "age_ms": age, "cycle": now.cycle }).to_string());
        if tx.send(seen).await.is_err() {
            return;
        }
        for (id, html) in page::parts(&app, &now).await {
            let mut h = DefaultHasher::new();
            html.hash(&mut h);
            if sent.insert(id, h.finish()) != Some(h.finish()) {
                let part = Event::default().event("part").data(json!({ "id": id, "html": html }).to_string());
                if tx.send(part).await.is_err() {
                    return;
                }
            }
        }
        tokio::select! {
            _ = stop.wait_for(|s| *s) => return,
            () = tx.closed() => return,
            () = tokio::time::sleep(PACE) => {}
        }
        tokio::select! {
            _ = stop.wait_for(|s| *s) => return,
            () = tx.closed() => return,
            _ = live.changed() => {}
            () = tokio::time::sleep(HEARTBEAT - PACE) => {}
        }
    }
}
