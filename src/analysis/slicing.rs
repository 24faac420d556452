//! From the readings of one night to its slices, values and figures.
//!
//! Owns the rule of what counts as evidence: at-risk time is cut so that no slice reaches across a fault, a slice knows
//! only readings that came before its end, and the figures of a night know only readings up to its first fault.

use super::season::{Fault, Figures, Night, NightKind, Slice};
use crate::model::rows::Bucket;
use crate::model::{FaultKind, Span, UnixMs};

/// Usual length of a slice.
pub const STEP: Span = Span::mins(10);
/// Usual longest time for which a reading stands when no newer one comes.
pub const HOLD: Span = Span::mins(30);

/// What is known of a night before its readings are laid in.
#[derive(Clone, Debug, PartialEq)]
pub struct NightPlan {
    /// The evening's date, `2026-01-12`.
    pub date: String,
    /// Days since the first night of the season.
    pub day: i32,
    /// First instant of the session; of the dark hours where there was none.
    pub from: UnixMs,
    /// Whether there was a session at all.
    pub session: bool,
    /// Whether so much of the session was watched that the night can count.
    pub watched: bool,
    /// Dark hours at the site.
    pub dark_hours: f64,
    /// Hours of session.
    pub session_hours: f64,
    /// At-risk stretches, first instant and end, in order and apart from each other.
    pub at_risk: Vec<(UnixMs, UnixMs)>,
    /// Faults: instant, kind, thing. In any order.
    pub faults: Vec<(UnixMs, FaultKind, String)>,
    /// Number of incidents, faults or not.
    pub incidents: usize,
}

/// Cuts the at-risk time of a night into slices of at most `step`, and hangs each fault on the slice that it ended.
/// Values and figures are empty until [`lay_in`] is called once for every signal, in the order of the season.
pub fn cut(plan: NightPlan, step: Span) -> Night {
    let step = step.0.max(1);
    let mut raw = plan.faults;
    raw.sort_by_key(|f| f.0);
    let first = raw.first().map(|f| f.0);
    let since = |t: UnixMs| (t - plan.from).as_hours_f64();
    let mut slices = Vec::new();
    for &(a, b) in &plan.at_risk {
        // A fault inside a stretch ends a slice too, should the caller not have ended the stretch there.
        let mut ends: Vec<UnixMs> = raw.iter().map(|f| f.0).filter(|&t| t > a && t < b).collect();
        ends.push(b);
        let mut at = a;
        for end in ends {
            while at < end {
                let to = UnixMs((at.0 + step).min(end.0));
                let mid = UnixMs(at.0 + (to.0 - at.0) / 2);
                slices.push(Slice {
                    from: at,
                    to,
                    hours: (to - at).as_hours_f64(),
                    since_start: since(mid),
                    after_fault: first.is_some_and(|f| at >= f),
                });
                at = to;
            }
        }
    }
    let faults: Vec<Fault> = raw
        .into_iter()
        .map(|(at, kind, thing)| {
            let slice =
                slices.iter().rposition(|s: &Slice| s.from < at).or(if slices.is_empty() { None } else { Some(0) });
            Fault { at, since_start: since(at), kind, thing, slice }
        })
        .collect();
    let kind = match (plan.session || !faults.is_empty(), plan.watched, faults.is_empty()) {
        (false, _, _) => NightKind::NoSession,
        (true, _, false) => NightKind::Trouble,
        (true, false, true) => NightKind::NotWatched,
        (true, true, true) => NightKind::Quiet,
    };
    Night {
        date: plan.date,
        day: plan.day,
        from: plan.from,
        kind,
        dark_hours: plan.dark_hours,
        session_hours: plan.session_hours,
        at_risk_hours: slices.iter().map(|s| s.hours).sum(),
        faults,
        incidents: plan.incidents,
        slices,
        values: Vec::new(),
        figures: Vec::new(),
    }
}

