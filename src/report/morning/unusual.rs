//! What was unusual in the ten minutes before a first-out: every signal ranked by how rarely fault-free ten-minute
//! stretches at the same hour of a session, tonight and on earlier nights, were as extreme.
//!
//! Counting only; no distribution is assumed. The first-out's own minute is left out, since it may hold consequences, and
//! so is every stretch that lies in, shortly after, or right before any fault. A difference within the signal's resolution
//! is no difference. Searching many signals finds rare ones by chance: how many an ordinary stretch shows under the very
//! same search is counted too, and said.

use super::rows::{Figures, LEAD, NightRows, figures, lead};
use crate::model::rows::Bucket;
use crate::model::{Name, SignalDef, Span, Unit, UnixMs};
use crate::night::Interval;
use crate::night::intervals;

/// How far from the same hour of a session a stretch may lie.
const HOUR: i64 = 3;
/// A fault throws its shadow this long after all was well again.
const AFTER: Span = Span::mins(10);
/// Of ten minutes, this many must hold a value.
const ENOUGH_MINUTES: u32 = 7;
/// A signal stands out when no more than this share of stretches was as extreme, its own counted in.
const RARE: f64 = 0.05;

/// What stood out, and from how much it was picked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Unusual {
    /// Signals that were compared.
    pub searched: usize,
    /// Comparable stretches.
    pub stretches: usize,
    /// Nights from which they come, this one included where it gave any.
    pub nights: usize,
    /// How many signals stand out in an ordinary stretch under the same search, on average.
    pub ordinary: f64,
    /// The signals that stood out, rarest first.
    pub findings: Vec<Finding>,
}

/// One signal that stood out.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// The signal.
    pub signal: Name,
    /// What it means.
    pub what: String,
    /// Its unit.
    pub unit: Unit,
    /// Its resolution.
    pub resolution: f64,
    /// Higher than usual (else lower).
    pub high: bool,
    /// Judged by its peak in the stretch (else by its mean).
    pub peak: bool,
    /// Peak or mean before the fault, in the unit.
    pub value: f64,
    /// Middle of the same over the comparable stretches.
    pub typical: f64,
    /// Comparable stretches that were as extreme.
    pub as_extreme: usize,
    /// All comparable stretches.
    pub of: usize,
}

impl Finding {
    /// Share of stretches that were as extreme, the one before the fault counted in: never zero.
    pub fn share(&self) -> f64 {
        (self.as_extreme + 1) as f64 / (self.of + 1) as f64
    }
}

/// A stretch to compare with: of which night (none: this one), and when.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch {
    night: Option<usize>,
    from: UnixMs,
}

/// What was unusual before the first-out at `at`; none outside a session.
pub fn unusual(rows: &NightRows, at: UnixMs) -> Option<Unusual> {
    let start = rows.session_start(at)?;
    let (from, to) = lead(at);
    let stretches = comparable(rows, from - start, from);
    let mut out = Unusual { stretches: stretches.len(), ..Unusual::default() };
    let mut nights: Vec<Option<usize>> = stretches.iter().map(|s| s.night).collect();
    nights.sort();
    nights.dedup();
    out.nights = nights.len();
    let mut flagged = vec![0u32; stretches.len()];
    for (name, measured) in rows.signals.iter().filter(|(n, m)| is_searched(n, m.def.unit)) {
        let Some(mine) = enough(&measured.minutes, from, to) else { continue };
        let others: Vec<(usize, Figures)> = stretches
            .iter()
            .enumerate()
            .filter_map(|(i, s)| {
                let minutes: &[Bucket] = match s.night {
                    None => &measured.minutes,
                    Some(n) => rows.earlier.get(n)?.minutes.get(name)?,
                };
                enough(minutes, s.from, s.from + LEAD).map(|f| (i, f))
            })
            .collect();
        if others.is_empty() {
            continue;
        }
        out.searched += 1;
        let ranked = Ranked::new(others.iter().map(|o| o.1), measured.def.resolution);
        if let Some(found) = ranked.judge(&mine, false) {
            out.findings.push(found.of(name, &measured.def));
        }
        for (i, f) in &others {
            flagged[*i] += u32::from(ranked.judge(f, true).is_some());
        }
    }
    if !stretches.is_empty() {
        out.ordinary = flagged.iter().map(|n| f64::from(*n)).sum::<f64>() / stretches.len() as f64;
    }
    out.findings.sort_by(|a, b| {
        let far = |f: &Finding| (f.value - f.typical).abs() / f.resolution.max(1e-12);
        a.share().total_cmp(&b.share()).then(far(b).total_cmp(&far(a))).then(a.signal.cmp(&b.signal))
    });
    Some(out)
}

/// The stretches of earlier nights whose minutes are needed for a first-out `offset` after the start of its session.
pub fn wanted(session: Interval, offset: Span) -> Interval {
    let first = session.0 + offset - Span(LEAD.0 * HOUR);
    (first.max(session.0), (first + Span(LEAD.0 * (2 * HOUR + 1))).min(session.1))
}

