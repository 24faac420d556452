//! The detailed record around an incident, in words and a table, and as JSON.

use super::paper::{Paper, cut};
use super::say;
use crate::config::model::TemperatureScale;
use crate::model::leadup::{LeadUp, Part, ProgramTrack, Track};
use crate::model::{EventKind, Span, Unit, UnixMs};
use crate::store::{Reader, StoreError};
use jiff::tz::TimeZone;
use serde_json::{Value, json};

/// Programs that are listed, the heaviest first.
const PROGRAMS: usize = 10;
/// Signals that are listed unless all are wanted.
const SIGNALS: usize = 16;
/// Kinds of signals in the order in which they matter, where none moved more than another.
const KINDS: [&str; 8] = ["pressure", "load", "memory", "temperature", "program", "device", "link", "interface"];
/// Instants of the table, seconds from the incident, with their heads.
const INSTANTS: [(i64, &str); 6] =
    [(-595, "-10 min"), (-300, "-5 min"), (-60, "-1 min"), (-1, "before"), (60, "+1 min"), (295, "+5 min")];
/// A value this old still stands for an instant.
const OLD: Span = Span::secs(75);

/// Both parts, as far as they are kept.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Around {
    /// The ten minutes before.
    pub before: Option<LeadUp>,
    /// The five minutes after.
    pub after: Option<LeadUp>,
    /// Processes that events of these minutes name.
    pub pids: Vec<u32>,
}

/// Reads what is kept with an incident.
///
/// # Errors
/// When the store cannot be read, or the record is damaged.
pub fn read(reader: &Reader, incident: i64) -> Result<Around, StoreError> {
    let before = reader.leadup_record(incident, Part::Before)?;
    let after = reader.leadup_record(incident, Part::After)?;
    let mut pids = vec![];
    if let Some(b) = &before {
        use EventKind::{ProgramEnded, ProgramStarted, ProgramStopped};
        let until = b.to + crate::model::leadup::AFTER;
        for e in reader.events(b.to - Span::mins(1), until, &[ProgramEnded, ProgramStopped, ProgramStarted])? {
            pids.extend(e.detail.get("pid").and_then(Value::as_u64).and_then(|p| u32::try_from(p).ok()));
        }
    }
    Ok(Around { before, after, pids })
}

impl Around {
    /// Whether nothing is kept.
    pub fn is_empty(&self) -> bool {
        self.before.is_none() && self.after.is_none()
    }

    /// The instant that all times are told from: the end of the part before.
    fn zero(&self) -> Option<UnixMs> {
        self.before.as_ref().map(|b| b.to).or_else(|| self.after.as_ref().map(|a| a.from))
    }

    fn parts(&self) -> impl Iterator<Item = &LeadUp> {
        self.before.iter().chain(&self.after)
    }

    /// Every signal once, with the points of both parts.
    fn signals(&self) -> Vec<Track> {
        let mut all: Vec<Track> = vec![];
        for t in self.parts().flat_map(|p| &p.signals) {
            match all.iter_mut().find(|a| a.name == t.name) {
                Some(a) => {
                    a.points.extend(&t.points);
                    a.why = t.why.clone().or(a.why.take());
                }
                None => all.push(t.clone()),
            }
        }
        all
    }

    /// Every program once.
    fn programs(&self) -> Vec<ProgramTrack> {
        let mut all: Vec<ProgramTrack> = vec![];
        for t in self.parts().flat_map(|p| &p.programs) {
            match all.iter_mut().find(|a| a.pid == t.pid && a.name == t.name) {
                Some(a) => a.points.extend(&t.points),
                None => all.push(t.clone()),
            }
        }
        all
    }
}

/// How much a signal moved in the last two minutes before, against how restless it was in the minutes before those.
fn movement(t: &Track, zero: UnixMs) -> f64 {
    let (Some(early), Some(late)) =
        (t.figures(zero - Span::mins(10), zero - Span::mins(2)), t.figures(zero - Span::mins(2), zero))
    else {
        return 0.0;
    };
    let rest = (early[2] - early[0]).max(t.resolution * 2.0).max(early[1].abs() * 0.01);
    let up = (late[2] - early[2]).max(0.0);
    let down = (early[0] - late[0]).max(0.0);
    up.max(down) / rest
}

/// Signals that count up for ever say nothing by moving.
fn tells(t: &Track) -> bool {
    !matches!(t.name.of_thing(), Some("uptime" | "since-light")) && t.name.as_str() != "machine.uptime"
}

