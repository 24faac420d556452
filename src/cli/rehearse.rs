//! `tilldawn rehearse`: invented nights with a known truth, to see every report before there are nights of one's own.

use super::nights::Bar;
use super::{Done, Failure, WELL, say};
use crate::rehearse::pier;
use crate::rehearse::run::{Rehearsal, rehearse};
use crate::rehearse::truth::Case;
use crate::report::morning::opening::date_words;
use crate::report::paper::{WIDTH, wrap};
use crate::report::say::count;
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Make invented nights with a known truth, through the same engine and store, to see every report
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn rehearse\n  tilldawn rehearse --case useless-remedy --nights 30 --seed 7 --store useless.db\n\nWithout arguments: three weeks with a contact that fails in the cold, and a heating pad from the middle on. What is invented is said to be so in every report, and never mixes with real readings."
)]
pub struct Arguments {
    /// What is true in these nights
    #[arg(long, value_enum, default_value = "remedy-works", hide_default_value = true)]
    case: Word,
    /// How many nights
    #[arg(long, value_name = "N", default_value_t = 21, value_parser = clap::value_parser!(u32).range(1..=400))]
    nights: u32,
    /// The same seed gives the same nights
    #[arg(long, value_name = "S", default_value_t = 1)]
    seed: u64,
    /// New file for them; without one: `rehearsed.db` here, or the next free name
    #[arg(long, value_name = "FILE")]
    store: Option<PathBuf>,
}

/// A case, by its word.
#[derive(Clone, Copy, Debug)]
pub struct Word(Case);

impl ValueEnum for Word {
    fn value_variants<'a>() -> &'a [Word] {
        const ALL: [Word; Case::ALL.len()] = {
            let mut all = [Word(Case::NoCause); Case::ALL.len()];
            let mut i = 0;
            while i < all.len() {
                all[i] = Word(Case::ALL[i]);
                i += 1;
            }
            all
        };
        &ALL
    }

    fn to_possible_value(&self) -> Option<clap::builder::PossibleValue> {
        Some(clap::builder::PossibleValue::new(self.0.word()).help(pier::truth(self.0)))
    }
}

/// Rehearses.
pub fn run(a: Arguments) -> Done {
    let path = a.store.unwrap_or_else(free_name);
    let r = Rehearsal::of(a.case.0, a.nights as usize, a.seed);
    let bar = Bar::new();
    let done =
        rehearse(&path, &r, &mut |n| bar.show("inventing nights", n, r.nights)).map_err(|e| Failure(e.to_string()));
    bar.end();
    let done = done?;
    let fill = |text: &str| wrap(text, WIDTH).join("\n") + "\n";
    let mut out = fill(&format!(
        "Invented: {} at an invented pier, {} to {}, with {}. {}",
        count(done.nights, "night"),
        date_words(&done.dates.0),
        date_words(&done.dates.1),
        count(done.faults, "fault"),
        pier::truth(a.case.0)
    ));
    if let Some((name, since)) = &done.remedy {
        out += &fill(&format!("Remedy: {name}, from {} on.", date_words(since)));
    }
    let file = path.display().to_string();
    let file = if file.contains(' ') { format!("'{file}'") } else { file };
    out += "\nSee what the reports make of it:\n\n";
    for line in [
        format!("tilldawn nights --store {file}"),
        format!("tilldawn nights --store {file} --as html --out nights.html"),
        format!("tilldawn report --store {file}"),
        format!("tilldawn report --store {file} --as html --out morning.html"),
        format!("tilldawn incident last --store {file}"),
        format!("tilldawn export --store {file} --out night.csv"),
        format!("tilldawn remedy list --store {file}"),
    ] {
        out += &format!("  {line}\n");
    }
    say::say(&out);
    Ok(WELL)
}

/// `rehearsed.db`, or the next name that is free.
fn free_name() -> PathBuf {
    let names = (1..).map(|k| if k == 1 { "rehearsed.db".into() } else { format!("rehearsed-{k}.db") });
    names.map(PathBuf::from).find(|p| !p.exists()).unwrap_or_else(|| "rehearsed.db".into())
}
