//! `tilldawn remedy`: what was changed in the hope of fewer faults.

use super::reach::{Reach, ask};
use super::report::Place;
use super::session::said;
use super::{Done, Failure, WELL, configured, say};
use crate::analysis::recorded::units;
use crate::clock::{Clock, SystemClock};
use crate::config::{human, paths};
use crate::house::ClientError;
use crate::model::command::{HardWhen, RemedyWish};
use crate::model::rows::RemedyRow;
use crate::model::{Name, Span, Unit, UnixMs};
use crate::night::night_on;
use crate::report::say::zoned;
use crate::report::season::freeze::{self, Frozen};
use crate::report::settings::{Settings, zone_here};
use crate::store;
use clap::{Args, Subcommand};
use hyper::Method;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use std::path::PathBuf;

/// Write down what you changed in the hope of fewer faults, so that it can be judged
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn remedy add --name 'heating pad, low' --since 2026-01-12T18:00\n  tilldawn remedy add --name 'other cable' --since 2026-01-12 --hard-when 'temperature.outside < 1 °C'\n  tilldawn remedy list\n  tilldawn remedy remove 2\n\nWrite it down before the first night with it: what counts as a hard hour is frozen then, and nobody has seen how it went. One that is entered afterwards is judged with hindsight, and needs more nights.\n\nA heating pad in a closed box is a fire risk: it needs its own over-temperature cut-out and must not be covered by flammable material. Mains outdoors belongs on a residual-current device and in weather-proof fittings, to local code and by a licensed electrician."
)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Write a remedy down
    Add(Box<Add>),
    /// List the remedies
    List {
        #[command(flatten)]
        to: To,
    },
    /// Forget a remedy
    Remove {
        /// Its number, as `list` shows it
        #[arg(value_name = "NUMBER")]
        number: i64,
        #[command(flatten)]
        to: To,
    },
}

#[derive(Debug, Args)]
struct Add {
    /// What was changed
    #[arg(long, value_name = "WORDS")]
    name: String,
    /// From when on: `2026-01-12T18:00` local time, an evening's date, or a time with its offset
    #[arg(long, value_name = "TIME")]
    since: String,
    /// Until when, if it was taken away
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    /// Evening dates on which it was in use, if not every night; several are separated by commas
    #[arg(long, value_name = "DATES", value_delimiter = ',')]
    only_nights: Vec<Date>,
    /// Which hours are as hard as those that failed before, such as `temperature.outside < 1 °C`; without it the program chooses
    #[arg(long, value_name = "RULE", value_parser = hard)]
    hard_when: Option<HardWhen>,
    /// Use that rule even if the remedy may have changed the signal itself
    #[arg(long, requires = "hard_when")]
    anyway: bool,
    /// Zone of local times; without it that of the nights in the store; where an agent is asked, the configured one, else that of this machine
    #[arg(long, value_name = "ZONE", allow_hyphen_values = true, value_parser = super::import::zone)]
    zone: Option<TimeZone>,
    #[command(flatten)]
    to: To,
}

#[derive(Debug, Args)]
struct To {
    /// A store that no agent holds, instead of the running agent
    #[arg(long, value_name = "FILE", conflicts_with_all = ["at", "token", "fingerprint"])]
    store: Option<PathBuf>,
    #[command(flatten)]
    reach: Reach,
}

/// Writes down, lists, forgets.
pub fn run(a: Arguments) -> Done {
    match a.what {
        What::Add(a) => add(*a),
        What::List { to } => list(&to),
        What::Remove { number, to } => remove(number, &to),
    }
}

/// `temperature.outside < 1 °C`.
fn hard(text: &str) -> Result<HardWhen, String> {
    let form = "expected a signal, `<` or `>`, and a limit, such as `temperature.outside < 1 °C`";
    let at = text.find(['<', '>']).ok_or_else(|| format!("`{text}` has neither `<` nor `>`; {form}"))?;
    let signal = Name::new(text[..at].trim()).map_err(|e| format!("{e}; {form}"))?;
    let rest = text[at + 1..].trim_start_matches('=').trim();
    let unit = units::usual(&signal);
    let plain = rest.replace('−', "-").parse::<f64>().ok().filter(|v| v.is_finite());
    let limit = match plain {
        Some(v) => v,
        None => human::value(rest, unit).map_err(|e| format!("{e}; {form}"))?,
    };
    Ok(HardWhen { signal, below: text.as_bytes()[at] == b'<', limit })
}

/// The rule in words, with its unit.
fn hard_words(h: &HardWhen) -> String {
    let unit = match units::usual(&h.signal) {
        Unit::None => String::new(),
        u => format!(" {}", u.symbol()),
    };
    format!("{} {} {}{unit}", h.signal, if h.below { "<" } else { ">" }, h.limit)
}