/// What the record shows, in sentences.
pub fn words(a: &Around, zone: &TimeZone) -> Vec<String> {
    let Some(zero) = a.zero() else { return vec![] };
    let mut out = vec![];
    let programs = a.programs();
    let minute = zero - Span::mins(1);
    let mut heavy: Vec<(f64, &ProgramTrack)> =
        programs.iter().filter_map(|p| Some((p.cpu(minute, zero)?, p))).filter(|h| h.0 >= 1.0).collect();
    heavy.sort_by(|x, y| y.0.total_cmp(&x.0));
    if let Some((cpu, p)) = heavy.first() {
        let before = p.cpu(zero - Span::mins(10), zero - Span::mins(2));
        let was = before.map_or(String::new(), |b| format!(", after {} % in the minutes before", say::number(b, 0)));
        out.push(format!(
            "In the last minute {} ({}) used the most processor time: {} % of a core{was}.",
            p.name,
            p.pid,
            say::number(*cpu, 0)
        ));
    }
    let growth = |p: &ProgramTrack| Some(p.memory(zero)? - p.points.first().filter(|f| f.at < zero)?.memory);
    let grown = programs.iter().filter_map(|p| Some((growth(p)?, p))).max_by(|x, y| x.0.total_cmp(&y.0));
    if let Some((by, p)) = grown.filter(|g| g.0 >= 50e6) {
        out.push(format!("{} ({}) grew by {} of memory in these ten minutes.", p.name, p.pid, say::bytes(by)));
    }
    let waited: Vec<String> = programs
        .iter()
        .filter(|p| p.points.iter().any(|x| x.at >= minute && x.at <= zero && x.state == 'D'))
        .map(|p| format!("{} ({})", p.name, p.pid))
        .collect();
    if !waited.is_empty() {
        let who = say::list(&waited[..waited.len().min(4)]);
        out.push(format!("In the last minute seen waiting in the kernel, as for a disk or a device: {who}."));
    }
    let ended: Vec<String> = programs
        .iter()
        .filter(|p| p.points.first().is_some_and(|f| f.at < minute - Span::mins(2)))
        .filter(|p| p.points.last().is_some_and(|l| l.at <= zero + Span::secs(11) && l.at >= minute))
        .filter(|_| a.after.as_ref().is_some_and(|x| x.to - x.from > Span::secs(30)))
        .map(|p| format!("{} ({})", p.name, p.pid))
        .collect();
    if !ended.is_empty() {
        out.push(format!("Gone from then on: {}.", say::list(&ended[..ended.len().min(6)])));
    }
    let signals = a.signals();
    let lost: Vec<&str> = signals
        .iter()
        .filter(|t| t.points.iter().any(|p| p.1.is_none() && p.0 >= minute && p.0 <= zero))
        .filter(|t| t.points.iter().any(|p| p.1.is_some() && p.0 < minute))
        .map(|t| t.name.as_str())
        .collect();
    if !lost.is_empty() {
        out.push(format!("Could no longer be read in the last minute: {}.", say::list(&lost[..lost.len().min(6)])));
    }
    if a.parts().any(|p| p.cut) {
        out.push("Part of this was left out for want of room.".into());
    }
    if let Some(b) = &a.before {
        out.push(format!(
            "Kept from {} to {}: {} and {}.",
            say::clock_s(b.from, zone),
            say::clock_s(a.after.as_ref().map_or(b.to, |x| x.to), zone),
            say::count(signals.len(), "signal"),
            say::count(programs.len(), "program")
        ));
    }
    out
}

fn value(t: &Track, v: Option<f64>, scale: TemperatureScale) -> String {
    let Some(v) = v else { return "-".into() };
    match t.unit {
        Unit::Truth => (if v == 0.0 { "no" } else { "yes" }).into(),
        Unit::Bytes => say::bytes(v),
        u => {
            let v = say::in_scale(v, u, scale);
            // Three digits that count are enough for a table.
            let digits = if v.abs() >= 100.0 { 0 } else { say::decimals_for(t.resolution).min(2) };
            say::number(v, digits)
        }
    }
}

/// A table: rows of a first column and one for each instant; the first row is the head.
pub type Table = Vec<Vec<String>>;

