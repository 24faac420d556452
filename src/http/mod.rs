//! The HTTP side of the agent: router, authentication, JSON, page, live events. Reads through `store` queries and the
//! published present; holds no logic of its own, and asks the agent (through [`Ask`]) for every write.
//!
//! | path | what |
//! | --- | --- |
//! | `GET /` | the page; `POST /act` its buttons; `GET /look?as=day\|night\|auto`; `GET /stream` server-sent events |
//! | `GET /nights`, `GET /nights/{night}` | the nights on record, and the morning report of one |
//! | `GET /remedies` | what was changed in the hope of fewer faults, and the form for another |
//! | `GET /pair`, `POST /pair` | lets a browser in by a short code (the only page open without it beyond loopback) |
//! | `GET /api/v1/summary` | the present in one record |
//! | `GET /api/v1/alarms?after=SEQ&limit=N` | transitions of alarms |
//! | `POST /api/v1/alarms/acknowledge`, `POST /api/v1/alarms/{alarm}/acknowledge\|shelve\|unshelve` | acts on alarms |
//! | `GET /api/v1/signals`, `GET /api/v1/signals/{name}?from&to&points` | what is measured, and one signal in buckets |
//! | `GET /api/v1/events?from&to&kind&limit`, `GET /api/v1/sessions?from&to` | what happened, and when it counted |
//! | `POST /api/v1/session` with `{"do":"start"\|"end"}` | begins or ends a session |
//! | `GET /api/v1/incidents?from&to`, `GET /api/v1/incidents/{incident}`, `PUT …/mark` | what belongs together |
//! | `GET\|POST /api/v1/remedies`, `DELETE /api/v1/remedies/{remedy}` | what was changed in the hope of fewer faults |
//! | `GET /api/v1/openapi.json`, `GET /api/v1/problems` | the description, and every kind of error answer |
//! | `GET /metrics` | the latest readings as OpenMetrics text |

mod act;
mod api;
mod app;
pub mod auth;
mod door;
mod extract;
mod gate;
mod page;
mod problem;
mod readers;
mod router;
mod stream;
#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
mod wire;
mod words;

pub use auth::may_listen::{Refusal, may_listen};
pub use door::{Door, HttpError, serve};

use crate::clock::SharedClock;
use crate::config::Config;
use crate::model::command::CommandAnswer;
use crate::model::{Command, Live, Signals};
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};

/// One wish of a person, on its way to the agent.
#[derive(Debug)]
pub struct Ask {
    /// What is wished.
    pub command: Command,
    /// Who wishes it: `page`, `phone NAME`, `token NAME`.
    pub by: String,
    /// Where the answer goes. The agent drops it when it cannot answer.
    pub answer: oneshot::Sender<CommandAnswer>,
}

/// What the HTTP side needs from the agent.
#[derive(Clone)]
pub struct Serving {
    /// The present, published after each cycle.
    pub live: watch::Receiver<Arc<Live>>,
    /// The configuration in force; a new one is sent when it is loaded anew. Where to listen is read once, at the start.
    pub config: watch::Receiver<Arc<Config>>,
    /// The table of signals.
    pub signals: Signals,
    /// The store to read from; none when the agent was started without one.
    pub store: Option<PathBuf>,
    /// Wishes to the agent. Bounded; a full queue is answered as "busy".
    pub commands: mpsc::Sender<Ask>,
    /// This very program, run to make a report in a process of its own; none: the report is made here.
    pub program: Option<PathBuf>,
    /// Where tokens, paired browsers and the certificate are kept.
    pub state_dir: PathBuf,
    /// The clock that `Live::at` was taken from.
    pub clock: SharedClock,
}
