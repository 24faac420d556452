//! `tilldawn copy`: a safe copy of the store while the agent runs.

use super::{Done, Failure, WELL, configured, say};
use crate::config::paths;
use crate::store;
use clap::Args;
use std::io::IsTerminal;
use std::path::PathBuf;

/// Make a safe copy of the store while the agent runs
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  tilldawn copy --to january.db\n  tilldawn copy --store night.db --to copy.db")]
pub struct Arguments {
    /// The new file; it must not exist yet
    #[arg(long, value_name = "FILE")]
    to: PathBuf,
    /// Store file; without one: the agent's own
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
}

/// Copies.
pub fn run(a: Arguments) -> Done {
    let from = match a.store {
        Some(s) => s,
        None => configured(None)?.agent.store.unwrap_or_else(paths::default_store),
    };
    let bar = std::io::stderr().is_terminal().then(|| indicatif::ProgressBar::new(1));
    let bytes = store::copy(&from, &a.to, |done, all| {
        if let Some(b) = &bar {
            b.set_length(all);
            b.set_position(done);
        }
    })
    .map_err(|e| Failure::new(e.to_string()))?;
    if let Some(b) = bar {
        b.finish_and_clear();
    }
    say::say(&format!("`{}` holds a whole copy, {:.1} MB.", a.to.display(), bytes as f64 / 1e6));
    Ok(WELL)
}
