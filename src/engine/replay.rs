//! Back-test: what would these rules have done with what was stored? The same code as the live run, fed from the past.

use super::{Engine, Plan};
use crate::model::{Batch, Event, EventKind, Outcome, Reading, Signals, Span, Stamp};

/// Runs an engine that starts afresh over batches in the order of time; one outcome for each.
pub fn replay<'a>(plan: Plan, signals: &Signals, batches: impl IntoIterator<Item = &'a Batch>) -> Vec<Outcome> {
    let mut engine = Engine::new(plan, None);
    batches.into_iter().map(|b| engine.step(b, signals)).collect()
}

/// Cuts stored readings and events into batches, one for each stretch of `every` in which there is something. Events that
/// the engine itself had made are left out: the replay makes its own.
pub fn batches(mut readings: Vec<Reading>, mut events: Vec<Event>, every: Span) -> Vec<Batch> {
    use EventKind as E;
    events.retain(|e| {
        !matches!(
            e.kind,
            E::SessionStarted | E::SessionEnded | E::Flood | E::Marked | E::ActionRun | E::Sent | E::StoreState
        )
    });
    readings.sort_by_key(|r| r.at.boot);
    events.sort_by_key(|e| e.at.boot);
    let every = every.0.max(1);
    let end = |at: Stamp| at.boot.0.div_euclid(every);
    let mut out: Vec<Batch> = vec![];
    let (mut r, mut e) = (readings.into_iter().peekable(), events.into_iter().peekable());
    loop {
        let next = match (r.peek().map(|x| x.at), e.peek().map(|x| x.at)) {
            (None, None) => return out,
            (Some(a), Some(b)) => {
                if a.boot <= b.boot {
                    a
                } else {
                    b
                }
            }
            (Some(a), None) | (None, Some(a)) => a,
        };
        let mut b = Batch { at: next, ..Batch::default() };
        while let Some(x) = r.next_if(|x| end(x.at) == end(next)) {
            b.at = if x.at.boot > b.at.boot { x.at } else { b.at };
            b.readings.push(x);
        }
        while let Some(x) = e.next_if(|x| end(x.at) == end(next)) {
            b.at = if x.at.boot > b.at.boot { x.at } else { b.at };
            b.events.push(x);
        }
        out.push(b);
    }
}
