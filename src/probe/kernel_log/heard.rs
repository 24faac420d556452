//! What the kernel's log told of processes lately, for those who want to know how a program ended.

use crate::model::{BootMs, Span};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// So many are remembered.
const MOST: usize = 64;
/// A line this long before the end of a process still tells of that end.
const LATELY: Span = Span::secs(10);

/// One process that the kernel named as crashed or killed for memory.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doomed {
    /// Its number.
    pub pid: u32,
    /// The signal by which the kernel ends it.
    pub signal: i32,
    /// When the line was written.
    pub at: BootMs,
}

/// The board. Cheap to clone; stays empty where the log cannot be read.
#[derive(Clone, Debug, Default)]
pub struct Heard(Arc<Mutex<Board>>);

#[derive(Debug, Default)]
struct Board {
    doomed: VecDeque<Doomed>,
    /// Processes that watched programs are or lately were.
    watched: VecDeque<u32>,
}

impl Heard {
    /// Remembers one.
    pub fn tell(&self, d: Doomed) {
        let all = &mut self.board().doomed;
        if all.len() == MOST {
            all.pop_front();
        }
        all.push_back(d);
    }

    /// A watched program has become this process.
    pub fn watch(&self, pid: u32) {
        let all = &mut self.board().watched;
        if all.len() == MOST {
            all.pop_front();
        }
        all.push_back(pid);
    }

    /// Whether a process is that of a watched program.
    pub fn watches(&self, pid: u32) -> bool {
        self.board().watched.contains(&pid)
    }

    fn board(&self) -> MutexGuard<'_, Board> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The signal by which the kernel said that it ends this process, if it said so shortly before `ended`.
    pub fn signal_of(&self, pid: u32, ended: BootMs) -> Option<i32> {
        let all = &self.board().doomed;
        // The line is written before the process is gone; its stamp may be late by a little.
        let near = |at: BootMs| ended - at <= LATELY && at - ended <= Span::secs(1);
        all.iter().rev().find(|d| d.pid == pid && near(d.at)).map(|d| d.signal)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_same_process_and_only_lately() {
        let h = Heard::default();
        h.tell(Doomed { pid: 7, signal: 11, at: BootMs(100_000) });
        assert_eq!(h.signal_of(7, BootMs(100_300)), Some(11));
        assert_eq!(h.signal_of(8, BootMs(100_300)), None);
        assert_eq!(h.signal_of(7, BootMs(200_000)), None, "another process under the same number");
        for pid in 0..1000 {
            h.tell(Doomed { pid, signal: 9, at: BootMs(1) });
        }
        assert_eq!(h.board().doomed.len(), MOST);
        h.watch(7);
        assert!(h.watches(7) && !h.watches(8));
    }
}
