//! `tilldawn look`: what can be watched on this machine, and a first configuration from the evening's chain.

use super::{Done, Failure, WELL, say};
use crate::config::{human, words};
use crate::model::Span;
use crate::probe::{self, Found, Roots};
use clap::{Args, ValueEnum};
use std::path::PathBuf;

/// Show what can be watched on this machine, with lines to paste; write a first configuration
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  tilldawn look\n  tilldawn look --keep all --out tilldawn.toml   (while the evening's chain is up)\n  tilldawn look --keep devices --out devices.toml"
)]
pub struct Arguments {
    /// What to write into a configuration file
    #[arg(long, value_name = "WHAT", requires = "out")]
    keep: Option<Keep>,
    /// The configuration file to write; an existing one is left alone
    #[arg(long, value_name = "FILE", requires = "keep")]
    out: Option<PathBuf>,
    /// Keep looking for this long, so that a frame being written is seen
    #[arg(long = "for", value_name = "TIME", value_parser = human::span, default_value = "10 s", requires = "keep")]
    lasting: Span,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Keep {
    /// Everything that hangs together now: programs, devices, frames, links
    All,
    /// The USB devices that are there now, as the expected ones
    Devices,
}

/// Looks.
pub fn run(a: Arguments) -> Done {
    let found = probe::look(&Roots::system());
    match (a.keep, a.out) {
        (Some(Keep::All), Some(out)) => keep_all(&found, &out, a.lasting),
        (Some(Keep::Devices), Some(out)) => keep_devices(&found, &out),
        _ => {
            say::say(&listed(&found));
            Ok(WELL)
        }
    }
}

/// What was found, by group.
fn listed(found: &[Found]) -> String {
    let mut out = String::from("What can be watched on this machine\n");
    let mut group = None;
    for f in found {
        if group != Some(f.group) {
            group = Some(f.group);
            out.push_str(&format!("\n{}\n", words::heading(f.group.title())));
        }
        let note = if f.note.is_empty() { String::new() } else { format!(": {}", f.note) };
        out.push_str(&words::fill(2, &format!("{}{note}", f.title)));
        for l in &f.config_lines {
            out.push_str(&format!("      {l}\n"));
        }
    }
    let here = probe::look_rights::here(&Roots::system());
    if !here.blind.is_empty() {
        out.push_str(&format!("\nWhat {}, {}, cannot see\n", here.user, here.form.words()));
        for b in &here.blind {
            out.push_str(&words::fill(2, &format!("{}.", words::heading(&b.what))));
            if !b.grant.is_empty() {
                out.push_str(&format!("      granted by: {}\n", b.grant));
            }
        }
    }
    out.push_str(
        "\nLines that are set in go into the configuration as they are. A first whole one, while the evening's chain is up:\n  \
         tilldawn look --keep all --out tilldawn.toml\n",
    );
    out
}

#[cfg(not(target_os = "linux"))]
fn keep_all(_: &[Found], _: &std::path::Path, _: Span) -> Done {
    Err(Failure::new("a first configuration can only be written on Linux so far; start from the annotated example"))
}

#[cfg(not(target_os = "linux"))]
fn keep_devices(_: &[Found], _: &std::path::Path) -> Done {
    Err(Failure::new("the devices can only be written on Linux so far; start from the annotated example"))
}

#[cfg(target_os = "linux")]
fn when() -> String {
    jiff::ZonedDateTime::now().strftime("%Y-%m-%d %H:%M").to_string()
}

#[cfg(target_os = "linux")]
fn keep_devices(found: &[Found], out: &std::path::Path) -> Done {
    let devices: Vec<&Found> = found.iter().filter(|f| f.group == probe::Group::Devices).collect();
    let kept: Vec<_> = devices
        .iter()
        .filter(|f| !f.config_lines.is_empty())
        .map(|f| (f.title.clone(), f.note.clone(), f.config_lines.clone()))
        .collect();
    if kept.is_empty() {
        let why = devices.iter().map(|f| f.note.as_str()).find(|n| !n.is_empty()).unwrap_or("none is plugged in");
        return Err(Failure(format!("no USB device was found, so nothing is written: {why}")));
    }
    write_new(out, &probe::chain::propose_devices(&kept, &when()))?;
    say::say(&format!("{} devices are written to {}.", kept.len(), out.display()));
    super::configured(Some(out)).map(|_| WELL)
}

#[cfg(target_os = "linux")]
fn keep_all(found: &[Found], out: &std::path::Path, lasting: Span) -> Done {
    use probe::Group;
    use probe::chain::{Gather, Head, propose};
    if out.exists() {
        return Err(is_there(out));
    }
    let roots = Roots::system();
    let begun = std::time::Instant::now();
    let mut gather = Gather::default();
    loop {
        gather.look(&roots);
        if begun.elapsed() >= lasting.to_std() {
            break;
        }
        // A frame takes a second or two to be written.
        std::thread::sleep(std::time::Duration::from_millis(200));
    }
    let home = std::env::var_os("HOME").map(PathBuf::from);
    let seen = gather.finish(&roots, home.as_deref(), std::time::SystemTime::now());
    let wanted =
        |f: &&Found| matches!(f.group, Group::Sensors | Group::Links | Group::Disks) && !f.config_lines.is_empty();
    let head = Head {
        field: roots.text("/proc/sys/kernel/hostname").filter(|t| !t.is_empty()).unwrap_or_else(|| "field PC".into()),
        when: when(),
        zone: jiff::tz::TimeZone::system().iana_name().map(String::from),
        more: found.iter().filter(wanted).map(|f| (f.title.clone(), f.config_lines.clone())).collect(),
    };
    let text = propose(&seen, &head);
    write_new(out, &text)?;
    let mut told = match seen.programs.len() {
        0 => "No running program was seen that holds equipment or writes frames. Run this again while the chain is up."
            .into(),
        n => format!(
            "{n} program{} of the evening, {} device nodes.",
            if n == 1 { "" } else { "s" },
            seen.equipment.len()
        ),
    };
    if seen.closed > 0 {
        told.push_str(&format!(
            " {} processes of other users could not be looked into: run it as the user who images, or as root.",
            seen.closed
        ));
    }
    say::say(&format!(
        "{}{} is written. Look at every line that says \"a guess\", then: tilldawn check --config {}",
        words::fill(0, &told),
        out.display(),
        out.display()
    ));
    // What was just written must be in order; if it is not, say so at once.
    super::configured(Some(out)).map(|_| WELL)
}

/// Why a file is not written.
#[cfg(target_os = "linux")]
fn is_there(path: &std::path::Path) -> Failure {
    Failure(format!("`{}` is there already: name another file with --out, or move that one away", path.display()))
}

/// Writes a file that must not exist yet.
#[cfg(target_os = "linux")]
fn write_new(path: &std::path::Path, text: &str) -> Result<(), Failure> {
    use std::io::{Error, ErrorKind, Write};
    let failed = |e: Error| match e.kind() {
        ErrorKind::AlreadyExists => is_there(path),
        _ => Failure(format!("`{}` cannot be written: {e}; name another file with --out", path.display())),
    };
    let mut f = std::fs::OpenOptions::new().write(true).create_new(true).open(path).map_err(failed)?;
    f.write_all(text.as_bytes()).and_then(|()| f.sync_all()).map_err(failed)
}
