//! What changed between two configurations, in words.

use super::things::{Entry, settings};
use super::{entries, rule, session};
use crate::config::model::Config;

/// What changed from `old` to `new`, one line for each; empty when nothing did.
pub fn diff(old: &Config, new: &Config) -> Vec<String> {
    let mut lines = vec![];
    for ((key, was), (_, is)) in settings(old).into_iter().zip(settings(new)) {
        if was != is {
            lines.push(format!("{key}: was {was}, is {is}"));
        }
    }
    let (was, is) = (session(old), session(new));
    lines.extend(is.iter().filter(|l| !was.contains(l)).map(|l| format!("session: {l}")));
    compare(&entries(old), &entries(new), &mut lines);
    let rules = |c: &Config| -> Vec<Entry> {
        c.rules
            .iter()
            .map(|r| Entry { group: "rules", name: r.name.to_string(), title: r.title.clone(), text: rule(c, r) })
            .collect()
    };
    compare(&rules(old), &rules(new), &mut lines);
    lines
}

fn compare(old: &[Entry], new: &[Entry], lines: &mut Vec<String>) {
    for e in new {
        match old.iter().find(|o| o.name == e.name) {
            None => lines.push(format!("{} is new: {}", e.called(), e.text)),
            Some(o) if o != e => {
                if o.title != e.title {
                    lines.push(format!("{} is called `{}` now, was `{}`", e.name, e.title, o.title));
                }
                let (was, is) = apart(&o.text, &e.text);
                if !was.is_empty() || !is.is_empty() {
                    let said = |t: String| if t.is_empty() { "nothing".into() } else { t };
                    lines.push(format!("{}: was {}, is {}", e.called(), said(was), said(is)));
                }
            }
            Some(_) => {}
        }
    }
    for o in old.iter().filter(|o| new.iter().all(|e| e.name != o.name)) {
        lines.push(format!("{} is no longer there", o.called()));
    }
}

/// The parts of two sentences that differ.
fn apart(old: &str, new: &str) -> (String, String) {
    let parts = |t: &str| t.split("; ").map(String::from).collect::<Vec<_>>();
    let (old, new) = (parts(old), parts(new));
    let only = |a: &[String], b: &[String]| {
        a.iter().filter(|p| !b.contains(p)).map(String::as_str).collect::<Vec<_>>().join("; ")
    };
    (only(&old, &new), only(&new, &old))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::parse;

    #[test]
    fn changes_are_told_in_words() {
        let text = include_str!("../../../config/smallest.toml");
        let old = parse(text, None).unwrap();
        assert_eq!(diff(&old, &old), Vec::<String>::new());
        let changed = text
            .replace("192.168.1.20", "192.168.1.21")
            .replace("executable = \"mount-driver\"", "executable = \"mount-driver\"\ntitle = \"the mount\"")
            + "[disk.frames]\npath = \"/frames\"\n[rule.disk]\nbelow = \"10 %\"\n[agent]\nevery = \"2 s\"\n";
        assert_eq!(
            diff(&old, &parse(&changed, None).unwrap()),
            [
                "agent.every: was 1 s, is 2 s",
                "session: Starts when the mount is up, or when you say so.",
                "program.mount is called `the mount` now, was `mount program`",
                "link to house (link.house): was 192.168.1.20 by echo every 1 s, loss over 1 min, \
                 is 192.168.1.21 by echo every 1 s, loss over 1 min",
                "frames disk (disk.frames) is new: room, file entries and health of the disk of /frames",
                "disk filling up (rule.disk): was a disk has less room than tonight needs at the present pace, or less \
                 than 5 % (over when past it by 0.5 %), is a disk has less room than tonight needs at the present pace, \
                 or less than 10 % (over when past it by 0.5 %)",
                "disk is read-only (rule.disk-read-only) is new: disk.frames.writable is not yes; must last 30 s; medium \
                 priority; at any time; wakes nobody",
            ]
        );
        let gone = text.replace("[link.house]\nto = \"192.168.1.20\"", "");
        assert_eq!(diff(&old, &parse(&gone, None).unwrap()), ["link to house (link.house) is no longer there"]);
    }
}
