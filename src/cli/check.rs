//! `tilldawn check`: what would be watched, in words, or every error.

use super::{Done, Failure, WELL, configured, say};
use crate::config::words;
use crate::probe::Roots;
use crate::probe::look_rights::{self, Blind, Form};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Say in words what a configuration watches and what would wake somebody, or list every error
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn check --config tilldawn.toml\n  tilldawn check --config tilldawn.toml --form system"
)]
pub struct Arguments {
    /// Configuration file; without one: the usual one if it is there, else what holds without any
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// For which form of installation to say what cannot be seen
    #[arg(long, value_name = "FORM", default_value = "here")]
    form: Which,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Which {
    /// This very process, tried out
    Here,
    /// The user unit
    User,
    /// The hardened system unit
    System,
}

/// Checks.
pub fn run(a: Arguments) -> Done {
    let c = configured(a.config.as_deref())?;
    let head = match &c.file {
        Some(f) => format!("{}: {} is in order. This is what it means.", c.field, f.display()),
        None => "There is no configuration file. This holds without one.".into(),
    };
    let (form, blind) = match a.form {
        Which::Here => {
            let here = look_rights::here(&Roots::system());
            (format!("what {}, {}, cannot see", here.user, here.form.words()), here.blind)
        }
        Which::User => {
            ("what the user unit cannot see unless more is granted".into(), look_rights::of_form(Form::UserUnit))
        }
        Which::System => (
            "what the hardened system unit cannot see unless more is granted".into(),
            look_rights::of_form(Form::SystemUnit),
        ),
    };
    let away = look_rights::paths(&c);
    let mut out = format!("{head}\n{}", words::whole(&c));
    out.push_str(&seen(&form, &blind));
    if !away.is_empty() {
        out.push_str("\nNot here now\n");
        away.iter().for_each(|l| out.push_str(&words::fill(2, l)));
    }
    say::say(&out);
    Ok(WELL)
}

fn seen(form: &str, blind: &[Blind]) -> String {
    let mut out = format!("\n{}\n", words::heading(form));
    if blind.is_empty() {
        out.push_str("  Nothing that it would need.\n");
    }
    for b in blind {
        out.push_str(&words::fill(2, &format!("{}.", words::heading(&b.what))));
        if !b.grant.is_empty() {
            out.push_str(&format!("      granted by: {}\n", b.grant));
        }
    }
    out
}

/// Every error of a configuration, for a person.
pub fn failure(errors: &[crate::config::ConfigError]) -> Failure {
    let n = errors.len();
    let mut text = format!("{n} error{} in the configuration\n", if n == 1 { "" } else { "s" });
    for e in errors {
        text.push('\n');
        text.push_str(&e.in_full());
    }
    Failure(text)
}
