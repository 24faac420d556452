//! The rooms of the program stand in layers: a room may import only rooms below it. This reads every `crate::` path (and
//! every `super::` path that leaves its room) and fails on one that goes upwards or sideways. It also reads all files of
//! the project for words that have no business there.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

/// From the top down. Rooms on one line stand beside each other and know nothing of each other.
const LAYERS: &[&[&str]] = &[
    &["cli"],
    &["agent", "house"],
    &["http", "out", "rehearse"],
    &["report"],
    &["store"],
    &["engine", "analysis"],
    &["probe", "night"],
    &["config", "clock"],
    &["model"],
];

fn layer(room: &str) -> Option<usize> {
    LAYERS.iter().position(|l| l.contains(&room))
}

fn files(under: &Path, wanted: &dyn Fn(&Path) -> bool, out: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(under) else {
        return;
    };
    for e in entries {
        let path = e.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        // Caches of builds and test tools are no files of the project.
        let cache = [".cache", ".git", "dist", "node_modules", "target"].contains(&name.as_str());
        if path.is_dir() && !cache {
            files(&path, wanted, out);
        } else if path.is_file() && wanted(&path) {
            out.push(path);
        }
    }
    out.sort();
}

/// The text without comments and without the insides of string literals, line by line.
fn code_only(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    let mut previous = ' ';
    while let Some(c) = chars.next() {
        match c {
            '/' if chars.peek() == Some(&'/') => {
                for c in chars.by_ref() {
                    if c == '\n' {
                        out.push('\n');
                        break;
                    }
                }
            }
            '"' => {
                // A raw string ends at a quote followed by as many # as stood before its first quote.
                let hashes = out.chars().rev().take_while(|c| *c == '#').count();
                let raw = out.trim_end_matches('#').ends_with('r');
                let mut ended = 0;
                let mut open = true;
                while let Some(c) = chars.next() {
                    if c == '\n' {
                        out.push('\n');
                    }
                    if !raw && c == '\\' {
                        chars.next();
                    } else if c == '"' {
                        ended = 0;
                        open = false;
                        if !raw || hashes == 0 {
                            break;
                        }
                    } else if !open && c == '#' {
                        ended += 1;
                        if ended == hashes {
                            break;
                        }
                    } else {
                        open = true;
                    }
                }
            }
            // A quote character as a literal must not open a string.
            '\'' if chars.peek() == Some(&'"') => {
                chars.next();
                chars.next();
            }
            '\'' if chars.peek() == Some(&'\\') && !previous.is_alphanumeric() => {
                chars.next();
                chars.next();
            }
            c => out.push(c),
        }
        previous = c;
    }
    out
}

/// The first words of what follows `crate::`: one, or several in braces.
fn heads(after: &str) -> Vec<String> {
    let word = |t: &str| t.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect::<String>();
    let Some(inner) = after.trim_start().strip_prefix('{') else {
        return vec![word(after)];
    };
    let mut depth = 0;
    let mut all = vec![];
    let mut start = 0;
    for (i, c) in inner.char_indices() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => {
                all.push(word(&inner[start..i]));
                break;
            }
            '}' => depth -= 1,
            ',' if depth == 0 => {
                all.push(word(&inner[start..i]));
                start = i + 1;
            }
            _ => {}
        }
    }
    all.retain(|w| !w.is_empty());
    all
}

/// Every room that a file names, with its line.
fn named_rooms(code: &str, depth: usize) -> Vec<(usize, String)> {
    let line_of = |at: usize| code[..at].matches('\n').count() + 1;
    let mut all = vec![];
    for (at, _) in code.match_indices("crate::") {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == '$') {
            continue;
        }
        all.extend(heads(&code[at + "crate::".len()..]).into_iter().map(|w| (line_of(at), w)));
    }
    for (at, _) in code.match_indices("super::") {
        if code[..at].ends_with("super::") {
            continue;
        }
        let mut rest = &code[at..];
        let mut ups = 0;
        while let Some(r) = rest.strip_prefix("super::") {
            (rest, ups) = (r, ups + 1);
        }
        // So many steps up leave the room (unless inside an inline module, where the next word is no room's).
        if ups >= depth {
            all.extend(heads(rest).into_iter().filter(|w| layer(w).is_some()).map(|w| (line_of(at), w)));
        }
    }
    all
}

