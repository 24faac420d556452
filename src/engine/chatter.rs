//! Chattering: an alarm that is raised three times or more within one minute is not announced one by one.
//!
//! Three in a minute is the common reading of ANSI/ISA-18.2 and IEC 62682, which give no hard number themselves.

use crate::model::{BootMs, Span};
use serde::{Deserialize, Serialize};

/// Raises that make an alarm chattering.
pub const TIMES: usize = 3;
/// Stretch in which they fall.
pub const WITHIN: Span = Span::secs(60);

/// The latest raises of one alarm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Chatter {
    last: [Option<BootMs>; TIMES],
}

impl Chatter {
    /// Notes a raise; whether it makes the alarm chattering.
    pub fn raised(&mut self, at: BootMs) -> bool {
        self.last.rotate_left(1);
        self.last[TIMES - 1] = Some(at);
        self.last[0].is_some_and(|first| at - first < WITHIN)
    }

    /// When it counts as settled, if nothing more comes.
    pub fn settles(&self) -> Option<BootMs> {
        self.last[TIMES - 1].map(|l| l + WITHIN)
    }

    /// All times moved by `by`, for a machine whose since-boot clock began anew.
    pub fn shift(&mut self, by: Span) {
        self.last.iter_mut().flatten().for_each(|t| *t = *t + by);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_within_a_minute() {
        let mut c = Chatter::default();
        assert!(!c.raised(BootMs(0)) && !c.raised(BootMs(20_000)) && c.raised(BootMs(59_000)));
        assert_eq!(c.settles(), Some(BootMs(119_000)));
        assert!(!c.raised(BootMs(80_000)), "20 s, 59 s and 80 s: the first to the third is a minute");
    }
}
