//! Wide tables of signals: a column of times, and one column per signal.

use super::times::Times;
use super::units::{self, Foreign};
use super::{BadFile, Layout, Refused, table};
use crate::config::defaults::title;
use crate::model::{Name, SignalDef, Unit, UnixMs};
use std::collections::BTreeMap;

/// `--map "Temp (F)=temperature.outside:degF"`: a column, what it holds, and in which unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Mapping {
    /// The column's heading.
    pub column: String,
    /// What it holds.
    pub holds: Holds,
}

/// What a column holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Holds {
    /// The time, or a part of it (date and clock in two columns: mapped twice, joined by a space).
    Time,
    /// A signal; none: in the signal's usual unit.
    Signal(Name, Option<Foreign>),
}

impl Mapping {
    /// From the text of `--map`.
    ///
    /// # Errors
    /// What is wrong with it and how it should look.
    pub fn parse(text: &str) -> Result<Mapping, String> {
        let form = "expected `COLUMN=SIGNAL` or `COLUMN=SIGNAL:UNIT`, such as `Temp (F)=temperature.outside:degF`";
        let (column, to) = text.rsplit_once('=').ok_or_else(|| format!("`{text}` has no `=`; {form}"))?;
        if to.trim() == "time" {
            return Ok(Mapping { column: column.trim().into(), holds: Holds::Time });
        }
        let (name, unit) = match to.split_once(':') {
            Some((n, u)) => {
                let known = units::foreign(u).ok_or_else(|| {
                    format!("`{u}` is no unit that is known; expected degC, degF, percent, dBm, MB, ms, … ({form})")
                })?;
                (n, Some(known))
            }
            None => (to, None),
        };
        let name = Name::new(name.trim()).map_err(|e| format!("{e} ({form})"))?;
        Ok(Mapping { column: column.trim().into(), holds: Holds::Signal(name, unit) })
    }
}

/// One signal's readings, in order of time, no two at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Which signal.
    pub signal: Name,
    /// In which of our units.
    pub unit: Unit,
    /// Its readings.
    pub values: Vec<(UnixMs, f64)>,
}

/// What a file of signals held.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recorded {
    /// The signals.
    pub series: Vec<Series>,
    /// Rows and cells that were left out.
    pub refused: Vec<Refused>,
    /// What was noticed.
    pub notes: Vec<String>,
    /// Rows read.
    pub rows: usize,
}

/// What an imported signal is, as far as its name and unit tell. Where the store knows the name already, its own definition
/// stays.
pub fn definition(name: &Name, unit: Unit) -> SignalDef {
    let place = if matches!(name.kind(), "temperature" | "humidity") { name.own() } else { "" };
    SignalDef::new(name.clone(), unit, units::resolution(unit), words(name)).at(place)
}

fn words(name: &Name) -> String {
    let spoken = |t: &str| t.replace(['.', '-', '_'], " ");
    match (name.as_str(), name.kind(), name.of_thing()) {
        ("load.cpu", ..) => "processor load".into(),
        ("memory.available", ..) => "memory still available".into(),
        ("memory.available-share", ..) => "share of memory still available".into(),
        ("pressure.cpu", ..) => "waiting for the processor".into(),
        ("pressure.memory", ..) => "waiting for memory".into(),
        ("pressure.io", ..) => "waiting for disks".into(),
        (_, "temperature" | "humidity", None) => title(name),
        (_, _, Some(quantity)) => format!("{} of {}", spoken(quantity), title(&name.thing())),
        _ => spoken(name.as_str()),
    }
}

/// Largest value that is taken: a million billion of any unit is an error code, no reading.
const MOST: f64 = 1e15;

/// Reads a file of signals.
///
/// # Errors
/// Files that hold no such table, with the way out.
pub fn read(bytes: &[u8], layout: &Layout) -> Result<Recorded, BadFile> {
    let mut notes = Vec::new();
    let text = table::decode(bytes, &mut notes)?;
    let t = table::cut(&text, layout.skip_lines, notes)?;
    let (time, columns, mut notes) = columns(&t, layout)?;
    let mut times = Times::new(layout);
    let mut refused = t.refused;
    let mut series: Vec<BTreeMap<UnixMs, f64>> = vec![BTreeMap::new(); columns.len()];
    let (mut twice, mut empty, mut backwards) = (0_usize, 0_usize, 0_usize);
    let mut last = None;
    for (line, cells) in &t.rows {
        let mut refuse = |reason: String| refused.push(Refused { line: *line, reason });
        if cells.len() > t.heading.len() {
            refuse(format!("{} cells where the heading has {}", cells.len(), t.heading.len()));
            continue;
        }
        let stamp: Vec<&str> = time.iter().filter_map(|c| cells.get(*c)).map(String::as_str).collect();
        let at = match times.read(&stamp.join(" ")) {
            Ok(at) => at,
            Err(why) => {
                refuse(why);
                continue;
            }
        };
        backwards += usize::from(last.is_some_and(|l| at < l));
        last = Some(at);
        for (column, into) in columns.iter().zip(&mut series) {
            let cell = cells.get(column.place).map_or("", String::as_str);
            match number(cell, t.decimal_comma) {
                Ok(None) => empty += 1,
                Ok(Some(v)) => {
                    let v = v * column.factor + column.offset;
                    if v.abs() > MOST {
                        refuse(format!("column `{}`: {v:e} is beyond what anything can read", t.heading[column.place]));
                        continue;
                    }
                    match into.get(&at) {
                        None => {
                            into.insert(at, v);
                        }
                        Some(was) if *was == v => twice += 1,
                        Some(_) => refuse(format!("a second, different `{}` at the same instant", column.signal)),
                    }
                }
                Err(why) => refuse(format!("column `{}`: {why}", t.heading[column.place])),
            }
        }
    }
    if times.took_utc {
        notes.push("times carry no offset and no --zone was given: taken as UTC".into());
    }
    if times.repeated {
        notes.push("times in the repeated autumn hour were placed by their order".into());
    }
    for (n, what) in [
        (twice, "repeated readings that say the same"),
        (empty, "empty cells"),
        (backwards, "steps backwards in time, put in order"),
    ] {
        if n > 0 {
            notes.push(format!("{n} {what}"));
        }
    }
    let series = columns
        .into_iter()
        .zip(series)
        .map(|(c, v)| Series { signal: c.signal, unit: c.unit, values: v.into_iter().collect() })
        .collect();
    let mut all = t.notes;
    all.append(&mut notes);
    Ok(Recorded { series, refused, notes: all, rows: t.rows.len() })
}

