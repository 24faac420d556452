//! `tilldawn incident`: all that is kept with one incident.

use super::note::number;
use super::report::Place;
use super::{Done, Failure, WELL, out};
use crate::model::{Span, UnixMs};
use crate::night::night_of;
use crate::report::{leadup, morning};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Show one incident: what failed first, what followed, what was going on before, and why it may be
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  tilldawn incident last\n  tilldawn incident 17 --as json")]
pub struct Arguments {
    /// Its number, as in the report's JSON and on the page, or `last`
    #[arg(value_name = "NUMBER")]
    which: String,
    #[command(flatten)]
    place: Place,
    /// How it is written
    #[arg(long = "as", value_enum, default_value = "text")]
    form: Form,
    /// Show every signal of the minutes around it, not only those that moved most
    #[arg(long)]
    all: bool,
    /// Write into this file instead of to the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Forms of an incident.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Form {
    /// Plain text, at most 80 columns
    Text,
    /// For programs
    Json,
}

/// Shows it.
pub fn run(a: Arguments) -> Done {
    let fail = |e: crate::store::StoreError| Failure::new(e.to_string());
    let record = a.place.open()?;
    let row = match a.which.as_str() {
        "last" => record.reader.incidents(UnixMs(0), record.now + Span::hours(1)).map_err(fail)?.pop(),
        n => record.reader.incident(number(n)?).map_err(fail)?,
    };
    let Some(row) = row else {
        return Err(Failure::new(match a.which.as_str() {
            "last" => "no incident is on record yet".to_string(),
            n => format!("there is no incident `{n}` on record; `tilldawn report --as json` lists those of a night"),
        }));
    };
    let opened = row.incident.opened.wall;
    let settings = record.settings(opened)?;
    let night = night_of(opened, &settings.time_zone());
    let report = morning::build(&record.reader, &night, settings, record.now).map_err(fail)?;
    let Some(part) = report.incidents.iter().find(|i| i.id == row.incident.id) else {
        return Err(Failure::new(format!("incident `{}` is not among those of its night ({night})", row.incident.id)));
    };
    let around = leadup::read(&record.reader, row.incident.id).map_err(fail)?;
    let text = match a.form {
        Form::Text => morning::incident_to_text(&report, part, Some((&around, a.all))),
        Form::Json => {
            let mut whole = morning::json::incident(part);
            whole["around"] = leadup::to_json(&around);
            format!("{whole:#}\n")
        }
    };
    out::put(a.out.as_deref(), &text)?;
    Ok(WELL)
}