/// A time as people write it; an evening's date alone means its noon, when that night begins.
fn instant(text: &str, zone: &TimeZone) -> Result<UnixMs, Failure> {
    let t = text.trim();
    if let Ok(ts) = t.parse::<jiff::Timestamp>() {
        return Ok(UnixMs(ts.as_millisecond()));
    }
    if t.len() <= 10
        && let Ok(d) = t.parse::<Date>()
    {
        return Ok(night_on(d, zone).from);
    }
    let civil: Option<DateTime> = t.replacen(' ', "T", 1).parse().ok();
    civil
        .and_then(|c| c.to_zoned_datetime(zone.clone()).ok())
        .map(|z| UnixMs(z.timestamp().as_millisecond()))
        .ok_or_else(|| {
            Failure(format!(
                "`{text}` is no time: expected such as `2026-01-12T18:00`, `2026-01-12` or `2026-01-12T18:00+01:00`"
            ))
        })
}

impl To {
    /// The store to be written to by this call: a named one, or the own one when its agent does not run.
    fn own_store(&self) -> Result<Option<PathBuf>, Failure> {
        if let Some(s) = &self.store {
            return Ok(Some(s.clone()));
        }
        if !self.reach.is_own() {
            return Ok(None);
        }
        let path = configured(self.reach.config())?.agent.store.unwrap_or_else(paths::default_store);
        Ok((path.exists() && store::held_by(&path).is_none()).then_some(path))
    }
}

fn fail(e: impl std::fmt::Display) -> Failure {
    Failure(e.to_string())
}

fn add(a: Add) -> Done {
    let own = a.to.own_store()?;
    let config = configured(a.to.reach.config()).ok();
    let record = own.as_ref().map(|path| Place::named(path).open()).transpose()?;
    let settings = match &record {
        Some(r) => r.settings(r.now)?,
        None => config.as_ref().map(Settings::from_config).unwrap_or_default(),
    };
    let zone = match (a.zone, &record) {
        (Some(z), _) => z,
        (None, Some(r)) => r.zone(&settings)?,
        (None, None) => settings.time_zone(),
    };
    let wish = RemedyWish {
        name: a.name.trim().into(),
        since: instant(&a.since, &zone)?,
        until: a.until.as_deref().map(|u| instant(u, &zone)).transpose()?,
        only_nights: a.only_nights.iter().map(ToString::to_string).collect(),
        hard_when: a.hard_when,
    };
    if wish.name.is_empty() {
        return Err(Failure::new("a remedy needs a name that says what was changed"));
    }
    if wish.until.is_some_and(|u| u <= wish.since) {
        return Err(Failure::new("the end of a remedy must be later than its beginning"));
    }
    let (Some(path), Some(record)) = (own, record) else {
        let client = a.to.reach.client()?;
        let body = json!({"name": wish.name, "since": wish.since, "until": wish.until,
            "only_nights": wish.only_nights, "hard_when": wish.hard_when, "anyway": a.anyway});
        let answer = ask(client.post("/api/v1/remedies", Some(&body)))?;
        say::say(said(&answer));
        return Ok(WELL);
    };
    let now = SystemClock.now().wall;
    let frozen = freeze::freeze(&record.reader, settings, &wish, a.anyway, now).map_err(fail)?;
    let id = store::add_remedy(&path, &row(&wish, &frozen, now)).map_err(fail)?;
    say::say(&told(id, &frozen));
    Ok(WELL)
}

/// The row that is stored.
pub fn row(wish: &RemedyWish, f: &Frozen, added: UnixMs) -> RemedyRow {
    RemedyRow {
        id: 0,
        name: wish.name.clone(),
        added,
        since: wish.since,
        until: wish.until,
        only_nights: wish.only_nights.clone(),
        hard_when: f.hard_when.clone(),
        record_before: f.record_before,
        hindsight: f.hindsight,
    }
}

fn told(id: i64, f: &Frozen) -> String {
    let hard = match (&f.hard_when, f.hindsight) {
        (Some(h), _) => format!(
            "Hard hours are those with {}{}.",
            hard_words(h),
            if f.chosen { ", chosen from the nights before" } else { "" }
        ),
        (None, true) => "What counts as hard is chosen when it is judged.".into(),
        (None, false) => "Nothing on record tells hard hours from others yet: all count.".into(),
    };
    let hindsight = if f.hindsight { " It is judged with hindsight, since nights with it have passed." } else { "" };
    let before = match f.record_before {
        Span::ZERO => "There is no record before it: there will be nothing to compare.".to_string(),
        s => format!("The record before it is {s} long."),
    };
    format!("remedy {id} is written down.{hindsight} {hard} {before}")
}

