//! How a program ended, in numbers and in words.

/// How a process ended, from its wait status (wait(2)): words for people, `code`, `signal`, `core`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// By itself, with this code.
    Code(i32),
    /// By a signal.
    Signal {
        /// Which.
        signal: i32,
        /// A memory image was written.
        core: bool,
    },
    /// A memory image of it was found; the signal is not known.
    Crashed,
}

impl Ended {
    /// From a wait status.
    pub fn from_status(s: i32) -> Ended {
        match s & 0x7f {
            0 => Ended::Code((s >> 8) & 0xff),
            signal => Ended::Signal { signal, core: s & 0x80 != 0 },
        }
    }
    /// "closed" when it ended by itself without complaint or was asked to (HUP, INT, TERM), else "crashed".
    pub fn how(self) -> &'static str {
        match self {
            Ended::Code(0) | Ended::Signal { signal: 1 | 2 | 15, .. } => "closed",
            _ => "crashed",
        }
    }
    /// For people.
    pub fn words(self) -> String {
        match self {
            Ended::Code(0) => "closed".into(),
            Ended::Crashed => "crashed, memory image written".into(),
            Ended::Code(c) => format!("ended with code {c}"),
            Ended::Signal { signal, core } => {
                let name = match signal {
                    1 => ", hang-up",
                    2 => ", interrupted",
                    4 => ", illegal instruction",
                    6 => ", aborted itself",
                    7 => ", bus error",
                    8 => ", arithmetic error",
                    9 => ", killed",
                    11 => ", memory access error",
                    15 => ", asked to end",
                    24 => ", processor limit",
                    31 => ", forbidden system call",
                    _ => "",
                };
                format!("ended by signal {signal}{name}{}", if core { ", memory image written" } else { "" })
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wait_statuses() {
        // The encoding of wait(2): 0x0700 is exit code 7, 9 is SIGKILL, 0x8b is SIGSEGV with a core file.
        assert_eq!(Ended::from_status(0x700), Ended::Code(7));
        assert_eq!(Ended::from_status(9), Ended::Signal { signal: 9, core: false });
        assert_eq!(Ended::from_status(0x8b), Ended::Signal { signal: 11, core: true });
        assert_eq!([0, 15, 0x100, 9].map(|s| Ended::from_status(s).how()), ["closed", "closed", "crashed", "crashed"]);
    }
}
