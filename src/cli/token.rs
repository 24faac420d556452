//! `tilldawn token`: keys for programs on other machines.

use super::{Done, Failure, WELL, say};
use crate::clock::{Clock, SystemClock};
use crate::config::paths::state_dir;
use crate::http::auth::Scope;
use crate::http::auth::keys::{KeyError, KeyFile};
use crate::report::say::zoned;
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Make, list and revoke tokens with which programs on other machines may ask the agent
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn token add house\n  tilldawn token add desk --scope read-write\n  tilldawn token list\n  tilldawn token revoke house"
)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
    /// State folder of the agent, if it is not this user's
    #[arg(long, value_name = "FOLDER", global = true)]
    state: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Make a token; it is shown once and cannot be shown again
    Add {
        /// What to call it, such as the program that uses it
        name: String,
        /// What it may do
        #[arg(long, value_enum, default_value = "read")]
        scope: Allowed,
    },
    /// List the tokens (never the tokens themselves)
    List,
    /// Make a token worthless
    Revoke {
        /// What it is called
        name: String,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Allowed {
    /// Look only; command lines of programs stay hidden
    Read,
    /// Look and act
    ReadWrite,
}

/// Makes, lists or revokes.
pub fn run(a: Arguments) -> Done {
    let keys = KeyFile::in_dir(&a.state.unwrap_or_else(state_dir));
    let failed = |e: KeyError| Failure::new(e.to_string());
    match a.what {
        What::Add { name, scope } => {
            let scope = match scope {
                Allowed::Read => Scope::Read,
                Allowed::ReadWrite => Scope::ReadWrite,
            };
            let token = keys.add_token(&name, scope, SystemClock.now().wall).map_err(failed)?;
            say::say(&format!(
                "{token}\n\nThis token may {}. Keep it like a password: only its hash is kept here, so it cannot be shown again.\n\
                 Use it as\n    curl -H 'Authorization: Bearer {token}' http://ADDRESS:7417/api/v1/summary",
                match scope {
                    Scope::Read => "look, and do nothing else",
                    Scope::ReadWrite => "look and act",
                }
            ));
        }
        What::List => {
            let all = keys.read().map_err(failed)?.tokens;
            if all.is_empty() {
                say::say("There is no token.");
            }
            for t in all {
                let day = zoned(t.made, &jiff::tz::TimeZone::system()).strftime("%-d %B %Y, %H:%M");
                say::say(&format!("{}   {}   made {day}", t.name, t.scope.word()));
            }
        }
        What::Revoke { name } => {
            keys.revoke_token(&name).map_err(failed)?;
            say::say(&format!("The token `{name}` is worthless now."));
        }
    }
    Ok(WELL)
}