fn list(to: &To) -> Done {
    let (rows, zone): (Vec<RemedyRow>, TimeZone) = match to.own_store()? {
        Some(path) => {
            let record = Place::named(&path).open()?;
            let zone = record.zone(&record.settings(record.now)?)?;
            (record.reader.remedies().map_err(fail)?, zone)
        }
        None => {
            let v = ask(to.reach.client()?.get("/api/v1/remedies"))?;
            let zone = configured(to.reach.config()).map_or_else(|_| TimeZone::system(), |c| zone_here(&c));
            (v["remedies"].as_array().into_iter().flatten().filter_map(from_json).collect(), zone)
        }
    };
    if rows.is_empty() {
        say::say("No remedy is written down. `tilldawn remedy add --name WORDS --since TIME` does it.");
        return Ok(WELL);
    }
    let at = |t: UnixMs| zoned(t, &zone).strftime("%-d %B %Y %H:%M").to_string();
    for r in &rows {
        let mut line = format!("{}: {}, since {}", r.id, r.name, at(r.since));
        if let Some(u) = r.until {
            line += &format!(" until {}", at(u));
        }
        if !r.only_nights.is_empty() {
            line += &format!(", on {} only", crate::report::say::count(r.only_nights.len(), "night"));
        }
        if let Some(h) = &r.hard_when {
            line += &format!("; hard when {}", hard_words(h));
        }
        line += &format!("; written down {}{}", at(r.added), if r.hindsight { ", judged with hindsight" } else { "" });
        say::say(&format!("{line}."));
    }
    Ok(WELL)
}

fn from_json(v: &Value) -> Option<RemedyRow> {
    Some(RemedyRow {
        id: v["remedy"].as_i64()?,
        name: v["name"].as_str()?.into(),
        added: UnixMs(v["added"].as_i64()?),
        since: UnixMs(v["since"].as_i64()?),
        until: v["until"].as_i64().map(UnixMs),
        only_nights: serde_json::from_value(v["only_nights"].clone()).unwrap_or_default(),
        hard_when: serde_json::from_value(v["hard_when"].clone()).ok().flatten(),
        record_before: Span(v["record_before_ms"].as_i64().unwrap_or_default()),
        hindsight: v["hindsight"].as_bool().unwrap_or_default(),
    })
}

fn remove(number: i64, to: &To) -> Done {
    match to.own_store()? {
        Some(path) => {
            if !store::remove_remedy(&path, number).map_err(fail)? {
                return Err(Failure(format!("there is no remedy `{number}`; `tilldawn remedy list` shows them")));
            }
            say::say(&format!("remedy {number} is forgotten"));
        }
        None => {
            let client = to.reach.client()?;
            let answer = ask(async {
                client
                    .ask(Method::DELETE, &format!("/api/v1/remedies/{number}"), None)
                    .await
                    .map_err(|e: ClientError| e)
            })?;
            say::say(said(&answer));
        }
    }
    Ok(WELL)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rules_for_hard_hours() {
        for (text, below, limit) in [
            ("temperature.outside < 1", true, 1.0),
            ("temperature.outside<=-3.5 °C", true, -3.5),
            ("temperature.outside < 33.8 °F", true, 1.0),
            ("time.since-start > 4", false, 4.0),
        ] {
            let h = hard(text).unwrap();
            assert_eq!(h.below, below);
            assert!((h.limit - limit).abs() < 1e-9, "{text}: {}", h.limit);
        }
        for bad in ["temperature.outside", "< 1", "temperature.outside < cold", "temperature.outside < 5 min", ""] {
            assert!(hard(bad).unwrap_err().contains("temperature.outside < 1 °C"), "{bad}");
        }
        assert_eq!(hard_words(&hard("temperature.outside < 1").unwrap()), "temperature.outside < 1 °C");
    }

    #[test]
    fn times_as_people_write_them() {
        let z = TimeZone::get("Europe/Oslo").unwrap();
        for (text, utc) in [
            ("2026-01-12T18:00", "2026-01-12T17:00:00Z"),
            ("2026-01-12 18:00:30", "2026-01-12T17:00:30Z"),
            ("2026-01-12", "2026-01-12T11:00:00Z"),
            ("2026-01-12T18:00:00+02:00", "2026-01-12T16:00:00Z"),
            ("2026-01-12T18:00:00Z", "2026-01-12T18:00:00Z"),
        ] {
            let t: jiff::Timestamp = utc.parse().unwrap();
            assert_eq!(instant(text, &z).unwrap(), UnixMs(t.as_millisecond()), "{text}");
        }
        for bad in ["", "soon", "2026-02-30", "2026-01-12T25:00"] {
            assert!(instant(bad, &z).is_err(), "{bad}");
        }
    }
}
