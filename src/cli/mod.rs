//! The command line, one file per command.
//!
//! Owns the words that a person types and the exit codes: 0 well, 1 something watched is wrong, 2 an error. Each command's
//! `run` hands over to the room that does the work. Must not hold logic of its own beyond asking and telling.

pub mod alarms;
pub mod check;
pub mod copy;
pub mod export;
pub mod import;
pub mod incident;
pub mod logging;
pub mod look;
pub mod nights;
pub mod note;
pub mod out;
pub mod pair;
pub mod present;
pub mod reach;
pub mod rehearse;
pub mod remedy;
pub mod report;
pub mod say;
pub mod session;
pub mod status;
pub mod token;
pub mod watch;

use crate::config::{self, Config, paths};
use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};
use std::path::Path;
use std::process::ExitCode;

/// Why a command could not do its work, in one lower-case sentence; exit code 2.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Failure(pub String);

impl Failure {
    /// A failure with its words.
    pub fn new(words: impl Into<String>) -> Failure {
        Failure(words.into())
    }
}

/// What came of a command.
pub type Done = Result<ExitCode, Failure>;

/// Exit code: all is well.
pub const WELL: ExitCode = ExitCode::SUCCESS;

/// Exit code: something watched is wrong.
pub fn wrong() -> ExitCode {
    ExitCode::from(1)
}

/// Makes the enum of commands, the dispatch and the table of occasions from one list, so that a new command is one line:
/// `Variant => module`, where the module has `pub struct Arguments` (clap's `Args`, its doc comment is the help) and
/// `pub fn run(Arguments) -> Done`.
macro_rules! commands {
    ($($occasion:literal { $($variant:ident => $module:ident,)* })*) => {
        #[derive(Debug, Subcommand)]
        enum Command {
            $($($variant($module::Arguments),)*)*
        }

        impl Command {
            fn run(self) -> Done {
                match self {
                    $($(Command::$variant(a) => $module::run(a),)*)*
                }
            }
        }

        /// Which commands belong to which occasion, in the order of the help.
        const OCCASIONS: &[(&str, &[&str])] = &[$(($occasion, &[$(stringify!($module)),*])),*];
    };
}

commands! {
    "Set up" {
        Look => look,
        Check => check,
        Pair => pair,
        Token => token,
    }
    "Tonight" {
        Watch => watch,
        Status => status,
        Alarms => alarms,
        Session => session,
        Copy => copy,
    }
    "Morning" {
        Report => report,
        Incident => incident,
        Note => note,
        Export => export,
    }
    "Many nights" {
        Nights => nights,
        Remedy => remedy,
        Import => import,
        Rehearse => rehearse,
    }
}

/// Watches an unattended telescope computer and tells in the morning what failed first.
#[derive(Debug, Parser)]
#[command(name = "tilldawn", version, disable_help_subcommand = true, propagate_version = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

/// The command tree with its help grouped by occasion.
pub fn tree() -> clap::Command {
    let tree = Cli::command();
    let width = OCCASIONS.iter().flat_map(|(_, names)| names.iter()).map(|n| n.len()).max().unwrap_or(0);
    let mut groups = String::new();
    for (occasion, names) in OCCASIONS.iter().filter(|(_, names)| !names.is_empty()) {
        groups.push_str(&format!("{occasion}:\n"));
        for name in *names {
            let about = tree.find_subcommand(name).and_then(|c| c.get_about()).map(ToString::to_string);
            groups.push_str(&format!("  {name:width$}  {}\n", about.unwrap_or_default()));
        }
        groups.push('\n');
    }
    tree.help_template(format!(
        "{{about}}\n\n{{usage-heading}} {{usage}}\n\n{groups}Options:\n{{options}}\n\n\
         Each command shows an example with `tilldawn COMMAND --help`.\n\
         Exit codes: 0 well, 1 something watched is wrong, 2 an error.\n"
    ))
}

/// The configuration of a command: the named file, else the usual one if it is there, else the defaults.
pub fn configured(file: Option<&Path>) -> Result<Config, Failure> {
    match file.map(Path::to_path_buf).or_else(paths::default_config) {
        Some(f) => config::load(&f).map_err(|e| check::failure(&e)),
        None => Ok(crate::agent::without_file()),
    }
}

/// Reads the arguments, runs the command, and gives the exit code.
pub fn run() -> ExitCode {
    let cli = match tree().try_get_matches().and_then(|m| Cli::from_arg_matches(&m)) {
        Ok(cli) => cli,
        Err(e) => {
            // A reader that has gone away (`tilldawn --help | head`) is no error of ours.
            let _ = e.print();
            return if e.use_stderr() { ExitCode::from(2) } else { WELL };
        }
    };
    logging::start();
    cli.command.run().unwrap_or_else(|why| {
        say::complain(&format!("tilldawn: {why}"));
        ExitCode::from(2)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tree_is_sound_and_each_command_has_an_occasion_and_an_example() {
        tree().debug_assert();
        let tree = tree();
        let listed: Vec<&str> = OCCASIONS.iter().flat_map(|(_, names)| names.iter().copied()).collect();
        for c in tree.get_subcommands() {
            assert!(listed.contains(&c.get_name()), "{} has no occasion", c.get_name());
            assert!(c.get_about().is_some(), "{} has no help", c.get_name());
            let after = c.get_after_help().map(ToString::to_string).unwrap_or_default();
            assert!(after.contains("tilldawn "), "{} shows no example", c.get_name());
        }
    }
}
