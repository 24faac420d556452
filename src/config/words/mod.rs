//! The configuration said in plain words, for `check`, and for telling what a reload changed. Pure.

pub mod cautions;
mod diff;
mod notes;
mod rules;
mod things;

pub use cautions::{DEAD_AGENT, HEATING, MAINS, MOVING, cautions};
pub use diff::diff;
pub use notes::notes;
pub use rules::{rule, waking};
pub use things::{Entry, entries, session};

use super::model::Config;

/// Columns of a line at most.
const WIDTH: usize = 96;

/// Everything that `check` can say without looking at the machine.
pub fn whole(c: &Config) -> String {
    let mut out = String::new();
    let mut group = "";
    for e in entries(c) {
        if e.group != group {
            group = e.group;
            out.push_str(&format!("\n{}\n", heading(group)));
        }
        out.push_str(&fill(2, &format!("{}: {}", e.called(), e.text)));
    }
    let worked_out = things::worked_out(c);
    if !worked_out.is_empty() {
        out.push_str(&format!("\n{}\n", heading("worked out from these")));
        worked_out.iter().for_each(|l| out.push_str(&fill(2, l)));
    }
    out.push_str(&format!("\n{}\n", heading("a session")));
    for line in session(c) {
        out.push_str(&fill(2, &line));
    }
    out.push_str(&format!("\n{}\n", heading("rules that hold")));
    let (idle, busy): (Vec<_>, Vec<_>) = c.rules.iter().partition(|r| rules::idle(c, r));
    for r in busy {
        out.push_str(&fill(2, &format!("{}: {}", r.title, rule(c, r))));
    }
    if !idle.is_empty() {
        let titles: Vec<&str> = idle.iter().map(|r| r.title.as_str()).collect();
        out.push_str(&fill(2, &format!("Nothing is configured that these could judge: {}.", titles.join(", "))));
    }
    let list = |out: &mut String, title: &str, lines: Vec<String>| {
        if !lines.is_empty() {
            out.push_str(&format!("\n{}\n", heading(title)));
            lines.iter().for_each(|l| out.push_str(&fill(2, l)));
        }
    };
    list(&mut out, "what would wake somebody", waking(c));
    list(&mut out, "the agent itself", things::agent(c));
    list(&mut out, "worth knowing", notes(c));
    list(&mut out, "cautions", cautions(c));
    out
}

/// A heading: the words with a capital letter.
pub fn heading(words: &str) -> String {
    let mut chars = words.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// `text` broken into lines at spaces, the first indented by `indent`, the others by two more. A number stays with its
/// unit.
pub fn fill(indent: usize, text: &str) -> String {
    let number = |w: &str| w.chars().all(|c| c.is_ascii_digit() || "−.`".contains(c)) && !w.is_empty();
    let mut words: Vec<String> = vec![];
    for word in text.split(' ') {
        match words.last_mut() {
            Some(last) if number(last) && word.chars().count() <= 5 => {
                last.push(' ');
                last.push_str(word);
            }
            _ => words.push(word.into()),
        }
    }
    let mut out = String::new();
    let mut line = " ".repeat(indent);
    let mut empty = true;
    for word in words {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(&line);
            out.push('\n');
            line = " ".repeat(indent + 2);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(&word);
        empty = false;
    }
    out.push_str(&line);
    out.push('\n');
    out
}

/// A title with its article: "the mount program".
pub fn the(title: &str) -> String {
    if title.starts_with("the ") { title.into() } else { format!("the {title}") }
}

/// "a", "a and b", "a, b and c".
pub fn and<S: AsRef<str>>(all: &[S]) -> String {
    match all {
        [] => String::new(),
        [one] => one.as_ref().into(),
        [most @ .., last] => {
            let most: Vec<&str> = most.iter().map(AsRef::as_ref).collect();
            format!("{} and {}", most.join(", "), last.as_ref())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::parse;
    use super::*;

    #[test]
    fn the_examples_in_words() {
        let file = std::path::PathBuf::from("/home/pier/tilldawn.toml");
        // Paths from the home folder differ from machine to machine.
        let full = include_str!("../../../config/tilldawn.toml").replace("~/", "/home/pier/");
        insta::assert_snapshot!("full", whole(&parse(&full, Some(&file)).unwrap()));
        let smallest = parse(include_str!("../../../config/smallest.toml"), Some(&file)).unwrap();
        insta::assert_snapshot!("smallest", whole(&smallest));
        insta::assert_snapshot!("no_file", whole(&Config::default()));
    }

    #[test]
    fn lines_are_filled_and_lists_are_spoken() {
        let text = fill(2, &"word ".repeat(60));
        assert!(
            text.lines().all(|l| l.chars().count() <= WIDTH) && text.lines().nth(1).unwrap().starts_with("    word")
        );
        assert_eq!(and(&["a", "b", "c"]), "a, b and c");
    }
}
