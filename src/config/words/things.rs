//! Watched things, actions and ways out as sentences.

use super::rules::with_unit;
use super::{and, the};
use crate::config::human::clock_text;
use crate::config::model::*;
use crate::model::{Name, Span, Unit};

/// One thing in words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The heading under which it stands: "programs".
    pub group: &'static str,
    /// Its name; for a setting its key.
    pub name: String,
    /// What the person calls it.
    pub title: String,
    /// The sentence.
    pub text: String,
}

impl Entry {
    /// "mount program (program.mount)".
    pub fn called(&self) -> String {
        if self.title.is_empty() { self.name.clone() } else { format!("{} ({})", self.title, self.name) }
    }
}

/// Readings that are worked out from the configured sensors, in words.
pub(super) fn worked_out(c: &Config) -> Vec<String> {
    let known = crate::config::signals::known(c);
    let has = |n: &str| known.keys().any(|k| k.as_str() == n);
    let sensor = |kind: &str, place: &str| c.sensors.iter().any(|s| s.name.kind() == kind && s.place == place);
    let air = |yes: bool| if yes { "box air" } else { "outside air" };
    let outside = sensor("temperature", "outside") && sensor("humidity", "outside");
    let mut all = vec![];
    if has("temperature.lift") {
        all.push("lift (temperature.lift): box minus outside".to_string());
    }
    if has("dew.point") {
        all.push(format!("dew point (dew.point): of the {}, over water, by WMO-No. 8", air(!outside)));
    }
    if has("dew.point-box") {
        all.push("dew point of the box (dew.point-box): of the air in it".into());
    }
    if has("dew.margin") {
        let what = air(sensor("temperature", "box"));
        all.push(format!("dew margin (dew.margin): how far the {what} is from getting wet; below 0 °C, from frost"));
    }
    let rates: Vec<&str> = known.keys().map(Name::as_str).filter(|n| n.ends_with(".rate")).collect();
    if !rates.is_empty() {
        all.push(format!("change an hour ({}): the slope over the last 15 min", rates.join(", ")));
    }
    all
}

/// Everything configured, in words.
pub fn entries(c: &Config) -> Vec<Entry> {
    let mut all = vec![];
    let mut put = |group, name: &Name, title: &str, text: String| {
        all.push(Entry { group, name: name.to_string(), title: title.into(), text });
    };
    for p in &c.programs {
        put("programs", &p.name, &p.title, program(c, p));
    }
    for d in &c.devices {
        put("devices", &d.name, &d.title, device(c, d));
    }
    for l in &c.links {
        put("links", &l.name, &l.title, link(c, l));
    }
    for i in &c.interfaces {
        put(
            "network interfaces",
            &i.name,
            &i.title,
            format!("`{}`, up or down at once, traffic and errors; what its radio tells, or its speed", i.device),
        );
    }
    for d in &c.disks {
        put("disks", &d.name, &d.title, format!("room, file entries and health of the disk of {}", d.path.display()));
    }
    for s in &c.sensors {
        put("temperatures and humidities", &s.name, &s.title, sensor(c, s));
    }
    if let Some(f) = &c.frames {
        put("frames", &f.name, &f.title, frames(c, f));
    }
    for l in &c.logs {
        put("text logs", &l.name, &l.title, log(c, l));
    }
    for a in &c.actions {
        put("actions", &a.name, &a.title, action(c, a));
    }
    for n in &c.notices {
        put("notices", &n.name, "", notice(n));
    }
    all
}

fn leaning(c: &Config, on: &[Name]) -> String {
    if on.is_empty() {
        return String::new();
    }
    let titles: Vec<String> = on.iter().map(|n| the(&c.title_of(n))).collect();
    format!("; leans on {}", and(&titles))
}

fn program(c: &Config, p: &Program) -> String {
    let mut found = vec![];
    found.extend(p.find.executable.as_ref().map(|e| format!("the executable `{e}`")));
    found.extend(p.find.command.as_ref().map(|e| format!("`{e}` in its command line")));
    found.extend(p.find.unit.as_ref().map(|e| format!("the unit `{e}`")));
    let mut text = format!("found by {}", and(&found));
    for a in &p.alive {
        let sign = match &a.kind {
            AliveKind::Tcp { address, expect: None, .. } => format!("answers at {address}"),
            AliveKind::Tcp { address, expect: Some(e), .. } => {
                format!("answers `{}` at {address}", String::from_utf8_lossy(e).escape_debug())
            }
            AliveKind::Http { url, expect: None } => format!("answers at {url}"),
            AliveKind::Http { url, expect: Some(e) } => format!("answers with `{e}` at {url}"),
            AliveKind::FileGrows { path } => format!("{path} grows"),
            AliveKind::CpuAdvances { at_least_ms } => format!("uses {at_least_ms} ms of processor time"),
        };
        text.push_str(
            &format!("; alive if it {sign} within {} (looked for every {})", a.within, a.every)
                .replace("if it /", "if /"),
        );
    }
    if !p.holds.is_empty() {
        let nodes: Vec<String> = p.holds.iter().map(|n| n.display().to_string()).collect();
        text.push_str(&format!("; keeps {} open", and(&nodes)));
    }
    text + &leaning(c, &p.leans_on)
}

