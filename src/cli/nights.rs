//! `tilldawn nights`: what the faults of many nights go with, and whether a remedy helped.

use super::report::{Form, Place};
use super::{Done, Failure, WELL, out};
use crate::model::Name;
use crate::report::season::{self, Wish};
use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::time::Duration;

/// Tell what the faults of many nights go with, and whether a remedy helped
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn nights\n  tilldawn nights --store season.db --since 2026-01-01 --as html --out nights.html\n  tilldawn nights --suspect program.guiding.memory\n\nThe same record gives the same answer. A signal that you suspect counts for more if you name it before you look."
)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// Only nights from this evening on, such as `2026-01-12`
    #[arg(long, value_name = "DATE")]
    since: Option<Date>,
    /// A signal that you suspected beforehand; may be said several times
    #[arg(long, value_name = "SIGNAL", value_parser = |t: &str| Name::new(t).map_err(|e| e.to_string()))]
    suspect: Vec<Name>,
    /// Zone by whose noon nights are parted; without it the configured one, else that of the field PC, else that of the imports, else UTC
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true, value_parser = super::import::zone)]
    zone: Option<TimeZone>,
    /// How it is written
    #[arg(long = "as", value_enum, default_value = "text")]
    form: Form,
    /// Write into this file instead of to the terminal
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Tells.
pub fn run(a: Arguments) -> Done {
    let record = a.place.open()?;
    let settings = record.settings(record.now)?;
    for s in &a.suspect {
        let known = record.reader.signal_id(s).map_err(|e| Failure(e.to_string()))?;
        if known.is_none() {
            return Err(Failure(format!(
                "there is no signal `{s}` on record; `tilldawn export` lists them in its heading"
            )));
        }
    }
    let bar = Bar::new();
    let wish = Wish { since: a.since, suspects: a.suspect, zone: a.zone };
    let gathered =
        season::gather(&record.reader, settings, &wish, record.now, &|done, all| bar.show("reading", done, all))
            .map_err(|e| Failure(e.to_string()))?;
    let report = season::compose(&gathered, record.now, None, &|done, all| bar.show("judging", done, all));
    bar.end();
    let text = match a.form {
        Form::Text => season::to_text(&report),
        Form::Html => season::to_html(&report),
        Form::Json => format!("{:#}\n", season::to_json(&report)),
    };
    out::put(a.out.as_deref(), &text)?;
    Ok(WELL)
}

/// A progress bar, on a terminal only, and only once the work lasts.
pub struct Bar(Option<indicatif::ProgressBar>);

impl Bar {
    /// None where nobody would see it.
    pub fn new() -> Bar {
        let bar = std::io::stderr().is_terminal().then(|| {
            let b = indicatif::ProgressBar::new(1);
            if let Ok(s) = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {percent} %") {
                b.set_style(s);
            }
            b.enable_steady_tick(Duration::from_millis(250));
            b
        });
        Bar(bar)
    }

    /// How far it is.
    pub fn show(&self, what: &'static str, done: usize, all: usize) {
        if let Some(b) = &self.0 {
            b.set_message(what);
            b.set_length(all as u64);
            b.set_position(done as u64);
        }
    }

    /// Takes it away.
    pub fn end(&self) {
        if let Some(b) = &self.0 {
            b.finish_and_clear();
        }
    }
}

impl Default for Bar {
    fn default() -> Bar {
        Bar::new()
    }
}