/// Signals that can be compared: no truths, and nothing that only ever grows.
fn is_searched(name: &Name, unit: Unit) -> bool {
    let grows = matches!(name.of_thing(), Some("uptime" | "count" | "restarts" | "since-light"))
        || matches!(name.as_str(), "machine.uptime" | "memory.kills")
        || matches!(name.kind(), "disk" | "time");
    unit != Unit::Truth && !grows
}

fn enough(minutes: &[Bucket], from: UnixMs, to: UnixMs) -> Option<Figures> {
    figures(minutes, from, to).filter(|f| f.minutes >= ENOUGH_MINUTES)
}

/// Faults of this night with their shadows: from ten minutes before to ten minutes after.
fn shadows(rows: &NightRows) -> Vec<Interval> {
    rows.incidents
        .iter()
        .filter(|i| i.incident.is_fault())
        .map(|i| {
            let end = i.incident.closed.map_or(rows.night.to, |c| c.wall + AFTER);
            (i.incident.opened.wall - LEAD, end)
        })
        .collect()
}

fn comparable(rows: &NightRows, offset: Span, own: UnixMs) -> Vec<Stretch> {
    let mut out = vec![];
    let mut add = |night: Option<usize>, session: Interval, first: UnixMs, closed: &[Interval], skip_own: bool| {
        for k in -HOUR..=HOUR {
            let from = super::rows::minute_start(first + Span(LEAD.0 * k));
            let to = from + LEAD;
            let inside = from >= session.0 && to <= session.1;
            let free = intervals::overlap(closed, &[(from, to)]) == Span::ZERO;
            if inside && free && !(skip_own && from < own + LEAD && own < to) {
                out.push(Stretch { night, from });
            }
        }
    };
    for (n, night) in rows.earlier.iter().enumerate() {
        let mut closed: Vec<Interval> = night.faults.iter().map(|f| (f.0 - LEAD, f.1 + AFTER)).collect();
        closed.extend(&night.gaps);
        for s in &night.sessions {
            add(Some(n), *s, s.0 + offset, &closed, false);
        }
    }
    let mut closed = shadows(rows);
    closed.extend(rows.gaps.iter().map(|g| (g.from, g.to)));
    for s in rows.session_stretches() {
        // Tonight's own hour only; another session of the same night is another hour of its own.
        add(None, s, s.0 + offset, &closed, true);
    }
    out
}

/// One way to be extreme: high or low, peak or mean.
struct Way {
    high: bool,
    peak: bool,
    value: fn(&Figures) -> f64,
}

/// Mean or peak, high or low.
const WAYS: [Way; 4] = [
    Way { high: true, peak: false, value: |f| f.mean },
    Way { high: false, peak: false, value: |f| f.mean },
    Way { high: true, peak: true, value: |f| f.max },
    Way { high: false, peak: true, value: |f| f.min },
];

/// The comparable stretches of one signal, sorted once for each way.
struct Ranked {
    sorted: [Vec<f64>; 4],
    resolution: f64,
}

/// The rarest way in which a stretch was extreme.
struct Found {
    way: &'static Way,
    value: f64,
    typical: f64,
    as_extreme: usize,
    of: usize,
}

impl Ranked {
    fn new(others: impl Iterator<Item = Figures> + Clone, resolution: f64) -> Ranked {
        let sorted = [0, 1, 2, 3].map(|w: usize| {
            let mut all: Vec<f64> = others.clone().map(|f| (WAYS[w].value)(&f)).collect();
            all.sort_by(f64::total_cmp);
            all
        });
        Ranked { sorted, resolution }
    }

    /// The rarest way in which `mine` is extreme, if it is rare; `listed`: it is one of the stretches itself.
    fn judge(&self, mine: &Figures, listed: bool) -> Option<Found> {
        // Within the resolution is as extreme; the slack keeps sums of rounded numbers from deciding.
        let reach = self.resolution * 0.999;
        let mut best: Option<Found> = None;
        for (way, sorted) in WAYS.iter().zip(&self.sorted) {
            let v = (way.value)(mine);
            let with_own = if way.high {
                sorted.len() - sorted.partition_point(|o| *o <= v - reach)
            } else {
                sorted.partition_point(|o| *o < v + reach)
            };
            let of = sorted.len() - usize::from(listed);
            let as_extreme = with_own.saturating_sub(usize::from(listed));
            let rare = (as_extreme + 1) as f64 / (of + 1) as f64 <= RARE;
            if rare && best.as_ref().is_none_or(|b| as_extreme < b.as_extreme) {
                best = Some(Found { way, value: v, typical: sorted[sorted.len() / 2], as_extreme, of });
            }
        }
        best
    }
}

impl Found {
    fn of(self, name: &Name, def: &SignalDef) -> Finding {
        Finding {
            signal: name.clone(),
            what: def.what.clone(),
            unit: def.unit,
            resolution: def.resolution,
            high: self.way.high,
            peak: self.way.peak,
            value: self.value,
            typical: self.typical,
            as_extreme: self.as_extreme,
            of: self.of,
        }
    }
}

#[cfg(test)]
mod tests;