struct Column {
    place: usize,
    signal: Name,
    unit: Unit,
    factor: f64,
    offset: f64,
}

/// The places of the time, the columns of signals, and what was noticed.
type Columns = (Vec<usize>, Vec<Column>, Vec<String>);

/// Which columns hold the time, and which hold signals.
fn columns(t: &table::Table, layout: &Layout) -> Result<Columns, BadFile> {
    let mut notes = Vec::new();
    let (mut time, mut columns) = (Vec::new(), Vec::<Column>::new());
    for m in &layout.maps {
        if !t.heading.contains(&m.column) {
            return Err(BadFile(format!("there is no column `{}`; the heading has {}", m.column, list(&t.heading))));
        }
    }
    for (place, head) in t.heading.iter().enumerate() {
        let mapped = layout.maps.iter().find(|m| m.column == *head).map(|m| m.holds.clone());
        let holds = mapped.or_else(|| by_heading(head, place));
        match holds {
            Some(Holds::Time) => time.push(place),
            Some(Holds::Signal(signal, foreign)) => {
                let usual = units::usual(&signal);
                let f = foreign.unwrap_or(Foreign { unit: usual, factor: 1.0, offset: 0.0 });
                if usual != Unit::None && f.unit != usual {
                    return Err(BadFile(format!(
                        "column `{head}`: `{signal}` is kept in {}, which {} cannot be turned into",
                        usual.code(),
                        f.unit.code()
                    )));
                }
                if columns.iter().any(|c| c.signal == signal) {
                    return Err(BadFile(format!(
                        "two columns hold `{signal}`; leave one out or map it to another name"
                    )));
                }
                columns.push(Column { place, signal, unit: f.unit, factor: f.factor, offset: f.offset });
            }
            None if head.is_empty() => {}
            None => notes.push(format!("column `{head}` is left out: no signal of that name (use --map)")),
        }
    }
    if time.is_empty() {
        return Err(BadFile(format!(
            "no column holds the time; the heading has {}. Name it `time`, or use --map \"COLUMN=time\"; lines of junk before \
             the heading are left out with --skip-lines",
            list(&t.heading)
        )));
    }
    if columns.is_empty() {
        return Err(BadFile(format!(
            "no column holds a signal; the heading has {}. Use --map, such as --map \"Temp (F)=temperature.outside:degF\"",
            list(&t.heading)
        )));
    }
    Ok((time, columns, notes))
}

/// A heading that speaks for itself: the time, or one of our signals, perhaps with its unit behind it.
fn by_heading(head: &str, place: usize) -> Option<Holds> {
    if head.eq_ignore_ascii_case("time") || (place == 0 && head.eq_ignore_ascii_case("timestamp")) {
        return Some(Holds::Time);
    }
    let (name, unit) = match head.find(['(', '[', ' ']) {
        Some(i) => (head[..i].trim(), Some(head[i..].trim())),
        None => (head, None),
    };
    let name = Name::new(name).ok()?;
    match unit {
        None => Some(Holds::Signal(name, None)),
        Some(u) => Some(Holds::Signal(name, Some(units::foreign(u)?))),
    }
}

/// A heading for an error: its first columns, each cut where it is long.
pub(super) fn list(heading: &[String]) -> String {
    let shown: Vec<String> =
        heading.iter().take(12).map(|h| format!("`{}`", h.chars().take(40).collect::<String>())).collect();
    let more = heading.len().saturating_sub(12);
    if more > 0 { format!("{} and {more} more", shown.join(", ")) } else { shown.join(", ") }
}

/// A cell's number; none for the many ways of writing nothing.
fn number(cell: &str, decimal_comma: bool) -> Result<Option<f64>, String> {
    let c = cell.trim();
    if matches!(c.to_ascii_lowercase().as_str(), "" | "nan" | "na" | "n/a" | "null" | "none" | "-" | "--" | "---") {
        return Ok(None);
    }
    let mut plain = c.replace('−', "-");
    if decimal_comma {
        plain = plain.replacen(',', ".", 1);
    }
    match plain.parse::<f64>() {
        Ok(v) if v.is_finite() => Ok(Some(v)),
        _ => Err(format!("`{}` is no number", c.chars().take(40).collect::<String>())),
    }
}