#[test]
fn rooms_import_only_what_is_below_them() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut all = vec![];
    files(&src, &|p| p.extension().is_some_and(|e| e == "rs"), &mut all);
    assert!(all.len() > 20, "the sources were not found");
    let mut wrong = vec![];
    for path in all {
        let inner = path.strip_prefix(&src).unwrap();
        let parts: Vec<String> = inner.components().map(|c| c.as_os_str().to_string_lossy().into_owned()).collect();
        if parts == ["lib.rs"] || parts == ["main.rs"] {
            continue;
        }
        let room = parts[0].trim_end_matches(".rs").to_owned();
        let Some(own) = layer(&room) else {
            wrong.push(format!("{}: the room `{room}` stands in no layer", inner.display()));
            continue;
        };
        let last = parts.last().unwrap();
        let depth = if parts.len() == 1 || last == "mod.rs" { parts.len().max(2) - 1 } else { parts.len() };
        for (line, other) in named_rooms(&code_only(&fs::read_to_string(&path).unwrap()), depth) {
            match layer(&other) {
                None => wrong.push(format!("{}:{line}: `crate::{other}` is no room", inner.display())),
                Some(l) if other != room && l <= own => {
                    let way = if l == own { "sideways" } else { "upwards" };
                    wrong.push(format!("{}:{line}: `{room}` imports `{other}`, {way}", inner.display()));
                }
                Some(_) => {}
            }
        }
    }
    assert!(wrong.is_empty(), "imports against the layers:\n{}", wrong.join("\n"));
}

#[test]
fn the_reader_of_imports_sees_them_all() {
    let code = code_only(
        "use crate::{model::{Name, Span}, clock};\n// crate::cli\nlet s = \"crate::http\"; let r = r#\"crate::out\"#;\n\
         let q = '\"'; super::super::store::open(); let x = crate::engine::Engine::new();",
    );
    let found: Vec<String> = named_rooms(&code, 2).into_iter().map(|(_, w)| w).collect();
    assert_eq!(found, ["model", "clock", "engine", "store"]);
}

#[test]
fn no_file_names_a_place_of_one_machine_or_a_registry() {
    // Put together here, so that this file does not contain them.
    let words: Vec<String> = [
        ["/wo", "rk/"],
        ["/ro", "ot/"],
        ["crates", ".io"],
        ["pypi", ".org"],
        ["python", "hosted.org"],
        ["registry.npm", "js.org"],
        ["deb.deb", "ian.org"],
        ["proxy.gol", "ang.org"],
        ["HELP", "ERS.md"],
        ["CONTR", "ACT.md"],
    ]
    .iter()
    .map(|w| w.concat())
    .collect();
    let top = Path::new(env!("CARGO_MANIFEST_DIR"));
    // The lock file names the registry by its format.
    let wanted = |p: &Path| {
        let name = p.file_name().unwrap().to_string_lossy();
        name != "Cargo.lock" && name != ".git" && !name.ends_with(".png") && !name.ends_with(".db")
    };
    let mut all = vec![];
    files(top, &wanted, &mut all);
    let mut wrong = vec![];
    for path in all {
        let text = String::from_utf8_lossy(&fs::read(&path).unwrap()).into_owned();
        for (i, line) in text.lines().enumerate() {
            for w in words.iter().filter(|w| line.contains(w.as_str())) {
                wrong.push(format!("{}:{}: {w}", path.strip_prefix(top).unwrap().display(), i + 1));
            }
        }
    }
    assert!(wrong.is_empty(), "words that have no business here:\n{}", wrong.join("\n"));
}
