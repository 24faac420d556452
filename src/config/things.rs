//! Programs, links, interfaces, disks, devices, frames, text logs and the chain: their tables.

use super::load::named;
use super::model::*;
use super::net::{address, is_host, web};
use super::refer::{References, Want};
use super::section::Section;
use super::{arrivals, outward};
use crate::model::{Name, Span};
use std::path::PathBuf;

const SHORTEST: Span = Span(100);
const HOUR: Span = Span::hours(1);
const DAY: Span = Span::hours(24);

/// Reads all tables of things into `c`.
pub(super) fn read(root: &Section<'_>, c: &mut Config, refer: &mut References) {
    each(root, "program", c, refer, |s, name, c, refer| {
        if let Some(p) = program(s, name, refer) {
            c.programs.push(p);
        }
    });
    each(root, "device", c, refer, |s, name, c, refer| c.devices.push(device(s, name, refer)));
    each(root, "link", c, refer, |s, name, c, refer| {
        if let Some(l) = link(s, name, refer) {
            put(&mut c.links, l, |l| &l.name);
        }
    });
    each(root, "interface", c, refer, |s, name, c, _| {
        let device = s.text("device").unwrap_or_else(|| name.own().into());
        if device.contains('/') || device.len() > 15 {
            s.wrong(
                format!("`{device}` is no network interface"),
                "the system's name, at most 15 characters, such as `wlan0`",
                "`tilldawn look` lists the names",
            );
        }
        c.interfaces.push(titled(s, Interface::new(name.clone(), device), |t| &mut t.title));
    });
    each(root, "disk", c, refer, |s, name, c, _| {
        let root = (name.as_str() == "disk.root").then(|| PathBuf::from("/"));
        let path = s.path("path").or(root);
        if path.is_none() && !s.has("path") {
            s.wrong("`path` is missing", "a path on the disk that is meant", "write path = \"/\"");
        }
        let disk = titled(s, Disk::new(name.clone(), path.unwrap_or_default()), |t| &mut t.title);
        put(&mut c.disks, disk, |d| &d.name);
    });
    if let Some(s) = root.get("frames").and_then(|f| f.section()) {
        c.frames = arrivals::frames(&s, refer);
        s.finish();
    }
    each(root, "log", c, refer, |s, name, c, refer| c.logs.push(arrivals::log(s, name, refer)));
    each(root, "action", c, refer, |s, name, c, _| {
        if let Some(a) = outward::action(s, name) {
            c.actions.push(a);
        }
    });
    each(root, "notice", c, refer, |s, name, c, _| {
        if let Some(n) = outward::notice(s, name) {
            c.notices.push(n);
        }
    });
    if let Some(s) = root.get("session").and_then(|f| f.section()) {
        for (name, at) in s.names("chain").unwrap_or_default() {
            if c.session.chain.contains(&name) {
                s.source.errors.add(
                    &at,
                    &s.key("chain"),
                    format!("`{name}` is there twice"),
                    "each part of the chain once",
                    "take one out",
                );
                continue;
            }
            refer.add(s.key("chain"), at, name.clone(), Want::Chain, None);
            c.session.chain.push(name);
        }
        s.finish();
    }
}

