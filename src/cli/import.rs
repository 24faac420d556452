//! `tilldawn import`: brings in what was recorded elsewhere, or takes it back.

mod clock;
mod files;
mod target;

use super::reach::Reach;
use super::{Done, Failure, WELL, configured, say};
use crate::analysis::recorded::Layout;
use crate::analysis::recorded::signals::Mapping;
use crate::clock::{Clock, SystemClock};
use crate::config::{human, paths};
use crate::model::command::TakenIn;
use crate::model::{Span, UnixMs, zone_named};
use crate::store::Way;
use clap::Args;
use files::File;
use jiff::tz::TimeZone;
use std::io::IsTerminal;
use std::path::PathBuf;
use target::Target;

/// Bring in what was recorded elsewhere: tables of loggers, and a list of faults that you kept
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn import --store season.db --signals logger.csv --faults faults.csv\n  tilldawn import --store season.db --signals logger.txt --skip-lines 3 --map 'Date=time' --map 'Temp (F)=temperature.outside:degF' --time-format '%d.%m.%Y %H:%M' --zone Europe/Oslo\n  tilldawn import --at http://field-pc:7417 --signals logger.csv\n\nSignals: a column `time` and one column for each signal, named like `temperature.outside`, `load.cpu`. Faults: columns start,end,name and perhaps kind; an empty end means that the rest of that night was lost. Rows that cannot be used are listed and left out. The same file twice changes nothing. What was brought in by mistake is taken out again by the same command with --take-back: every reading and fault at the same instant with the same value, also where another file brought it too (bring that one in again)."
)]
pub struct Arguments {
    /// Tables of signals (CSV)
    #[arg(long, value_name = "FILE", num_args = 1.., required_unless_present = "faults")]
    signals: Vec<PathBuf>,
    /// Lists of faults (CSV)
    #[arg(long, value_name = "FILE", num_args = 1..)]
    faults: Vec<PathBuf>,
    /// Store file, made if it is not there; without one: the agent's own
    #[arg(long, value_name = "FILE", conflicts_with_all = ["at", "token", "fingerprint"])]
    store: Option<PathBuf>,
    /// What a column holds, such as `Temp (F)=temperature.outside:degF` or `Date=time`; may be said several times
    #[arg(long, value_name = "COLUMN=SIGNAL:UNIT", value_parser = Mapping::parse)]
    map: Vec<Mapping>,
    /// How times are written, such as `%d.%m.%Y %H:%M:%S`; without it RFC 3339 and its near relatives
    #[arg(long, value_name = "FORMAT")]
    time_format: Option<String>,
    /// Zone of times without an offset, such as `Europe/Oslo`, or `+01:00` for a logger that knows no summer time; without it UTC. Without a site, nights are parted at its noon
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true, value_parser = zone)]
    zone: Option<TimeZone>,
    /// Lines before the heading
    #[arg(long, value_name = "N", default_value_t = 0)]
    skip_lines: usize,
    /// A reading stands until the next one, at most so long
    #[arg(long, value_name = "TIME", default_value = "30 min", value_parser = human::span)]
    holds: Span,
    /// Added to every time, for a clock that ran off, such as `7 min` or `-90 s`
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = shift)]
    shift: Option<Span>,
    /// Refuse a file with any row that cannot be used
    #[arg(long)]
    strict: bool,
    /// Take out again what these files brought in, read in the same way
    #[arg(long)]
    take_back: bool,
    #[command(flatten)]
    reach: Reach,
}

/// A zone by its name or fixed offset.
///
/// # Errors
/// A name that is none.
pub fn zone(text: &str) -> Result<TimeZone, String> {
    zone_named(text).ok_or_else(|| {
        format!(
            "`{text}` is no time zone: expected a name such as `Europe/Oslo`, `America/Denver` or `UTC`, or a fixed offset such as `+01:00` \
             for a clock that knows no summer time"
        )
    })
}

