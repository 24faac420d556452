//! From TOML text to the checked model. Reads on after an error, so that all errors come in one go.

use super::error::{ConfigError, Errors, nearest};
use super::model::*;
use super::section::{Section, Source};
use super::{refer, rules, sensors, things};
use crate::model::{Name, Span};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::Path;
use toml::de::DeTable;

/// A configuration is a page or two; what is larger is another file.
const LARGEST: u64 = 1 << 20;

/// Reads and checks the configuration file at `path`.
///
/// # Errors
/// Every error of the file in the order of its lines; one error without a line where the file cannot be read at all.
pub fn load(path: &Path) -> Result<Config, Vec<ConfigError>> {
    let whole = |problem: String, remedy: &str| {
        vec![ConfigError::whole(path, problem, "a configuration in TOML, written in UTF-8", remedy)]
    };
    let about = std::fs::metadata(path).map_err(|e| {
        let remedy = match e.kind() {
            std::io::ErrorKind::NotFound => {
                "name an existing file; `tilldawn look --keep all --out tilldawn.toml` writes a first one"
            }
            _ => "let the user of the agent read it",
        };
        whole(format!("the file cannot be read: {e}"), remedy)
    })?;
    // A pipe or a device could block for ever.
    if !about.is_file() {
        return Err(whole("this is no plain file".into(), "name a plain file"));
    }
    if about.len() > LARGEST {
        return Err(whole(format!("the file is larger than {LARGEST} bytes"), "name the right file"));
    }
    let bytes = std::fs::read(path)
        .map_err(|e| whole(format!("the file cannot be read: {e}"), "let the user of the agent read it"))?;
    let text = String::from_utf8(bytes).map_err(|e| {
        let good = e.utf8_error().valid_up_to();
        let line = e.as_bytes()[..good].iter().filter(|b| **b == b'\n').count() + 1;
        whole(format!("line {line} is not UTF-8"), "save the file as UTF-8 in the editor")
    })?;
    parse(&text, Some(path))
}

/// Reads the file anew for a running agent: exactly `load`, under the name that says when it is called.
///
/// # Errors
/// As [`load`]; the caller keeps the old configuration in force.
pub fn reload(path: &Path) -> Result<Config, Vec<ConfigError>> {
    load(path)
}

/// Checks a configuration text. `file` is named in errors, and relative paths start at its folder.
///
/// # Errors
/// Every error, in the order of the lines.
pub fn parse(text: &str, file: Option<&Path>) -> Result<Config, Vec<ConfigError>> {
    parse_noting(text, file).0
}

/// As [`parse`]; also every key that a configuration can have, as far as this text came to where it is asked for.
pub(super) fn parse_noting(text: &str, file: Option<&Path>) -> (Result<Config, Vec<ConfigError>>, BTreeSet<String>) {
    let source = Source {
        errors: Errors::new(text, file),
        folder: file.and_then(Path::parent),
        home: std::env::var_os(if cfg!(windows) { "USERPROFILE" } else { "HOME" })
            .filter(|h| !h.is_empty())
            .map(Into::into),
        asked: RefCell::default(),
    };
    let (document, faults) = DeTable::parse_recoverable(text);
    let sound = syntax(&source.errors, text, &faults);
    let mut config = Config { file: file.map(Path::to_path_buf), ..Config::default() };
    let root = Section::root(&source, document.get_ref());
    let mut refer = refer::References::default();
    whole(&root, &mut config);
    things::read(&root, &mut config, &mut refer);
    sensors::read(&root, &mut config, &mut refer);
    if let Some(f) = &config.frames {
        config.rules.push(super::arrivals::sensor_rule(f));
    }
    config.rules.extend(super::arrivals::disk_rule(&config.disks));
    rules::read(&root, &mut config, &mut refer);
    root.finish();
    refer.check(&source.errors, &config, sound);
    refer.prune(&mut config);
    let asked = source.asked.into_inner();
    let errors = source.errors.into_list();
    (if errors.is_empty() { Ok(config) } else { Err(errors) }, asked)
}