/// Reads each table of a kind. A table with `watch = false` is checked, but what it describes is left out.
pub(super) fn each(
    root: &Section<'_>,
    kind: &'static str,
    c: &mut Config,
    refer: &mut References,
    mut one: impl FnMut(&Section<'_>, &Name, &mut Config, &mut References),
) {
    for (own, s) in root.get(kind).map(|f| f.sections()).unwrap_or_default() {
        let Some(name) = named(kind, &own, &s) else {
            continue;
        };
        if s.flag("watch") == Some(false) {
            refer.off(name.clone());
            one(&s, &name, &mut Config::default(), &mut References::default());
            c.links.retain(|l| l.name != name);
            c.disks.retain(|d| d.name != name);
        } else {
            refer.thing(name.clone(), s.at.clone());
            one(&s, &name, c, refer);
        }
        s.finish();
    }
}

/// Puts a thing into the list, in place of a built-in one of the same name.
fn put<T>(list: &mut Vec<T>, thing: T, name: impl Fn(&T) -> &Name) {
    let same = list.iter().position(|t| name(t) == name(&thing));
    match same {
        Some(i) => list[i] = thing,
        None => list.push(thing),
    }
}

/// The thing with the person's own title, if there is one.
pub(super) fn titled<T>(s: &Section<'_>, mut thing: T, title: impl Fn(&mut T) -> &mut String) -> T {
    if let Some(t) = s.text("title") {
        *title(&mut thing) = t;
    }
    thing
}

/// What a thing leans on.
pub(super) fn leaning(s: &Section<'_>, of: &Name, refer: &mut References) -> Vec<Name> {
    let mut all = vec![];
    for (name, at) in s.names("leans_on").unwrap_or_default() {
        refer.add(s.key("leans_on"), at, name.clone(), Want::Thing, Some(of.clone()));
        if !all.contains(&name) {
            all.push(name);
        }
    }
    all
}

fn program(s: &Section<'_>, name: &Name, refer: &mut References) -> Option<Program> {
    let find = FindBy { executable: s.text("executable"), command: s.text("command"), unit: s.text("unit") };
    if !["executable", "command", "unit"].iter().any(|k| s.has(k)) {
        s.wrong(
            "nothing says how the program is found",
            "executable, command or unit",
            "write executable = \"…\"; `tilldawn look` lists the programs that run now",
        );
    }
    let mut p = titled(s, Program::new(name.clone(), find), |t| &mut t.title);
    p.leans_on = leaning(s, name, refer);
    if let Some(f) = s.get("holds") {
        let nodes = f.texts("a list of device nodes such as [\"/dev/ttyUSB0\"]").unwrap_or_default();
        p.holds = nodes.iter().filter_map(|(t, _)| f.whole_path(t)).collect();
    }
    p.alive = s.get("alive").map(|f| f.section_list()).unwrap_or_default().into_iter().filter_map(alive).collect();
    Some(p)
}

fn alive(s: Section<'_>) -> Option<AliveSign> {
    let bytes = |key| s.text(key).map(|t| unescaped(&t));
    let (send, expect) = (bytes("send"), bytes("expect"));
    let tcp = s.get("tcp").and_then(|f| address(&f, "127.0.0.1:7000"));
    let http = s.get("http").and_then(|f| web(&f, &["http://"]));
    let grows = s.get("grows").and_then(|f| f.path());
    let cpu = s.span("cpu", Span(1), HOUR);
    let stated = ["tcp", "http", "grows", "cpu"].iter().filter(|k| s.has(k)).count();
    if stated != 1 {
        s.wrong(
            format!("a sign of life has one kind, and {stated} are stated"),
            "one of tcp, http, grows or cpu",
            "write one table of braces for each sign of life",
        );
    }
    if send.is_some() && !s.has("tcp") || expect.is_some() && !s.has("tcp") && !s.has("http") {
        s.wrong(
            "`send` goes with tcp, `expect` with tcp or http",
            "tcp or http beside it",
            "take send and expect out of this sign of life",
        );
    }
    let kind = if let Some(address) = tcp {
        Some(AliveKind::Tcp { address, send, expect })
    } else if let Some(url) = http {
        Some(AliveKind::Http { url, expect: expect.map(|b| String::from_utf8_lossy(&b).into_owned()) })
    } else if let Some(path) = grows {
        Some(AliveKind::FileGrows { path: path.to_string_lossy().into_owned() })
    } else {
        cpu.map(|ms| AliveKind::CpuAdvances { at_least_ms: ms.0 })
    };
    let within = s.span("within", Span::secs(1), DAY);
    let every = s.span("every", SHORTEST, HOUR);
    let mut sign = kind.map(AliveSign::new);
    if let Some(sign) = &mut sign {
        sign.within = within.unwrap_or(sign.within);
        sign.every = every.unwrap_or(sign.every);
        if sign.every > sign.within {
            s.wrong(
                format!("looking every {} cannot find a sign missing within {}", sign.every, sign.within),
                "every at most as long as within",
                format!("write every = \"{}\"", Span(sign.within.0 / 3)),
            );
        }
    }
    s.finish();
    sign
}

/// `\r`, `\n`, `\t`, `\0`, `\xHH` and `\\` as bytes, since TOML texts on one line cannot hold every byte.
fn unescaped(t: &str) -> Vec<u8> {
    let mut out = Vec::with_capacity(t.len());
    let mut rest = t;
    while let Some(i) = rest.find('\\') {
        out.extend_from_slice(&rest.as_bytes()[..i]);
        rest = &rest[i + 1..];
        let hex = || rest.get(1..3).and_then(|h| u8::from_str_radix(h, 16).ok());
        let (byte, used) = match rest.as_bytes().first() {
            Some(b'r') => (b'\r', 1),
            Some(b'n') => (b'\n', 1),
            Some(b't') => (b'\t', 1),
            Some(b'0') => (0, 1),
            Some(b'\\') => (b'\\', 1),
            Some(b'x') => hex().map_or((b'\\', 0), |b| (b, 3)),
            _ => (b'\\', 0),
        };
        out.push(byte);
        rest = &rest[used..];
    }
    out.extend_from_slice(rest.as_bytes());
    out
}

fn link(s: &Section<'_>, name: &Name, refer: &mut References) -> Option<Link> {
    let gateway = name.as_str() == "link.gateway";
    let to = match s.get("to") {
        None if gateway => Some(Target::Gateway),
        None => {
            s.wrong(
                "`to` is missing",
                "a host name, an address or \"gateway\"",
                "write to = \"192.168.1.20\" with the address of the house machine",
            );
            None
        }
        Some(f) => f.text("a host name, an address or \"gateway\"").and_then(|t| {
            if t == "gateway" {
                return Some(Target::Gateway);
            }
            if is_host(&t) {
                return Some(Target::Host(t));
            }
            f.wrong(
                format!("`{t}` is no host name or address"),
                "a host name, an address or \"gateway\", without port",
                "write the port, if a TCP connect is wanted, as port = 22",
            );
            None
        }),
    };
    let mut l = titled(s, Link::new(name.clone(), to.unwrap_or(Target::Gateway)), |t| &mut t.title);
    if let Some(p) = s.whole("port", 1, 65535) {
        l.by = ReachBy::Tcp(p as u16);
    }
    l.every = s.span("every", Span(200), HOUR).unwrap_or(l.every);
    l.deadline = s.span("deadline", Span(10), Span::mins(1)).unwrap_or(l.deadline);
    l.window = s.span("window", Span::secs(5), DAY).unwrap_or(l.window);
    if l.window < l.every {
        s.wrong(
            format!("loss over {} cannot be counted from tries every {}", l.window, l.every),
            "window at least ten times as long as every",
            format!("write window = \"{}\"", Span(l.every.0.saturating_mul(60))),
        );
    }
    l.leans_on = leaning(s, name, refer);
    Some(l)
}

fn device(s: &Section<'_>, name: &Name, refer: &mut References) -> Device {
    let mut d = titled(s, Device::new(name.clone()), |t| &mut t.title);
    if let Some(f) = s.get("usb")
        && let Some(t) = f.text("vendor and product number")
    {
        let hex = |p: &str| (p.len() == 4).then(|| u16::from_str_radix(p, 16).ok()).flatten();
        d.usb = t.split_once(':').and_then(|(v, p)| Some((hex(v)?, hex(p)?)));
        if d.usb.is_none() {
            f.wrong(
                format!("`{t}` is no pair of USB numbers"),
                "vendor and product number, four hexadecimal digits each",
                "write usb = \"1209:0001\" as `tilldawn look` lists it",
            );
        }
    }
    d.serial = s.text("serial");
    d.port = s.text("port");
    if let Some(p) = &d.port {
        // Bus, dash, ports joined by dots: the kernel's own names of USB devices (document sysfs-bus-usb).
        let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
        let good = p.split_once('-').is_some_and(|(bus, ports)| digits(bus) && ports.split('.').all(digits));
        if !good && let Some(f) = s.get("port") {
            f.wrong(
                format!("`{p}` is no USB port"),
                "bus and ports such as `1-1.4`",
                "`tilldawn look` lists the port of each device",
            );
        }
    }
    d.node = s.path("node");
    if !["usb", "serial", "port", "node"].iter().any(|k| s.has(k)) {
        s.wrong(
            "nothing says how the device is found",
            "usb, serial, port or node",
            "write usb = \"…\"; `tilldawn look` lists the devices that are here now",
        );
    }
    d.speed_at_least =
        s.get("speed_at_least").and_then(|f| f.number_in(1.0, 80_000.0, &[("Mbit/s", 1.0)], "\"480 Mbit/s\""));
    d.leans_on = leaning(s, name, refer);
    d
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_of_a_conversation_can_be_written() {
        assert_eq!(unescaped(r"GET\r\n\x00\\ \q\xg"), b"GET\r\n\x00\\ \\q\\xg");
        assert_eq!(unescaped("\\"), b"\\");
    }
}
