//! The frames folder and text logs: their tables.

use super::load::named;
use super::model::*;
use super::refer::{References, Want};
use super::rules::amount;
use super::section::Section;
use super::things::{leaning, titled};
use crate::model::{Name, Priority, Span, Unit};

pub(super) fn frames(s: &Section<'_>, refer: &mut References) -> Option<Frames> {
    let watch = s.flag("watch") != Some(false);
    let own = s.text("name").unwrap_or_else(|| "main".into());
    let name = named("frames", &own, s)?;
    let folder = s.path("folder");
    if folder.is_none() && !s.has("folder") {
        s.wrong("`folder` is missing", "the folder in which frames arrive", "write folder = \"~/frames\"");
    }
    let mut f = titled(s, Frames::new(name.clone(), folder.unwrap_or_default()), |t| &mut t.title);
    if let Some(field) = s.get("endings") {
        let all = field.texts("a list of file endings such as [\"fits\", \"fit\"]").unwrap_or_default();
        let all: Vec<String> = all.iter().map(|(t, _)| t.trim_start_matches('.').to_lowercase()).collect();
        if all.is_empty() || all.iter().any(|e| e.is_empty() || e.contains(['/', '*', '\\'])) {
            field.wrong(
                "no file can have these endings",
                "a list of file endings without stars",
                "write endings = [\"fits\", \"fit\"]",
            );
        } else {
            f.endings = all;
        }
    }
    f.at_least = s.span("at_least", Span::mins(1), Span::hours(24)).unwrap_or(f.at_least);
    if let Some(field) = s.get("sensor_off_by") {
        f.sensor_off_by = amount(&field, Unit::Kelvin, 0.1, 50.0).unwrap_or(2.0);
    }
    let mut none = References::default();
    let refer = if watch { refer } else { &mut none };
    f.leans_on = leaning(s, &name, refer);
    refer.thing(name, s.at.clone());
    watch.then_some(f)
}

/// The rule that judges the camera sensor against its set point. It stands once frames are watched, and can be changed under
/// its name like any other.
pub(super) fn sensor_rule(f: &Frames) -> Rule {
    let name = Name::from_parts("rule", "sensor-off-set-point");
    let limit = f.sensor_off_by;
    let mut r = Rule::new(name, vec![f.name.quantity("sensor-off")], Test::Outside(-limit, limit));
    r.title = "camera sensor off its set point".into();
    r.priority = Priority::Low;
    // So near to the limit that a sensor which is held there does not come and go.
    r.deadband = limit / 4.0;
    r
}

/// The rule that judges whether the configured disks can be written. The root disk is left out, since some field PCs have it
/// read-only on purpose.
pub(super) fn disk_rule(disks: &[Disk]) -> Option<Rule> {
    let on: Vec<Name> =
        disks.iter().filter(|d| d.path != std::path::Path::new("/")).map(|d| d.name.quantity("writable")).collect();
    let mut r = Rule::new(Name::from_parts("rule", "disk-read-only"), on, Test::DiffersFrom(1.0));
    r.title = "disk is read-only".into();
    r.on_delay = Span::secs(30);
    (!r.on.is_empty()).then_some(r)
}

pub(super) fn log(s: &Section<'_>, name: &Name, refer: &mut References) -> TextLog {
    let path = s.path("path").map(|p| p.to_string_lossy().into_owned());
    if path.is_none() && !s.has("path") {
        s.wrong(
            "`path` is missing",
            "the path of the log; a * in the last part means the newest file",
            "write path = \"~/logs/guiding-*.txt\"",
        );
    }
    if path.as_deref().and_then(|p| p.rsplit_once('/')).is_some_and(|(folder, _)| folder.contains('*'))
        && let Some(f) = s.get("path")
    {
        f.wrong(format!("`{}` has a * in a folder", f.shown()), "a * in the last part only", "name the folder in full");
    }
    let mut l = titled(s, TextLog::new(name.clone(), path.unwrap_or_default()), |t| &mut t.title);
    if let Some(f) = s.get("of") {
        for (of, at) in f.names().unwrap_or_default() {
            refer.add(s.key("of"), at, of.clone(), Want::Thing, None);
            l.of = Some(of);
        }
    }
    if let Some(f) = s.get("encoding")
        && let Some(t) = f.text("an encoding")
    {
        match t.to_lowercase().as_str() {
            e @ ("utf-8" | "utf-16le" | "utf-16be" | "windows-1252") => l.encoding = Some(e.into()),
            _ => f.wrong(
                format!("`{t}` is no encoding that is read"),
                "utf-8, utf-16le, utf-16be or windows-1252",
                "take the line out: a byte-order mark is seen by itself",
            ),
        }
    }
    for p in s.get("pattern").map(|f| f.section_list()).unwrap_or_default() {
        let regex = p.text("regex");
        let means = p.text("means");
        for (key, there) in [("regex", p.has("regex")), ("means", p.has("means"))] {
            if !there {
                p.wrong(
                    format!("`{key}` is missing"),
                    "regex (what the line looks like) and means (what it tells)",
                    "write both keys of this pattern",
                );
            }
        }
        if let (Some(r), Some(f)) = (&regex, p.get("regex"))
            && let Err(e) = regex::RegexBuilder::new(r).size_limit(1 << 20).build()
        {
            let why = e.to_string();
            let why = why.lines().last().unwrap_or_default().trim().trim_start_matches("error: ");
            f.wrong(
                format!("`{r}` is no regular expression: {why}"),
                "a regular expression with named groups like (?P<device>…)",
                "write a backslash before each character that stands for itself",
            );
        }
        let broken = p.flag("broken");
        if let (Some(regex), Some(means)) = (regex, means) {
            l.patterns.push(LogPattern { regex, means, broken });
        }
        p.finish();
    }
    l
}