/// A length of time with a sign.
fn shift(text: &str) -> Result<Span, String> {
    let t = text.trim();
    let (sign, rest) = t.strip_prefix(['-', '−']).map_or((1, t.strip_prefix('+').unwrap_or(t)), |r| (-1, r));
    human::span(rest).map(|s| Span(sign * s.0)).map_err(|e| e.to_string())
}

/// Brings in.
pub fn run(a: Arguments) -> Done {
    if let Some(f) = &a.time_format {
        files::check_format(f)?;
    }
    let layout = Layout {
        skip_lines: a.skip_lines,
        time_format: a.time_format.clone(),
        zone: a.zone.clone(),
        shift_ms: a.shift.unwrap_or_default().0,
        maps: a.map.clone(),
    };
    // Everything is read and judged before anything is written: a bad file among good ones changes nothing.
    let (mut all, mut wrong) = (vec![], vec![]);
    let wanted = a.signals.iter().map(|f| (f, false)).chain(a.faults.iter().map(|f| (f, true)));
    for (path, faults) in wanted {
        match File::read(path, faults, &layout, a.holds) {
            Ok(f) => all.push(f),
            Err(e) => wrong.push(e.to_string()),
        }
    }
    if a.strict {
        let bad = all.iter().filter(|f| !f.refused.is_empty());
        wrong.extend(bad.map(|f| format!("{}\n{} is refused, since --strict is said", f.list_refused(), f.shown())));
    }
    if !wrong.is_empty() {
        let nothing = if a.take_back { "taken back" } else { "brought in" };
        return Err(Failure(format!("{}; nothing was {nothing}", wrong.join("\n"))));
    }
    let now = SystemClock.now().wall;
    let mut target = if a.reach.at().is_some() {
        Target::Agent(Box::new(a.reach.client()?))
    } else {
        let path = match a.store {
            Some(s) => s,
            None => configured(a.reach.config())?.agent.store.unwrap_or_else(paths::default_store),
        };
        if a.take_back && !path.exists() {
            return Err(Failure(format!("there is no store at `{}`: nothing was taken back", path.display())));
        }
        Target::open(path, now)?
    };
    for f in &all {
        say::say(&f.opening());
        if !f.refused.is_empty() {
            say::complain(&f.list_refused());
        }
        if a.take_back {
            let taken = with_bar(f, Way::Out, &mut target, now)?;
            say::say(&format!("  {}.", taken.words_back()));
        } else {
            bring_in(f, a.shift.is_none(), &mut target, now)?;
        }
    }
    Ok(WELL)
}

/// Brings in one file and says what came of it. `compare`: its clock is compared with what is there.
fn bring_in(f: &File, compare: bool, target: &mut Target, now: UnixMs) -> Result<(), Failure> {
    let notes = target.notes()?;
    let again = notes.iter().any(|n| n.digest == f.digest);
    if let Some(was) = f.read_otherwise(&notes) {
        return Err(Failure(format!(
            "{} is in this store already with other times, read with {was}, and readings are never moved or counted twice: take it back first, by this command with {was} --take-back",
            f.shown()
        )));
    }
    let found = if compare && !again { clock::compare(f, target)? } else { None };
    let taken = with_bar(f, Way::In, target, now)?;
    if again && taken.new == 0 {
        say::say("  This very file was brought in before, read in the same way: nothing changes.");
        return Ok(());
    }
    say::say(&format!("  {}.", taken.words()));
    if let Some(words) = found {
        say::say(&format!("  {words}"));
    }
    Ok(())
}

/// Puts a file into the target, or takes it out, under a bar on a terminal.
fn with_bar(f: &File, way: Way, target: &mut Target, now: UnixMs) -> Result<TakenIn, Failure> {
    let bar = std::io::stderr().is_terminal().then(|| indicatif::ProgressBar::new(f.entries()));
    let taken = target.put(f, way, now, &mut |n| {
        if let Some(b) = &bar {
            b.set_position(n);
        }
    })?;
    if let Some(b) = bar {
        b.finish_and_clear();
    }
    Ok(taken)
}