fn device(c: &Config, d: &Device) -> String {
    let mut found = vec![];
    found.extend(d.usb.map(|(v, p)| format!("USB {v:04x}:{p:04x}")));
    found.extend(d.serial.as_ref().map(|s| format!("serial number {s}")));
    found.extend(d.port.as_ref().map(|s| format!("port {s}")));
    found.extend(d.node.as_ref().map(|s| s.display().to_string()));
    let mut text = format!("found by {}", and(&found));
    if let Some(v) = d.speed_at_least {
        text.push_str(&format!("; well at {v} Mbit/s or faster"));
    }
    text + &leaning(c, &d.leans_on)
}

fn link(c: &Config, l: &Link) -> String {
    let to = match &l.to {
        Target::Gateway => "the default gateway",
        Target::Host(h) => h,
    };
    let by = match l.by {
        ReachBy::Echo => "echo".into(),
        ReachBy::Tcp(p) => format!("TCP connect to port {p}"),
    };
    format!("{to} by {by} every {}, loss over {}{}", l.every, l.window, leaning(c, &l.leans_on))
}

fn sensor(c: &Config, s: &Sensor) -> String {
    let pointed = |p: &Option<String>| p.as_ref().map_or(String::new(), |p| format!(" at {p}"));
    let source = match &s.source {
        SensorSource::Hwmon { chip, input } => format!("{input} of the chip {chip}"),
        SensorSource::Thermal { zone } => format!("the thermal zone {zone}"),
        SensorSource::Iio { device, channel } => format!("{channel} of {device}"),
        SensorSource::OneWire { address } => format!("the 1-Wire sensor {address}"),
        SensorSource::File { path, pointer } => format!("the file {}{}", path.display(), pointed(pointer)),
        SensorSource::Command { arguments, pointer } => {
            format!("the command `{}`{}", arguments.join(" "), pointed(pointer))
        }
        SensorSource::Http { url, pointer } => format!("{url}{}", pointed(pointer)),
        SensorSource::Mqtt { broker, topic, pointer, .. } => {
            format!("messages on `{topic}` from {broker}{}", pointed(pointer))
        }
    };
    let (unit, step) = match s.kind {
        SensorKind::Temperature => (Unit::Celsius, Unit::Kelvin),
        SensorKind::Humidity => (Unit::Percent, Unit::Percent),
    };
    let mut text = format!("{} from {source} every {}", s.place, s.every);
    if s.offset != 0.0 {
        text.push_str(&format!(", {} added", with_unit(c, s.offset, step)));
    }
    let (low, high) = s.plausible;
    text.push_str(&format!("; believed from {} to {}", with_unit(c, low, unit), with_unit(c, high, unit)));
    if let Some(f) = s.frozen_after {
        text.push_str(&format!("; frozen when unchanged for {f}"));
    }
    text.push_str(&format!("; silent after {}", s.silent_after));
    text
}

fn frames(c: &Config, f: &Frames) -> String {
    format!(
        "{} files under {}; sensor at most {} off its set point{}",
        f.endings.join(", "),
        f.folder.display(),
        with_unit(c, f.sensor_off_by, Unit::Kelvin),
        leaning(c, &f.leans_on)
    )
}

fn log(c: &Config, l: &TextLog) -> String {
    let of = l.of.as_ref().map_or(String::new(), |n| format!(" of the {}", c.title_of(n)));
    let means: Vec<String> = l
        .patterns
        .iter()
        .map(|p| match p.broken {
            Some(true) => format!("{} (broken)", p.means),
            Some(false) => format!("{} (well again)", p.means),
            None => p.means.clone(),
        })
        .collect();
    match means.len() {
        0 => format!("{}{of}, without a pattern", l.path),
        _ => format!("{}{of}, looked through for {}", l.path, and(&means)),
    }
}

/// As whom a command runs: as the agent's own user, and what a service manager starts as its unit says.
fn as_whom(run: &[String]) -> &'static str {
    let tool = run.first().and_then(|r| r.rsplit('/').next()).unwrap_or("");
    match tool {
        "systemctl" | "systemd-run" if run.iter().any(|a| a == "--user") => {
            "as the agent's own user, through that user's own service manager"
        }
        "systemctl" | "systemd-run" => {
            "as the agent's own user, and what it starts through the system's service manager as the user that the unit names"
        }
        _ => "as the agent's own user",
    }
}

fn action(c: &Config, a: &Action) -> String {
    let mut text = format!(
        "runs `{}` {}, at most {} a night, at least {} apart, each at most {}, never while its alarm is acknowledged",
        a.run.join(" "),
        as_whom(&a.run),
        a.per_night,
        a.cool_down,
        a.time_limit
    );
    match (&a.off, a.at_most) {
        (Some(off), Some(most)) => text.push_str(&format!(
            "; switched off by `{}` when the rule is over, after {most} at the latest, and at start and stop of the agent; a dead \
             agent does not switch it off",
            off.join(" ")
        )),
        _ => text.push_str("; it has no switching-off"),
    }
    if let Some((from, to)) = a.may_move {
        text.push_str(&format!(
            "; equipment may move, so only from {} to {} local time",
            clock_text(from),
            clock_text(to)
        ));
    }
    let rules: Vec<&str> =
        c.rules.iter().filter(|r| r.enabled && r.action.as_ref() == Some(&a.name)).map(|r| r.title.as_str()).collect();
    match rules.len() {
        0 => text + "; no rule names it, so it never runs",
        _ => format!("{text}; run by the rule {}", and(&rules)),
    }
}

