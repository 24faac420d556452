//! Housekeeping between commits, in slices short enough that no alarm waits for them: sealing, retention, the look for damage.

use super::errors::StoreError;
use super::inbox::Item;
use super::options::Options;
use super::retention::Round;
use super::scribe::Scribe;
use super::seal::Pass;
use super::{health, seal};
use crate::model::{BootMs, Span, Stamp};

/// Nothing is begun this soon after the start: page and first readings come first, and the clock may not be known yet.
const SETTLE: Span = Span::secs(30);
/// Whether there is something to seal is asked this often.
const LOOK: Span = Span::mins(1);
/// Retention is looked at this often.
const ROUND: Span = Span::hours(1);
/// Damage is looked for this often, after the first time.
const CHECK: Span = Span::hours(24);

/// What is under way and what is due when.
pub(super) struct Upkeep {
    pass: Option<Pass>,
    next_look: BootMs,
    round: Option<Round>,
    next_round: BootMs,
    next_check: Option<BootMs>,
    checking: bool,
}

impl Upkeep {
    pub fn new(options: &Options, started: Stamp) -> Upkeep {
        Upkeep {
            pass: None,
            next_look: started.boot + SETTLE,
            round: None,
            next_round: started.boot + SETTLE + SETTLE,
            next_check: options.check_after.map(|after| started.boot + after),
            checking: false,
        }
    }

    /// Another store, or none for now: what was under way has no meaning any more.
    pub fn forget(&mut self) {
        self.pass = None;
        self.round = None;
    }
}

impl Scribe {
    /// One slice. Whether more is waiting to be done.
    pub(super) fn keep_house(&mut self, now: Stamp) -> bool {
        if self.trouble.is_some() || self.store.is_none() {
            return false;
        }
        self.look_for_damage(now);
        match self.slice(now) {
            Ok(more) => more,
            Err(e) => {
                self.upkeep.forget();
                self.fail(StoreError::from_sql(&self.path, &e));
                false
            }
        }
    }

    fn slice(&mut self, now: Stamp) -> rusqlite::Result<bool> {
        let Some(disk) = &mut self.store else { return Ok(false) };
        let u = &mut self.upkeep;
        if let Some(pass) = &mut u.pass {
            if seal::step(&mut disk.c, pass, &self.stored)? {
                u.pass = None;
                u.next_look = now.boot; // there may be more than one pass holds
            }
            return Ok(true);
        }
        if let Some(every) = self.options.seal_every
            && now.boot >= u.next_look
            && !self.dating.holds(now.boot)
        {
            u.next_look = now.boot + LOOK;
            u.pass = seal::begin(&disk.c, now.wall, every.0 / 1000)?;
            if u.pass.is_some() {
                return Ok(true);
            }
        }
        if let Some(round) = &mut u.round {
            if round.step(&mut disk.c)? {
                u.round = None;
            }
            return Ok(u.round.is_some());
        }
        if now.boot >= u.next_round && !self.dating.holds(now.boot) {
            u.next_round = now.boot + ROUND;
            let kept = i64::from(self.options.keep_fine_days) * 86_400;
            u.round = Some(Round::new(&disk.c, now.wall.0.div_euclid(1000) - kept)?);
            return Ok(true);
        }
        Ok(false)
    }

    /// Starts the look for damage in a thread of its own when it is due or a reader met damage.
    fn look_for_damage(&mut self, now: Stamp) {
        let u = &mut self.upkeep;
        let due = u.next_check.is_some_and(|at| now.boot >= at);
        if u.checking || !(health::is_suspect(&self.path) || due) {
            return;
        }
        u.next_check = u.next_check.map(|_| now.boot + CHECK);
        let (path, inbox) = (self.path.clone(), self.inbox.clone());
        let started = std::thread::Builder::new().name("store-check".into()).spawn(move || {
            let _ = inbox.push(Item::Checked(health::look_for_damage(&path)));
        });
        self.upkeep.checking = started.is_ok();
    }

    /// What the look for damage found. A store that could not be looked at (locked, disk in trouble) says nothing.
    pub(super) fn checked(&mut self, found: Result<(), StoreError>) {
        self.upkeep.checking = false;
        match found {
            Err(e) if e.is_damage() => self.fail(e),
            _ => {}
        }
    }
}
