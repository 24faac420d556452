//! Rows written before the clock was right, and how they are dated afterwards.
//!
//! A small board without a battery wakes with a wrong time. The time since boot is right all the same, and every row keeps it beside
//! the wall time. While the clock is in doubt, readings stay in the journal unsealed. Once it is known (the first synchronisation, or a
//! step while in doubt), every row of this boot that was written by the old clock is moved by the same amount.

use crate::model::{BootMs, Span, Stamp};

/// Wall-minus-boot offsets of one clock agree to within this: the clock is slewed by up to half a second per
/// thousand, for hours.
const SAME_CLOCK: i64 = 60_000;

/// A correction of the clock: what was stamped before `until` by a clock with offset `old` belongs `by` later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fix {
    pub until: BootMs,
    pub old: i64,
    pub by: Span,
}

impl Fix {
    /// Whether a stamp was made by the wrong clock.
    pub fn applies(&self, at: Stamp) -> bool {
        let d = (at.wall.0.saturating_sub(at.boot.0) - self.old).abs();
        let to_new = (at.wall.0.saturating_sub(at.boot.0) - self.old - self.by.0).abs();
        at.boot <= self.until && d < SAME_CLOCK && d < to_new
    }
}

/// What is known of this boot's clock.
#[derive(Clone, Debug, Default)]
pub struct Dating {
    fixes: Vec<Fix>,
}

impl Dating {
    /// The wall time under which an instant is stored.
    pub fn wall(&self, mut at: Stamp) -> i64 {
        for f in &self.fixes {
            if f.applies(at) {
                at.wall = at.wall + f.by;
            }
        }
        super::inbox::sane(at.wall).0
    }
}