/// The record in tables: signals (`all`, else those that moved most before the incident), programs by processor time, the same by
/// memory; and how many signals were left out.
pub fn tables(a: &Around, scale: TemperatureScale, all: bool) -> (Vec<Table>, usize) {
    let Some(zero) = a.zero() else { return (vec![], 0) };
    let at = |s: i64| zero + Span(s * 1000);
    let head = |first: &str| {
        let mut h = vec![first.to_string()];
        h.extend(INSTANTS.iter().map(|i| i.1.to_string()));
        h
    };
    let mut signals: Vec<(f64, Track)> =
        a.signals().into_iter().filter(|t| all || tells(t)).map(|t| (movement(&t, zero), t)).collect();
    let count = signals.len();
    if all {
        signals.sort_by(|x, y| x.1.name.cmp(&y.1.name));
    } else {
        let rank = |t: &Track| KINDS.iter().position(|k| *k == t.name.kind()).unwrap_or(KINDS.len());
        let order = |t: &Track| (rank(t), t.name.clone());
        signals.sort_by(|x, y| y.0.total_cmp(&x.0).then_with(|| order(&x.1).cmp(&order(&y.1))));
        signals.truncate(SIGNALS);
    }
    let mut moved = vec![head(if all { "Signals" } else { "Signals, what moved most first" })];
    for (_, t) in &signals {
        let unit = match say::symbol(t.unit, scale) {
            "" => String::new(),
            _ if t.unit == Unit::Bytes => String::new(),
            u => format!(" {u}"),
        };
        let mut row = vec![format!("{}{unit}", t.name)];
        row.extend(INSTANTS.iter().map(|(s, _)| value(t, t.last(at(*s) - OLD, at(*s)), scale)));
        moved.push(row);
    }
    let instant = |s: i64| if s == -1 { zero } else { at(s) };
    let mut programs: Vec<(f64, ProgramTrack)> = a
        .programs()
        .into_iter()
        .map(|t| (t.cpu(zero - Span::mins(2), zero).unwrap_or(0.0) + t.memory(zero).unwrap_or(0.0) / 1e9, t))
        .collect();
    // Those that the incident is about first.
    let own = |t: &ProgramTrack| a.pids.contains(&t.pid);
    programs.sort_by(|x, y| own(&y.1).cmp(&own(&x.1)).then(y.0.total_cmp(&x.0)));
    programs.truncate(PROGRAMS);
    let mut busy = vec![head("Programs, % of a core")];
    let mut memory = vec![head("The same, memory")];
    for (_, t) in &programs {
        let name = format!("{} ({})", t.name, t.pid);
        let mut row = vec![name.clone()];
        row.extend(INSTANTS.iter().map(|(s, _)| {
            let end = instant(*s);
            t.cpu(end - Span::secs(25), end).map_or("-".into(), |v| say::number(v, 0))
        }));
        busy.push(row);
        let mut row = vec![name];
        row.extend(INSTANTS.iter().map(|(s, _)| {
            let end = instant(*s);
            let point = t.points.iter().rev().find(|x| x.at <= end && end - x.at < Span::secs(25));
            point.map_or("-".into(), |x| say::bytes(x.memory))
        }));
        memory.push(row);
    }
    (vec![moved, busy, memory], count - signals.len())
}

/// Said where nothing is kept.
pub const NOTHING: &str =
    "Nothing is kept in detail with this incident: it is from before the agent kept it, or came in a row of too many.";

/// The record on paper. `all`: every signal, else those that moved most before the incident.
pub fn on_paper(p: &mut Paper, a: &Around, zone: &TimeZone, scale: TemperatureScale, all: bool) {
    p.heading("In detail: before and after");
    if a.is_empty() {
        p.para(NOTHING);
        return;
    }
    for w in words(a, zone) {
        p.para(&w);
    }
    let (tables, more) = tables(a, scale, all);
    for (i, t) in tables.iter().enumerate() {
        if i > 0 {
            p.gap();
        }
        table(p, t);
        if i == 0 && more > 0 {
            p.para(&format!("And {more} more; `--all` shows every one."));
        }
    }
}

/// A table of a wide first column and numbers set to the right, 80 columns in all.
fn table(p: &mut Paper, rows: &[Vec<String>]) {
    const FIRST: usize = 31;
    const OTHER: usize = 8;
    for r in rows {
        let Some((first, others)) = r.split_first() else { continue };
        let mut line = super::paper::pad(&cut(first, FIRST), FIRST);
        for o in others {
            let o = cut(o, OTHER - 1);
            line.push_str(&" ".repeat(OTHER.saturating_sub(unicode_width::UnicodeWidthStr::width(o.as_str()))));
            line.push_str(&o);
        }
        p.line(line.trim_end());
    }
}

