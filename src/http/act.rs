//! Hands a wish to the agent and waits, within a bound, for what came of it.

use super::app::App;
use super::auth::Who;
use super::problem::{Kind, Problem};
use super::{Ask, auth};
use crate::model::Command;
use crate::model::command::CommandError;
use std::time::Duration;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::oneshot;

/// The agent answers within a cycle; a commit on a slow card may take a while longer.
const PATIENCE: Duration = Duration::from_secs(8);

/// Where a wish was uttered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Through {
    /// A button on the page.
    Page,
    /// The API.
    Api,
}

/// As written beside an act: `page`, `command line`, `browser NAME`, `token NAME`.
fn by(who: &Who, through: Through) -> String {
    match (who, through) {
        (auth::Who::Here, Through::Page) => "page".into(),
        (auth::Who::Here, Through::Api) => "command line".into(),
        (auth::Who::Token { name, .. }, _) => format!("token {name}"),
        (auth::Who::Browser { name }, _) => format!("browser {name}"),
        (auth::Who::Nobody, _) => "nobody".into(),
    }
}

/// Asks, and returns what the agent says for the person.
///
/// # Errors
/// What the agent refuses, or that it did not answer.
pub async fn ask(app: &App, command: Command, who: &Who, through: Through) -> Result<String, Problem> {
    let marks = matches!(command, Command::Mark { .. });
    let (answer, answered) = oneshot::channel();
    let ask = Ask { command, by: by(who, through), answer };
    app.serving.commands.try_send(ask).map_err(|e| match e {
        TrySendError::Full(_) => Problem::new(Kind::Busy, "the agent has other wishes to meet first").retry_after(2),
        TrySendError::Closed(_) => Problem::new(Kind::Failed, "the agent is stopping"),
    })?;
    match tokio::time::timeout(PATIENCE, answered).await {
        Ok(Ok(Ok(said))) => {
            if marks {
                app.pictures.forget().await;
            }
            Ok(said)
        }
        Ok(Ok(Err(e))) => Err(refused(&e)),
        Ok(Err(_)) => Err(Problem::new(Kind::Failed, "the agent is stopping")),
        Err(_) => Err(Problem::new(
            Kind::Failed,
            format!("the agent did not answer within {} s; it may still do it", PATIENCE.as_secs()),
        )),
    }
}

fn refused(e: &CommandError) -> Problem {
    let kind = match e {
        CommandError::NotFound(_) => Kind::NotFound,
        CommandError::NotNow(_) => Kind::NotNow,
        CommandError::Failed(_) => Kind::Failed,
    };
    Problem::new(kind, e.to_string())
}