fn notice(n: &Notice) -> String {
    let what = if n.only_wakes { "only what wakes somebody" } else { "whether it wakes somebody or not" };
    let way = match &n.by {
        NoticeBy::Command(a) => format!("runs `{}` with the alarm as JSON on its input", a.join(" ")),
        NoticeBy::Webhook(url) => format!("POST of JSON to {url}"),
        NoticeBy::Mqtt { broker, topic } => format!("JSON on `{topic}` at {broker}"),
    };
    format!("{way}; {} priority and above, {what}", n.at_least.word())
}

/// What makes a session, and darkness, in sentences.
pub fn session(c: &Config) -> Vec<String> {
    let titles: Vec<String> = c.session.chain.iter().map(|n| the(&c.title_of(n))).collect();
    let mut lines = vec![match (titles.len(), &c.frames, &c.site) {
        (0, _, Some(_)) => "No chain is configured: a session is the dark hours.".into(),
        (0, _, None) => "No chain and no site are configured: it is always a session.".into(),
        (_, Some(_), _) => {
            format!("Starts when {} are up and a light frame arrives, or when you say so.", and(&titles))
        }
        (_, None, _) => format!("Starts when {} are up, or when you say so.", and(&titles)),
    }];
    if titles.len() == 1 {
        lines[0] = lines[0].replace(" are up", " is up");
    }
    if !titles.is_empty() {
        let dawn = if c.site.is_some() { ", or at dawn" } else { "" };
        lines.push(format!("Ends when you say so, when the programs are closed in an orderly way{dawn}."));
    }
    lines
        .push("Outside a session only what endangers the machine is an alarm, and rules that hold at any time.".into());
    lines.push(match &c.site {
        Some(s) => format!(
            "Dark is when the Sun's centre is more than {}° below the horizon at {:.2}° {}, {:.2}° {}, {} m ({}).",
            s.dark_below,
            s.latitude.abs(),
            if s.latitude < 0.0 { "south" } else { "north" },
            s.longitude.abs(),
            if s.longitude < 0.0 { "west" } else { "east" },
            s.elevation.round(),
            s.zone
        ),
        None => "No [site]: dark hours are not known, and nothing is counted against them.".into(),
    });
    lines
}

/// The agent itself and its page, in sentences.
pub(super) fn agent(c: &Config) -> Vec<String> {
    let a = &c.agent;
    let store = a.store.as_ref().map_or_else(|| "the state folder".into(), |p| p.display().to_string());
    let mut lines = vec![format!(
        "Looks every {}, writes every {} and alarms at once; fine readings are kept for {} days, minutes for years, in {store}.",
        a.every, a.commit_every, a.keep_fine_days
    )];
    if !a.leave_out.is_empty() {
        lines.push(format!("Left out, as you asked: {}. What they would see is not seen.", a.leave_out.join(", ")));
    }
    if let Some(r) = &a.reports {
        lines.push(format!("Reports are written to {} by themselves.", r.display()));
    }
    let h = &c.http;
    let scheme = if h.tls { "https" } else { "http" };
    let whom = match (h.listen.ip().is_loopback(), h.tls) {
        (true, _) => "for this machine only",
        (false, true) => "for the home network, encrypted with a certificate of its own making",
        (false, false) => "for the home network, unencrypted",
    };
    lines.push(format!("The page is at {scheme}://{} {whom}.", h.listen));
    lines
}

/// Settings of the agent and its page, as entries for telling changes.
pub(super) fn settings(c: &Config) -> Vec<(String, String)> {
    let path = |p: &Option<std::path::PathBuf>| p.as_ref().map_or_else(|| "none".into(), |p| p.display().to_string());
    let span = |s: Span| s.to_string();
    vec![
        ("field".into(), c.field.clone()),
        ("temperatures".into(), with_unit(c, 0.0, Unit::Celsius).trim_start_matches(|x: char| !"°".contains(x)).into()),
        ("agent.every".into(), span(c.agent.every)),
        ("agent.commit_every".into(), span(c.agent.commit_every)),
        ("agent.keep_fine_days".into(), c.agent.keep_fine_days.to_string()),
        ("agent.reports".into(), path(&c.agent.reports)),
        ("agent.store".into(), path(&c.agent.store)),
        ("agent.leave_out".into(), c.agent.leave_out.join(", ")),
        ("http.listen".into(), c.http.listen.to_string()),
        ("http.tls".into(), c.http.tls.to_string()),
        ("http.plain_on_home_network".into(), c.http.plain_on_home_network.to_string()),
        ("zone".into(), c.zone.clone().unwrap_or_else(|| "the system's".into())),
    ]
}