/// Says the faults of TOML itself in our words. True if names are all there nevertheless: things that are there twice
/// hide nothing.
fn syntax(errors: &Errors<'_>, text: &str, faults: &[toml::de::Error]) -> bool {
    let mut sound = true;
    // Keys under a heading that is there twice are a consequence, up to the next heading.
    let mut hidden_until = 0;
    for fault in faults {
        let at = fault.span().unwrap_or(0..0);
        let said = fault.message().lines().collect::<Vec<_>>().join(" ");
        if !said.starts_with("duplicate key") {
            sound = false;
            errors.add(
                &at,
                "",
                format!("this line is not TOML: {said}"),
                "`key = value` with texts in quotes, or a heading in brackets",
                "compare the line with the annotated example",
            );
            continue;
        }
        if at.start < hidden_until {
            continue;
        }
        let line_start = text.get(..at.start).and_then(|t| t.rfind('\n')).map_or(0, |i| i + 1);
        let line = text.get(line_start..).and_then(|t| t.lines().next()).unwrap_or_default().trim();
        let key = match line.strip_prefix('[').and_then(|l| l.split(']').next()) {
            Some(heading) => {
                let rest = text.get(at.end..).unwrap_or_default();
                hidden_until = rest.find("\n[").map_or(text.len(), |i| at.end + i);
                heading.trim_start_matches('[').trim()
            }
            None => text.get(at.clone()).unwrap_or_default(),
        };
        errors.add(
            &at,
            key,
            format!("`{key}` is there twice"),
            "each name and each key once",
            "give one of the two another name, or take it out",
        );
    }
    sound
}

/// The keys at the top, and the tables that are there once.
fn whole(root: &Section<'_>, c: &mut Config) {
    if let Some(t) = root.text("field") {
        c.field = t;
    }
    if let Some(f) = root.get("temperatures") {
        match f.as_str().map(|t| t.replace(['°', ' '], "")).as_deref() {
            Some("C") => c.temperatures = TemperatureScale::Celsius,
            Some("F") => c.temperatures = TemperatureScale::Fahrenheit,
            _ => f.wrong(
                format!("`{}` is no temperature scale", f.shown()),
                "\"°C\" or \"°F\"",
                "write temperatures = \"°C\"",
            ),
        }
    }
    c.zone = root.get("zone").and_then(|f| zone(&f));
    if let Some(s) = root.get("site").and_then(|f| f.section()) {
        if let (Some(f), true) = (root.get("zone"), s.has("zone")) {
            f.wrong("the zone is stated here and under [site]", "one of the two", "take this line out");
        }
        c.site = site(s);
    }
    if let Some(s) = root.get("agent").and_then(|f| f.section()) {
        agent(s, &mut c.agent);
    }
    if let Some(s) = root.get("http").and_then(|f| f.section()) {
        http(s, &mut c.http);
    }
}

fn zone(f: &super::field::Field<'_>) -> Option<String> {
    let t = f.text("a time zone such as \"Europe/Lisbon\"")?;
    if crate::model::zone_named(&t).is_some() {
        return Some(t);
    }
    let known: Vec<String> = jiff::tz::db().available().map(|n| n.to_string()).collect();
    let remedy = match super::error::nearest(&t, known.iter().map(String::as_str)) {
        Some(near) => format!("write `{near}`"),
        None => "write continent and city as in the IANA time zone database, such as \"Europe/Lisbon\"".into(),
    };
    f.wrong(
        format!("`{t}` is no known time zone"),
        "a name of the IANA time zone database or an offset such as \"+01:00\"",
        remedy,
    );
    None
}

fn site(s: Section<'_>) -> Option<Site> {
    let degrees = [("°", 1.0)];
    let latitude = s.get("latitude").map(|f| f.number_in(-90.0, 90.0, &degrees, "48.2"));
    let longitude = s.get("longitude").map(|f| f.number_in(-180.0, 180.0, &degrees, "11.6"));
    // From the Dead Sea's shore to above the highest observatories.
    let elevation = s.get("elevation").map(|f| f.number_in(-450.0, 9000.0, &[("m", 1.0), ("ft", 0.3048)], "\"420 m\""));
    let zone = s.get("zone").map(|f| zone(&f));
    let dark = s.get("dark_below").map(|f| f.number_in(0.0, 18.0, &degrees, "12"));
    for (key, there, example) in [
        ("latitude", latitude.is_some(), "latitude = 48.2"),
        ("longitude", longitude.is_some(), "longitude = 11.6"),
        ("zone", zone.is_some(), "zone = \"Europe/Lisbon\""),
    ] {
        if !there {
            s.wrong(
                format!("`{key}` is missing"),
                "latitude, longitude (degrees; north and east positive) and zone",
                format!("write your own, such as {example}"),
            );
        }
    }
    let site = Site {
        latitude: latitude.flatten().unwrap_or(0.0),
        longitude: longitude.flatten().unwrap_or(0.0),
        elevation: elevation.flatten().unwrap_or(0.0),
        zone: zone.flatten().unwrap_or_default(),
        dark_below: dark.flatten().unwrap_or(Site::DARK_BELOW),
    };
    s.finish();
    Some(site)
}

