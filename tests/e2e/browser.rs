//! Starts a script of `tests/browser/` and speaks with it line by line.

use crate::harness::{BOUND, wait_for};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

/// A script under way.
pub struct Script {
    child: Child,
    lines: Receiver<String>,
    told: Vec<String>,
}

/// Where pictures of the page go, for people to look at.
pub fn pictures() -> PathBuf {
    let out = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/pictures");
    std::fs::create_dir_all(&out).expect("the folder for pictures");
    out
}

impl Script {
    /// Starts `name` with arguments; `before` is put in front (`ip netns exec …`).
    pub fn start(before: &[&str], name: &str, arguments: &[&str]) -> Script {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        assert!(
            root.join("tests/needs/node/node_modules").is_dir(),
            "the browser's driver is missing: run `bash tests/run --needs` first"
        );
        let script = root.join("tests/browser").join(name);
        let mut words: Vec<&str> = before.to_vec();
        words.push("node");
        let mut child = Command::new(words[0])
            .args(&words[1..])
            .arg(script)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("node starts");
        let out = BufReader::new(child.stdout.take().expect("a pipe"));
        let (tx, lines) = channel();
        std::thread::spawn(move || out.lines().map_while(Result::ok).for_each(|l| drop(tx.send(l))));
        Script { child, lines, told: vec![] }
    }

    /// Types a line.
    pub fn type_in(&mut self, line: &str) {
        let input = self.child.stdin.as_mut().expect("a pipe");
        writeln!(input, "{line}").expect("the script reads");
    }

    /// Waits for a line that begins with `word`; the rest of it.
    pub fn hear(&mut self, word: &str) -> String {
        loop {
            match self.lines.recv_timeout(BOUND * 4) {
                Ok(l) => {
                    self.told.push(l.clone());
                    if let Some(rest) = l.strip_prefix(word) {
                        return rest.trim().into();
                    }
                    // What went wrong ends a script early; there is no use in waiting for more.
                    assert!(!l.starts_with("RESULT"), "the script ended before `{word}`: {:#?}", self.told);
                }
                Err(e) => panic!("the script says nothing ({e}) where `{word}` was expected: {:#?}", self.told),
            }
        }
    }

    /// Waits for its end; nothing may have gone wrong.
    pub fn end(mut self) {
        let wrong: Vec<String> = serde_json::from_str(&self.hear("RESULT")).expect("a list");
        wait_for("the script's end", Duration::from_secs(30), || {
            self.child.try_wait().expect("the script can be asked")
        });
        assert!(wrong.is_empty(), "{wrong:#?}");
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
