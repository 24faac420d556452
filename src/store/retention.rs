//! Retention: fine readings older than so many days are dropped, minutes stay. In small slices.

use super::keys::{START_MASK, TIMES_BITS, WINDOW_S, key};
use crate::model::SignalId;
use rusqlite::{Connection, TransactionBehavior};

/// Pieces dropped in one slice.
const PIECES: i64 = 240;
/// Pages handed back in one slice.
const PAGES: i64 = 64;
/// Freed pages below this share of the file are kept for what comes next: handing them back costs more writing than it saves.
const SPARE_SHARE: i64 = 4;
/// The same in pages.
const SPARE_PAGES: i64 = 2048;

/// One round over all signals.
#[derive(Debug)]
pub(super) struct Round {
    before_s: i64,
    left: Vec<SignalId>,
    times_done: bool,
}

impl Round {
    /// Drops what lies wholly before an instant.
    pub fn new(c: &Connection, before_s: i64) -> rusqlite::Result<Round> {
        let mut q = c.prepare_cached("SELECT id FROM signals ORDER BY id DESC")?;
        let left = q.query_map([], |r| Ok(SignalId(r.get(0)?)))?.collect::<rusqlite::Result<_>>()?;
        Ok(Round { before_s: before_s.div_euclid(WINDOW_S) * WINDOW_S, left, times_done: false })
    }

    /// One slice. Tells whether the round is over.
    pub fn step(&mut self, c: &mut Connection) -> rusqlite::Result<bool> {
        if self.before_s <= 0 {
            return Ok(true);
        }
        // Looking is cheap; only what has something to drop takes a transaction.
        while let Some(&signal) = self.left.last() {
            let (first, last) = (key(signal, 0), key(signal, self.before_s.min(START_MASK)) - 1);
            let any: bool = c
                .prepare_cached("SELECT EXISTS (SELECT 1 FROM pieces WHERE id BETWEEN ? AND ?)")?
                .query_row([first, last], |r| r.get(0))?;
            if any {
                let tx = c.transaction_with_behavior(TransactionBehavior::Immediate)?;
                tx.prepare_cached(
                    "DELETE FROM pieces WHERE id IN (SELECT id FROM pieces WHERE id BETWEEN ? AND ? ORDER BY id LIMIT ?)",
                )?
                .execute([first, last, PIECES])?;
                tx.commit()?;
                return Ok(false);
            }
            self.left.pop();
        }
        if !self.times_done {
            let n = c
                .prepare_cached(
                    "DELETE FROM times WHERE id IN (SELECT id FROM times WHERE id < ? ORDER BY id LIMIT ?)",
                )?
                .execute([self.before_s << TIMES_BITS, PIECES])?;
            self.times_done = n == 0;
            return Ok(false);
        }
        let pages = |what: &str| -> rusqlite::Result<i64> { c.query_row(&format!("PRAGMA {what}"), [], |r| r.get(0)) };
        let (free, all) = (pages("freelist_count")?, pages("page_count")?);
        if free > SPARE_PAGES && free > all / SPARE_SHARE {
            // Every row of this statement hands back one page.
            let mut q = c.prepare(&format!("PRAGMA incremental_vacuum({PAGES})"))?;
            let mut rows = q.query([])?;
            while rows.next()?.is_some() {}
            return Ok(false);
        }
        Ok(true)
    }
}
