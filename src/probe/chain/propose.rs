//! A first configuration from what was seen, every guess marked as a guess. Pure, and always loadable: what would not load
//! is written as a comment.

use super::{Running, Seen};
use crate::model::Name;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// What stands above the guesses.
#[derive(Clone, Debug, Default)]
pub struct Head {
    /// Name of this machine.
    pub field: String,
    /// When it was looked at, for people.
    pub when: String,
    /// The system's time zone, if known.
    pub zone: Option<String>,
    /// Lines for things that the other finders found (temperatures, interfaces), each block loadable by itself.
    pub more: Vec<(String, Vec<String>)>,
}

/// A text in TOML's quotes.
fn quoted(t: &str) -> String {
    if t.contains(['\\', '"']) && !t.contains('\'') && !t.contains(char::is_control) {
        return format!("'{t}'");
    }
    let mut out = String::from("\"");
    for c in t.chars() {
        match c {
            '"' | '\\' => {
                out.push('\\');
                out.push(c);
            }
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", c as u32);
            }
            c => out.push(c),
        }
    }
    out + "\""
}

/// Text for a comment: on one line.
fn plain(t: &str) -> String {
    t.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Gives out names, each once.
#[derive(Default)]
struct Names(BTreeSet<String>);

impl Names {
    fn give(&mut self, kind: &str, free: &str) -> String {
        let base = Name::part(free);
        let mut name = format!("{kind}.{base}");
        let mut n = 2;
        while !self.0.insert(name.clone()) {
            let cut: String = base.chars().take(60).collect();
            name = format!("{kind}.{cut}-{n}");
            n += 1;
        }
        name
    }
}

/// What a program is called: its script's or executable's file name without its ending.
fn called(p: &Running) -> String {
    let path = p.script.as_deref().unwrap_or(&p.executable).replace('\\', "/");
    let file = path.rsplit('/').next().unwrap_or(&path);
    file.rsplit_once('.').map_or(file, |(stem, _)| if stem.is_empty() { file } else { stem }).to_owned()
}

/// The whole text.
pub fn propose(seen: &Seen, head: &Head) -> String {
    let mut names = Names::default();
    let programs: Vec<String> = seen.programs.iter().map(|p| names.give("program", &called(p))).collect();
    // Several nodes may belong to one device (a hub of serial ports has several): one table for each device.
    let mut devices: BTreeMap<String, (String, String)> = BTreeMap::new();
    let mut of_node: BTreeMap<String, String> = BTreeMap::new();
    for (node, e) in &seen.equipment {
        let key = match (&e.usb, &e.port) {
            (Some(_), Some(port)) => port.clone(),
            _ => node.clone(),
        };
        let (name, _) = devices.entry(key).or_insert_with(|| {
            let file = node.rsplit('/').next().unwrap_or(node);
            let name = names.give("device", e.product.as_deref().unwrap_or(file));
            let text = device(&name, node, e);
            (name, text)
        });
        of_node.insert(node.clone(), name.clone());
    }
    let order = order(&seen.programs);
    let mut out = top(seen, head);
    chain(&mut out, &order, &programs);
    for &i in &order {
        program(&mut out, seen, i, &programs, &of_node, &order);
    }
    for (_, text) in devices.values() {
        out.push_str(text);
    }
    links(&mut out, seen);
    frames(&mut out, seen, &programs);
    logs(&mut out, seen, &programs, &mut names);
    for (title, lines) in &head.more {
        block(&mut out, title, lines);
    }
    out
}

fn top(seen: &Seen, head: &Head) -> String {
    let mut out = format!(
        "# Written by `tilldawn look` on {} from what ran then. Lines with \"a guess\" are guesses: look at each.\n\
         # Check it with `tilldawn check --config FILE`; config/tilldawn.toml explains every key.\n",
        plain(&head.when)
    );
    if seen.closed > 0 {
        let _ = writeln!(
            out,
            "# {} processes of other users could not be looked into: what they hold and write is missing here. Run it as\n\
             # the user who images, or as root, to see more.",
            seen.closed
        );
    }
    let _ = write!(out, "\nfield = {}\n", quoted(&head.field));
    out.push_str(
        "\n# Where the telescope stands, for dark hours: fill in, and take the # away.\n# [site]\n# latitude = 48.2\n\
         # longitude = 11.6\n",
    );
    let _ = writeln!(out, "# zone = {}", quoted(head.zone.as_deref().unwrap_or("Europe/Lisbon")));
    out
}

/// The devices that are here tonight as the expected ones: title, note and lines of each, as the look around found them.
pub fn propose_devices(found: &[(String, String, Vec<String>)], when: &str) -> String {
    let mut out = format!(
        "# Written by `tilldawn look` on {}: the USB devices that were there. Paste them into the configuration, and take out\n\
         # what may be away.\n",
        plain(when)
    );
    let mut names = Names::default();
    for (title, note, lines) in found {
        let mut lines = lines.clone();
        // Two devices of one model need names of their own.
        let own = lines.first().and_then(|l| l.strip_prefix("[device.")).and_then(|l| l.strip_suffix(']'));
        if let Some(name) = own.map(|own| names.give("device", own)) {
            lines[0] = format!("[{name}]");
        }
        let note = if note.is_empty() { String::new() } else { format!(": {note}") };
        block(&mut out, &format!("{title}{note}"), &lines);
    }
    out
}

/// Servers before those that talk to them; in a circle the one that was listed first.
fn order(programs: &[Running]) -> Vec<usize> {
    let mut done: Vec<usize> = vec![];
    while done.len() < programs.len() {
        let ready = |i: &usize| !done.contains(i) && programs[*i].talks_to.iter().all(|(s, _)| done.contains(s));
        let next = (0..programs.len()).find(ready).or_else(|| (0..programs.len()).find(|i| !done.contains(i)));
        done.extend(next);
    }
    done
}

fn chain(out: &mut String, order: &[usize], programs: &[String]) {
    out.push_str(
        "\n# The chain: what is meant to work together in the evening. A guess: take out what is not part of it.\n",
    );
    if order.is_empty() {
        out.push_str(
            "# No running program was seen that holds equipment or writes frames: run this again while the chain is up.\n\
             # [session]\n# chain = [\"program.mount\"]\n",
        );
        return;
    }
    let list: Vec<String> = order.iter().map(|i| quoted(&programs[*i])).collect();
    let _ = write!(out, "[session]\nchain = [{}]\n", list.join(", "));
}

fn program(
    out: &mut String,
    seen: &Seen,
    i: usize,
    programs: &[String],
    of_node: &BTreeMap<String, String>,
    order: &[usize],
) {
    let p = &seen.programs[i];
    let _ = write!(out, "\n[{}]\n", programs[i]);
    match &p.script {
        Some(script) => {
            let _ = writeln!(out, "command = {}   # run by {}", quoted(script), plain(&p.executable));
        }
        None => {
            let _ = writeln!(out, "executable = {}", quoted(&p.executable));
        }
    }
    if let Some(unit) = &p.unit {
        let _ = writeln!(out, "# unit = {}   # it belongs to this unit now", quoted(unit));
    }
    let mut on: BTreeMap<String, String> = BTreeMap::new();
    for node in &p.nodes {
        if let Some(device) = of_node.get(node) {
            on.entry(device.clone()).or_insert_with(|| format!("it holds {}", plain(node)));
        }
    }
    let before = order.iter().position(|o| *o == i).unwrap_or(0);
    let mut against = vec![];
    for (server, port) in &p.talks_to {
        // In a circle of connections only what comes earlier in the chain is leant on.
        if order.iter().position(|o| o == server).is_some_and(|at| at < before) {
            on.entry(programs[*server].clone())
                .or_insert_with(|| format!("it is connected to port {port} of that program"));
        } else {
            against.push((programs[*server].clone(), *port));
        }
    }
    if !on.is_empty() {
        out.push_str("leans_on = [\n");
        for (name, why) in &on {
            let _ = writeln!(out, "  {},   # a guess: {why}", quoted(name));
        }
        out.push_str("]\n");
    }
    for (name, port) in against {
        let _ =
            writeln!(out, "# It is also connected to port {port} of {name}, which would make a circle of leans_on.");
    }
    // Numbers on the USB bus change with each plugging-in, so these nodes are no lasting names.
    let nodes: Vec<String> = p.nodes.iter().filter(|n| !n.starts_with("/dev/bus/")).map(|n| quoted(n)).collect();
    if !nodes.is_empty() {
        let _ = writeln!(out, "holds = [{}]   # a guess: it held this open", nodes.join(", "));
    }
    if let Some(port) = p.ports.first() {
        let _ = writeln!(
            out,
            "# A sign of life, if the program speaks when somebody connects (a guess: it waits on port {port}):\n\
             # alive = [{{ tcp = \"127.0.0.1:{port}\", within = \"30 s\" }}]"
        );
    }
}

fn device(name: &str, node: &str, e: &super::nodes::Equipment) -> String {
    let mut out = format!("\n[{name}]\n");
    match &e.usb {
        Some(usb) => {
            let _ = writeln!(out, "usb = {}", quoted(usb));
            if let Some(serial) = &e.serial {
                let _ = writeln!(out, "serial = {}", quoted(serial));
            }
            if let Some(port) = &e.port {
                let _ = writeln!(out, "# port = {}   # only if it must stay in this port", quoted(port));
            }
            let _ = writeln!(out, "# It was {}.", plain(node));
        }
        None => {
            let _ = writeln!(out, "node = {}   # no USB device was found behind it", quoted(node));
        }
    }
    out
}

fn links(out: &mut String, seen: &Seen) {
    out.push_str("\n# The house machine. The default gateway and the root disk are watched without being named.\n");
    let _ = match seen.house {
        Some((address, port)) => write!(
            out,
            "[link.house]\nto = \"{address}\"   # a guess: this address was connected to port {port} of this machine\n"
        ),
        None => write!(out, "# [link.house]\n# to = \"192.168.1.20\"\n"),
    };
}

fn frames(out: &mut String, seen: &Seen, programs: &[String]) {
    out.push('\n');
    let Some((folder, why)) = &seen.frames else {
        out.push_str("# No folder was seen in which frames arrive.\n# [frames]\n# folder = \"~/frames\"\n");
        return;
    };
    let _ = write!(out, "[frames]\nfolder = {}   # a guess: {}\n", quoted(&folder.to_string_lossy()), plain(why));
    match seen.programs.iter().position(|p| !p.frames.is_empty()) {
        Some(i) => {
            let _ = writeln!(out, "leans_on = [{}]   # a guess: it was writing a frame", quoted(&programs[i]));
        }
        None => out
            .push_str("# leans_on = [\"program.camera\"]   # the program that writes the frames was not seen at it\n"),
    }
    let _ = write!(out, "\n[disk.frames]\npath = {}   # the same folder\n", quoted(&folder.to_string_lossy()));
}

fn logs(out: &mut String, seen: &Seen, programs: &[String], names: &mut Names) {
    for (p, program) in seen.programs.iter().zip(programs) {
        for log in p.logs.iter().take(3) {
            let stem = log.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            let name = names.give("log", &stem);
            let _ = write!(
                out,
                "\n# A text log that {program} had open. With patterns of yours it tells what the program says.\n\
                 # [{name}]\n# path = {}\n# of = {}\n# pattern = [{{ regex = 'device lost', means = \"device lost\", broken = true }}]\n",
                quoted(&log.to_string_lossy()),
                quoted(program)
            );
        }
    }
}

/// Lines of another finder, if they load; else as a comment.
fn block(out: &mut String, title: &str, lines: &[String]) {
    let text = lines.join("\n");
    let _ = write!(out, "\n# {}\n", plain(title));
    let loads = crate::config::parse(&format!("{out}\n{text}\n"), None).is_ok();
    for l in lines {
        let _ = writeln!(out, "{}{l}", if loads { "" } else { "# " });
    }
}