/// Everything that is kept, for programs. Times in milliseconds since 1970, values in the unit beside them.
pub fn to_json(a: &Around) -> Value {
    let part = |l: &LeadUp| {
        let signals: Vec<Value> = l
            .signals
            .iter()
            .map(|t| {
                json!({
                    "name": t.name, "unit": t.unit.code(), "resolution": t.resolution, "what": t.what, "why": t.why,
                    "at": t.points.iter().map(|p| p.0.0).collect::<Vec<_>>(),
                    "values": t.points.iter().map(|p| p.1).collect::<Vec<_>>(),
                })
            })
            .collect();
        let programs: Vec<Value> = l
            .programs
            .iter()
            .map(|t| {
                let column = |f: &dyn Fn(&crate::model::leadup::ProgramPoint) -> Value| {
                    t.points.iter().map(f).collect::<Vec<_>>()
                };
                json!({
                    "pid": t.pid, "name": t.name,
                    "at": column(&|p| p.at.0.into()),
                    "cpu_percent": column(&|p| p.cpu.into()),
                    "memory_bytes": column(&|p| p.memory.into()),
                    "state": column(&|p| p.state.to_string().into()),
                    "disk_wait_percent": column(&|p| p.disk_wait.into()),
                    "disk_fetches": column(&|p| p.disk_fetches.into()),
                })
            })
            .collect();
        json!({
            "opened": l.opened.0, "from": l.from.0, "to": l.to.0, "cut": l.cut, "signals": signals, "programs": programs,
        })
    };
    json!({ "before": a.before.as_ref().map(&part), "after": a.after.as_ref().map(&part) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Name;
    use crate::model::leadup::ProgramPoint;

    fn at(s: i64) -> UnixMs {
        UnixMs(1_768_000_000_000 + s * 1000)
    }

    fn part(from: i64, to: i64) -> LeadUp {
        let track = |name: &str, unit, f: &dyn Fn(i64) -> Option<f64>| Track {
            name: Name::new(name).unwrap(),
            unit,
            resolution: 0.1,
            what: String::new(),
            points: (from..=to).map(|s| (at(s), f(s))).collect(),
            why: None,
        };
        let program = |pid, name: &str, f: &dyn Fn(i64) -> f64, until: i64| ProgramTrack {
            pid,
            name: name.into(),
            points: (from..=to)
                .step_by(5)
                .filter(|s| *s <= until)
                .map(|s| ProgramPoint {
                    at: at(s),
                    cpu: (s > from).then(|| f(s)),
                    memory: 1e8 + if pid == 2 { (s + 600) as f64 * 1e6 } else { 0.0 },
                    state: if pid == 1 && s > -20 { 'D' } else { 'S' },
                    disk_wait: 0.0,
                    disk_fetches: 0,
                })
                .collect(),
        };
        LeadUp {
            opened: at(0),
            from: at(from),
            to: at(to),
            cut: false,
            signals: vec![
                track("temperature.box", Unit::Celsius, &|_| Some(-3.2)),
                track("pressure.cpu", Unit::Percent, &|s| Some(if (-100..0).contains(&s) { 80.0 } else { 2.0 })),
                track("link.house", Unit::Truth, &|s| (s < -30).then_some(1.0)),
            ],
            programs: vec![
                program(1, "mountd", &|_| 3.0, 0),
                program(2, "sky-display", &|s| if s > -100 { 180.0 } else { 20.0 }, 9999),
            ],
        }
    }

    #[test]
    fn the_minutes_around_in_words_and_a_table() {
        let a = Around { before: Some(part(-600, 0)), after: Some(part(1, 300)), pids: vec![1] };
        let mut p = Paper::new();
        on_paper(&mut p, &a, &TimeZone::UTC, TemperatureScale::Celsius, false);
        let text = p.finish();
        insta::assert_snapshot!(text);
        assert!(text.lines().all(|l| unicode_width::UnicodeWidthStr::width(l) <= 80), "{text}");
    }

    #[test]
    fn without_a_record_it_says_so() {
        let mut p = Paper::new();
        on_paper(&mut p, &Around::default(), &TimeZone::UTC, TemperatureScale::Celsius, false);
        assert!(p.finish().contains("Nothing is kept"));
        assert!(Around::default().is_empty());
        assert_eq!(to_json(&Around::default()), json!({ "before": null, "after": null }));
    }

    #[test]
    fn everything_is_in_the_json() {
        let j = to_json(&Around { before: Some(part(-600, 0)), after: None, pids: vec![] });
        assert_eq!(j["before"]["signals"][0]["values"].as_array().unwrap().len(), 601);
        assert_eq!(j["before"]["programs"][1]["cpu_percent"][1], 20.0);
    }
}
