//! How a program ended, told from what the kernel says.

use crate::model::Event;
use serde::{Deserialize, Serialize};

/// Sorts of ends, as far as an orderly close-down goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ExitSort {
    /// It ended by itself and said that all was well (code 0).
    Clean,
    /// It was asked to end (hang-up, interrupt or terminate signal, or a code that says so).
    Asked,
    /// The system does not tell.
    Unknown,
    /// It crashed, was killed, or ended with an error.
    Bad,
}

/// An end with its words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Exit {
    /// The sort.
    pub sort: ExitSort,
    /// "signal 9, killed", "code 1", "reason unknown".
    pub words: String,
}

impl Exit {
    /// An end of which nothing is known.
    pub fn unknown() -> Exit {
        Exit { sort: ExitSort::Unknown, words: "reason unknown".into() }
    }

    /// From the facts of a `ProgramEnded` event: `code`, `signal`, `core`, `how`.
    pub fn of(e: &Event) -> Exit {
        let number = |k: &str| e.detail.get(k).and_then(serde_json::Value::as_i64);
        let core = e.detail.get("core").and_then(serde_json::Value::as_bool).unwrap_or(false);
        let how = e.detail.get("how").and_then(serde_json::Value::as_str).unwrap_or("");
        if let Some(s) = number("signal").filter(|s| *s != 0) {
            // POSIX: SIGHUP 1, SIGINT 2, SIGTERM 15 ask; every other deadly signal breaks off.
            let sort = if !core && matches!(s, 1 | 2 | 15) { ExitSort::Asked } else { ExitSort::Bad };
            let name = match s {
                1 => ", hang-up",
                2 => ", interrupted",
                4 => ", illegal instruction",
                6 => ", aborted itself",
                7 => ", bus error",
                8 => ", arithmetic error",
                9 => ", killed",
                11 => ", memory fault",
                15 => ", asked to end",
                _ => "",
            };
            return Exit { sort, words: format!("signal {s}{name}") };
        }
        if let Some(c) = number("code") {
            let sort = match c {
                0 if !core => ExitSort::Clean,
                // A shell's way of saying 128 + signal; and the Windows code for an interrupted console program.
                129 | 130 | 143 | 3_221_225_786 | -1_073_741_510 => ExitSort::Asked,
                _ => ExitSort::Bad,
            };
            return Exit { sort, words: format!("code {c}") };
        }
        match how {
            "closed" => Exit { sort: ExitSort::Clean, words: "closed".into() },
            "crashed" => Exit { sort: ExitSort::Bad, words: "crashed".into() },
            _ => Exit::unknown(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{EventKind, Name, Stamp};

    #[test]
    fn ends_are_sorted() {
        let e = |k: &str, v: serde_json::Value| {
            Event::new(Stamp::default(), Name::new("program.a").unwrap(), EventKind::ProgramEnded, "").with(k, v)
        };
        for (k, v, sort) in [
            ("code", 0.into(), ExitSort::Clean),
            ("code", 1.into(), ExitSort::Bad),
            ("code", 143.into(), ExitSort::Asked),
            ("signal", 15.into(), ExitSort::Asked),
            ("signal", 9.into(), ExitSort::Bad),
            ("signal", 11.into(), ExitSort::Bad),
            ("how", "unknown".into(), ExitSort::Unknown),
            ("how", "closed".into(), ExitSort::Clean),
            ("how", "crashed".into(), ExitSort::Bad),
        ] {
            assert_eq!(Exit::of(&e(k, v)).sort, sort, "{k}");
        }
        assert_eq!(Exit::of(&e("signal", 15.into()).with("core", true)).sort, ExitSort::Bad);
    }
}
