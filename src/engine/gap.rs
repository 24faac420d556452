//! Gaps: stretches in which nobody was looking, and machines whose count of time began anew.

use super::Engine;
use super::exit::ExitSort;
use super::plan::Sort;
use crate::model::rows::GapRow;
use crate::model::{EventKind, Outcome, SessionEnd, Span, Stamp};

/// A machine that was shut down in an orderly way and is back sooner than this was restarted, not put to bed.
pub const RESTART: Span = Span::mins(30);
/// Ends of programs this long before an orderly shutdown were part of it.
const SHUTDOWN: Span = Span::mins(2);
/// Without a site, a machine that stayed away for longer than this did not come back that night.
const NIGHT_OVER: Span = Span::hours(6);

impl Engine {
    /// Tells of a stretch in which nobody was looking; called once after a start that follows an earlier run, before the
    /// first step. `clean`: whether the machine (if it restarted) or else the agent stopped in an orderly way; none: not known.
    ///
    /// Decisions: a machine that stopped without order in a session is a fault at the first instant of the gap. One that was
    /// restarted in an orderly way and is back within half an hour (an update, say) is one as well: it broke the chain. One
    /// that was shut down in an orderly way and stayed off for longer was put to bed: the session ended with the first
    /// instant of the gap. A gap of the agent alone is not watched: neither good nor bad.
    pub fn after_gap(&mut self, gap: &GapRow, machine_restarted: bool, clean: Option<bool>, at: Stamp) -> Outcome {
        if machine_restarted {
            self.rebase(at);
        }
        self.enter(at);
        self.t = self.now.boot;
        let on_clock = |wall: crate::model::UnixMs| Stamp { wall, boot: at.boot - (at.wall - wall).max(Span::ZERO) };
        let (from, to) = (on_clock(gap.from), on_clock(gap.to));
        self.st.looking_since = Some(self.now.boot);
        let in_session = self.st.session.as_ref().is_some_and(|s| s.started.boot <= from.boot);
        if machine_restarted && in_session {
            let lasted = gap.to - gap.from;
            let dawned = self.plan.dark().iter().any(|d| gap.from < d.1 && d.1 <= at.wall);
            let over = if self.plan.site { dawned } else { lasted > NIGHT_OVER };
            if clean == Some(true) && (over || lasted > RESTART) {
                self.take_back_shutdown(from);
                self.end_session(from, SessionEnd::MachineStopped);
            } else {
                let words = match clean {
                    Some(true) => format!("was restarted in an orderly way at {}", self.clock_time(gap.from)),
                    _ => format!(
                        "stopped without warning at {} (power cut, freeze or reset: they cannot be told apart) and was back at {}",
                        self.clock_time(gap.from),
                        self.clock_time(gap.to)
                    ),
                };
                self.machine_stopped(from, words, Some(EventKind::MachineStarted));
                if over {
                    self.end_session(from, SessionEnd::MachineStopped);
                } else if self.plan.chain.is_empty() && !self.plan.things.iter().any(|t| t.sort == Sort::Program) {
                    self.back_after_stop(to);
                }
            }
        }
        self.leave()
    }

    /// Programs that were asked to end right before an orderly shutdown did not fail.
    fn take_back_shutdown(&mut self, from: Stamp) {
        let ends: Vec<_> =
            self.st.closing.ends.iter().filter(|e| e.sort != ExitSort::Bad).map(|e| e.thing.clone()).collect();
        let mut slots = vec![];
        for (i, t) in self.plan.things.iter().enumerate() {
            let gone = self.things[i].gone.iter().map(|s| *s as usize);
            slots.extend(
                gone.filter(|s| self.slots[*s].k.on && self.slots[*s].k.since.boot >= from.boot - SHUTDOWN)
                    .filter(|_| t.sort != Sort::Program || ends.contains(&t.name)),
            );
        }
        let keys: Vec<_> = slots.iter().map(|s| self.key(*s)).collect();
        self.st.incidents.withdraw(&keys, from.boot - SHUTDOWN, from);
        slots.iter().for_each(|s| self.slots[*s].k.on = false);
        for s in slots {
            self.remove(s, from, "taken back, the machine was shut down");
        }
    }

    /// Moves everything that is remembered to a since-boot clock that began anew. Distances stay as the wall clock tells.
    pub(super) fn rebase(&mut self, at: Stamp) {
        let away = (at.wall - self.st.at.wall).max(Span::ZERO);
        let by = (at.boot - away) - self.st.at.boot;
        self.st.shift(by);
        self.slots.iter_mut().for_each(|s| {
            s.k.shift(by);
            s.force = s.force.map(|f| f + by);
            s.timer = None;
        });
        self.homeless.iter_mut().for_each(|k| k.shift(by));
        self.things.iter_mut().for_each(|w| w.p.shift(by));
        self.timers.clear();
        self.now = self.st.at;
        self.t = self.now.boot;
    }
}