/// Lays the next signal into a night. `buckets` are its readings in order of time (one-minute minimum, mean, maximum,
/// or single readings as buckets of no width); one with a count of zero is skipped. `hold`: for how long the last
/// reading stands in for a missing one.
pub fn lay_in(night: &mut Night, buckets: &[Bucket], hold: Span) {
    let known: Vec<&Bucket> = buckets.iter().filter(|b| b.count > 0 && b.mean.is_finite()).collect();
    if known.is_empty() {
        night.values.push(Vec::new());
        night.figures.push(None);
        return;
    }
    let mut values = Vec::with_capacity(night.slices.len());
    for s in &night.slices {
        let lo = known.partition_point(|b| b.from < s.from);
        let (mut sum, mut n) = (0.0, 0.0);
        for b in known[lo..].iter().take_while(|b| b.from < s.to).filter(|b| b.to <= s.to) {
            sum += b.mean * f64::from(b.count);
            n += f64::from(b.count);
        }
        values.push(if n > 0.0 {
            sum / n
        } else {
            // The last reading that was complete before the slice ended still stands, if it is not too old.
            known[..known.partition_point(|b| b.from < s.to)]
                .iter()
                .rev()
                .find(|b| b.to <= s.to)
                .filter(|b| s.from - b.to <= hold)
                .map_or(f64::NAN, |b| b.mean)
        });
    }
    let until = night.first_fault().unwrap_or(UnixMs(i64::MAX));
    let end = night.slices.last().map_or(UnixMs(i64::MAX), |s| s.to);
    let (mut lo, mut hi, mut sum, mut n) = (f64::INFINITY, f64::NEG_INFINITY, 0.0, 0.0);
    for b in known.iter().filter(|b| b.from >= night.from && b.to <= until && b.from < end) {
        lo = lo.min(b.min);
        hi = hi.max(b.max);
        sum += b.mean * f64::from(b.count);
        n += f64::from(b.count);
    }
    night.figures.push(if n > 0.0 {
        Some(Figures { minimum: lo, mean: sum / n, maximum: hi })
    } else {
        // No reading between session start and first fault: the slices may still hold one from before.
        let v: Vec<f64> = night
            .slices
            .iter()
            .zip(&values)
            .filter(|(s, v)| !s.after_fault && v.is_finite())
            .map(|(_, v)| *v)
            .collect();
        (!v.is_empty()).then(|| Figures {
            minimum: v.iter().copied().fold(f64::INFINITY, f64::min),
            mean: v.iter().sum::<f64>() / v.len() as f64,
            maximum: v.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        })
    });
    night.values.push(values);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(m: i64, v: f64) -> Bucket {
        Bucket {
            from: UnixMs(m * 60_000),
            to: UnixMs((m + 1) * 60_000),
            min: v,
            mean: v,
            max: v,
            count: 30,
            unavailable: 0,
        }
    }

    fn plan(at_risk: &[(i64, i64)], faults: &[i64]) -> NightPlan {
        let t = |m: i64| UnixMs(m * 60_000);
        NightPlan {
            date: "2026-01-12".into(),
            day: 0,
            from: t(0),
            session: true,
            watched: true,
            dark_hours: 10.0,
            session_hours: 8.0,
            at_risk: at_risk.iter().map(|&(a, b)| (t(a), t(b))).collect(),
            faults: faults.iter().map(|&f| (t(f), FaultKind::Device, "device.camera".into())).collect(),
            incidents: faults.len(),
        }
    }

    #[test]
    fn readings_after_the_first_fault_are_no_figures_of_the_night() {
        let mut n = cut(plan(&[(0, 65), (120, 240)], &[65]), STEP);
        // The box falls from 8 to −20 once the chain is dead.
        let b: Vec<Bucket> = (0..240).map(|m| minute(m, if m < 65 { 8.0 } else { -20.0 })).collect();
        lay_in(&mut n, &b, HOLD);
        assert_eq!(n.figures[0].unwrap().minimum, 8.0);
        assert_eq!(n.kind, NightKind::Trouble);
        assert!((n.at_risk_hours - 185.0 / 60.0).abs() < 1e-9);
        assert_eq!(n.slices.iter().filter(|s| s.after_fault).count(), 12);
        let f = n.faults[0].slice.unwrap();
        assert_eq!(n.slices[f].to, n.faults[0].at);
        assert_eq!(n.values[0][f], 8.0);
    }

    #[test]
    fn a_slice_knows_nothing_of_the_minute_in_which_the_fault_fell() {
        let mut p = plan(&[(0, 30)], &[]);
        p.at_risk = vec![(UnixMs(0), UnixMs(25 * 60_000 + 20_000))];
        p.faults = vec![(UnixMs(25 * 60_000 + 20_000), FaultKind::Link, "link.house".into())];
        let mut n = cut(p, STEP);
        let b: Vec<Bucket> = (0..30).map(|m| minute(m, if m < 25 { 1.0 } else { 99.0 })).collect();
        lay_in(&mut n, &b, HOLD);
        assert!(n.values[0].iter().all(|&v| v == 1.0));
        assert_eq!(n.figures[0].unwrap().maximum, 1.0);
    }

    #[test]
    fn a_reading_holds_only_so_long_and_absence_is_not_a_number() {
        let mut n = cut(plan(&[(0, 120)], &[]), STEP);
        lay_in(&mut n, &[minute(0, 5.0)], HOLD);
        assert_eq!(n.values[0].iter().filter(|v| **v == 5.0).count(), 4);
        assert!(n.values[0][6].is_nan());
        lay_in(&mut n, &[], HOLD);
        assert!(n.values[1].is_empty() && n.figures[1].is_none());
    }

    #[test]
    fn kinds_of_night_follow_from_session_watching_and_faults() {
        assert_eq!(cut(plan(&[(0, 60)], &[]), STEP).kind, NightKind::Quiet);
        let mut p = plan(&[], &[]);
        p.watched = false;
        assert_eq!(cut(p.clone(), STEP).kind, NightKind::NotWatched);
        p.session = false;
        assert_eq!(cut(p, STEP).kind, NightKind::NoSession);
    }
}