fn agent(s: Section<'_>, a: &mut AgentSettings) {
    if let Some(v) = s.span("every", Span(200), Span::secs(60)) {
        a.every = v;
    }
    if let Some(v) = s.span("commit_every", Span::secs(1), Span::mins(10)) {
        a.commit_every = v;
    }
    if a.commit_every < a.every
        && let Some(f) = s.get("commit_every").or_else(|| s.get("every"))
    {
        f.wrong(
            format!("commits every {} cannot be more often than cycles every {}", a.commit_every, a.every),
            "commit_every at least as long as every",
            format!("write commit_every = \"{}\"", a.every),
        );
    }
    if let Some(v) = s.whole("keep_fine_days", 1, 3660) {
        a.keep_fine_days = v as u32;
    }
    a.reports = s.path("reports");
    a.store = s.path("store");
    if let Some(f) = s.get("leave_out")
        && let Some(all) = f.texts("probes to leave out")
    {
        for (name, _) in &all {
            if !CAN_BE_LEFT_OUT.contains(&name.as_str()) {
                f.wrong(
                    format!("`{name}` is no probe that can be left out"),
                    CAN_BE_LEFT_OUT.join(", "),
                    match nearest(name, CAN_BE_LEFT_OUT) {
                        Some(n) => format!("did you mean `{n}`?"),
                        None => "what is asked for by its own section is left out with watch = false there".into(),
                    },
                );
            }
        }
        a.leave_out = all.into_iter().map(|(n, _)| n).collect();
    }
    s.finish();
}

fn http(s: Section<'_>, h: &mut HttpSettings) {
    h.tls = s.flag("tls").unwrap_or(h.tls);
    h.plain_on_home_network = s.flag("plain_on_home_network").unwrap_or(h.plain_on_home_network);
    if let Some(f) = s.get("names")
        && let Some(all) = f.texts("host names by which people reach this agent")
    {
        let fit = |n: &str| {
            (1..=253).contains(&n.len())
                && n.split('.').all(|p| {
                    !p.is_empty() && p.len() <= 63 && p.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
                })
        };
        for (n, _) in &all {
            if !fit(n) {
                f.wrong(
                    format!("`{n}` is no host name"),
                    "letters, digits and hyphens, joined by dots",
                    "write names = [\"pier.home.arpa\"], without scheme and port",
                );
            }
        }
        h.names = all.into_iter().map(|(n, _)| n.to_ascii_lowercase()).collect();
    }
    if let Some(f) = s.get("listen")
        && let Some(t) = f.text("an address and a port")
    {
        match t.parse::<SocketAddr>() {
            Ok(a) if a.port() == 0 => f.wrong(
                format!("`{t}` has port 0"),
                "a fixed port, so that the page stays where it is",
                "write listen = \"127.0.0.1:7417\"",
            ),
            Ok(a) => {
                h.listen = a;
                if !a.ip().is_loopback() && !h.tls && !h.plain_on_home_network {
                    f.wrong(
                        format!("`{t}` can be reached from other machines, and nothing says how"),
                        "tls = true, or plain_on_home_network = true",
                        "write one of the two under [http], or listen on 127.0.0.1 alone",
                    );
                }
            }
            Err(_) => f.wrong(
                format!("`{t}` is no address with a port"),
                "an IP address and a port",
                "write listen = \"127.0.0.1:7417\", or \"0.0.0.0:7417\" for the home network",
            ),
        }
    }
    s.finish();
}

/// The name of a thing from the heading of its table; a heading that is no name is an error.
pub(super) fn named(kind: &str, own: &str, s: &Section<'_>) -> Option<Name> {
    let name = (!own.contains('.')).then(|| Name::new(format!("{kind}.{own}")).ok()).flatten();
    if name.is_none() {
        s.wrong(
            format!("`{own}` cannot be a name"),
            "a–z, 0–9, - and _ only, at most 64 of them",
            format!("write [{kind}.{}] and call it what you like by title = \"…\"", Name::part(own)),
        );
    }
    name
}

#[cfg(test)]
mod tests;
