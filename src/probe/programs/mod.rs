//! Watched programs: found by name, measured, and their ends, restarts and hangs seen.
//!
//! Four parts share the [`roll::Roll`]: [`search`] finds processes (thread of its own), [`figures`] measures them each cycle
//! (shared worker), [`exits`] waits for their ends (event), [`starts`] hears of new ones from the kernel where it tells.
//! [`alive`] looks for signs of life.

pub mod alive;
#[cfg(not(target_os = "linux"))]
pub mod elsewhere;
pub mod ended;
#[cfg(target_os = "linux")]
pub mod exits;
#[cfg(target_os = "linux")]
pub mod figures;
pub mod gauges;
#[cfg(target_os = "linux")]
pub mod holds;
#[cfg(target_os = "linux")]
pub mod procs;
#[cfg(target_os = "linux")]
pub mod reason;
pub mod roll;
#[cfg(target_os = "linux")]
pub mod search;
#[cfg(target_os = "linux")]
pub mod starts;

use super::{All, Gauge, Setup};
#[cfg(target_os = "linux")]
use super::{Found, Group, Roots, parse};
#[cfg(target_os = "linux")]
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::mpsc::UnboundedReceiver;

/// What else is heard of processes than from the processes themselves.
#[cfg(target_os = "linux")]
pub type Heard = super::kernel_log::Heard;
/// Nothing, elsewhere.
#[cfg(not(target_os = "linux"))]
#[derive(Clone, Debug, Default)]
pub struct Heard;

/// Everything that watches the configured programs; nothing, if none is.
pub fn all(s: &Setup<'_>, heard: Heard) -> All {
    if s.config.programs.is_empty() {
        return others(s);
    }
    let (mut a, roll, ends) = parts(s);
    #[cfg(target_os = "linux")]
    a.sources.push(Box::new(exits::Exits::new(s.roots.clone(), roll, s.clock.clone(), heard, ends)));
    #[cfg(not(target_os = "linux"))]
    let Heard = heard;
    #[cfg(not(target_os = "linux"))]
    a.probes.push(Box::new(elsewhere::Processes::new(s, roll, ends)));
    a
}

/// Without watched programs: those that draw in software are told of all the same.
#[allow(unused_mut, unused_variables)]
fn others(s: &Setup<'_>) -> All {
    let mut a = All::default();
    #[cfg(target_os = "linux")]
    if s.wants("graphics") {
        a.probes.push(Box::new(super::graphics::watch::Watch::new(s, None)));
    }
    a
}

/// Everything but the task that tells of starts and ends.
fn parts(s: &Setup<'_>) -> (All, Arc<roll::Roll>, UnboundedReceiver<roll::Attached>) {
    let mut a = All::default();
    let entries = s
        .config
        .programs
        .iter()
        .map(|p| roll::Entry::new(p.clone(), Gauge::truth(&s.signals, p.name.clone(), format!("{} runs", p.title))))
        .collect();
    let (roll, ends) = roll::Roll::new(entries);
    #[cfg(target_os = "linux")]
    {
        a.probes.push(Box::new(search::Search::new(s.roots.clone(), roll.clone())));
        a.probes.push(Box::new(figures::Figures::new(s, roll.clone())));
        if s.wants("graphics") {
            a.probes.push(Box::new(super::graphics::watch::Watch::new(s, Some(roll.clone()))));
        }
        if s.wants("open-devices") {
            a.probes.push(Box::new(holds::Holds::new(s, roll.clone())));
        }
        if s.roots.is_system() {
            a.sources.push(Box::new(starts::Starts::new(roll.clone())));
        }
    }
    if let Some(files) = alive::files::GrowingFiles::new(s.roots.clone(), roll.clone()) {
        a.probes.push(Box::new(files));
    }
    if let Some(askers) = alive::net::Askers::new(roll.clone(), s.clock.clone()) {
        a.sources.push(Box::new(askers));
    }
    (a, roll, ends)
}

/// Running programs that a person may want to watch: those with a command line, without the system's own helpers of one
/// instant, each name once.
#[cfg(target_os = "linux")]
pub fn found(roots: &Roots) -> Vec<Found> {
    let Ok(dir) = std::fs::read_dir(roots.path("proc")) else { return vec![] };
    let mut by_name: BTreeMap<String, (u32, String)> = BTreeMap::new();
    for pid in dir.flatten().filter_map(|e| parse::unsigned(e.file_name().as_encoded_bytes())) {
        let Ok(pid) = u32::try_from(pid) else { continue };
        let n = procs::Names::new(roots, pid);
        let command = n.command();
        if command.is_empty() || pid == std::process::id() {
            continue;
        }
        let name = n.executable_name().unwrap_or_else(|| parse::text(n.comm()));
        by_name.entry(name).and_modify(|(count, _)| *count += 1).or_insert((1, command));
    }
    by_name
        .into_iter()
        .map(|(name, (count, command))| {
            let lines = vec![
                format!("[program.{}]", crate::model::Name::part(&name)),
                format!("executable = {}", toml::Value::from(name.as_str())),
            ];
            let several = if count > 1 {
                format!("{count} processes of this name: the oldest is watched. ")
            } else {
                String::new()
            };
            Found::with_lines(Group::Programs, name, lines, format!("{several}{}", shortened(&command)))
        })
        .collect()
}

#[cfg(target_os = "linux")]
fn shortened(t: &str) -> String {
    match t.char_indices().nth(100) {
        Some((i, _)) => format!("{}…", &t[..i]),
        None => t.to_string(),
    }
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests;
