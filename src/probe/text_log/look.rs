//! Text logs that running programs have open, for the look around, with lines to paste.

#[cfg(target_os = "linux")]
use crate::probe::Group;
use crate::probe::{Found, Roots};

/// Logs that are listed at most.
#[cfg(target_os = "linux")]
const MOST: usize = 12;

/// Logs that some program of this user has open for writing, with the name of the program.
#[cfg(target_os = "linux")]
pub fn found(roots: &Roots) -> Vec<Found> {
    let mut all = vec![];
    for (path, program) in crate::probe::chain::open_logs(roots) {
        let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let lines = vec![
            format!("[log.{}]", crate::model::Name::part(&stem)),
            format!("path = {}", toml::Value::from(path.to_string_lossy().as_ref())),
            "[[log.".to_string() + &crate::model::Name::part(&stem) + ".pattern]]",
            "regex = '(?i)(?P<device>\\S+) (lost|disconnected|not responding)'   # as your program words it".into(),
            "means = \"device lost\"".into(),
            "broken = true".into(),
        ];
        all.push(Found::with_lines(Group::Logs, path.display().to_string(), lines, format!("{program} has it open")));
        if all.len() == MOST {
            break;
        }
    }
    all
}

/// Not looked for on other systems.
#[cfg(not(target_os = "linux"))]
pub fn found(_: &Roots) -> Vec<Found> {
    vec![]
}
