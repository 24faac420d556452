//! Time between faults with its interval and its trend, in figures and words. Pure.

use super::model::Between;
use crate::analysis::season::Season;
use crate::analysis::survival::{Stop, mean_time_between};
use crate::analysis::trend::{laplace, reversals};
use crate::report::say::{count, number};

/// Below this p value a trend is said to be there.
const CLEAR: f64 = 0.05;

/// Judges the times of all faults on one clock: hours at risk since the beginning.
pub fn between(season: &Season) -> Between {
    let (mut clock, mut times) = (0.0, vec![]);
    for n in season.nights.iter().filter(|n| n.usable()) {
        for f in &n.faults {
            // A fault ends the slice before it; one without at-risk time stands at the night's beginning.
            let before = f.slice.map_or(0.0, |s| n.slices[..=s].iter().map(|s| s.hours).sum::<f64>());
            times.push(clock + before);
        }
        clock += n.at_risk_hours;
    }
    let mean = mean_time_between(clock, times.len() as u64, Stop::Time, 0.95).ok();
    let trend = laplace(&times, clock, Stop::Time).ok();
    let gaps = reversals(&times, clock, Stop::Time).ok();
    let mut sentences = vec![];
    if let Some(m) = &mean {
        let span = |h: f64| if h >= 10.0 { number(h, 0) } else { number(h, 1) };
        sentences.push(match m.mean {
            Some(t) => format!(
                "{} in {} at-risk hours: one in {} hours on average (95 % interval {} to {}).",
                crate::report::say::sentence_start(&count(times.len(), "fault")),
                span(clock),
                span(t),
                span(m.limits.low),
                span(m.limits.high)
            ),
            None => format!(
                "No fault in {} at-risk hours: fewer than one in {} hours, with 95 % confidence.",
                span(clock),
                span(m.lower_one_sided)
            ),
        });
    }
    if let (Some(l), Some(r), true) = (&trend, &gaps, times.len() >= 4) {
        // Both must hold: the first takes bursts for a trend, the second does not.
        let p = l.two_sided.max(r.two_sided);
        let way = if l.faster < l.slower { "faster" } else { "more slowly" };
        sentences.push(if p <= CLEAR {
            format!("They came {way} towards the end.")
        } else if l.two_sided <= CLEAR {
            format!("They came {way} towards the end, but that may be bursts.")
        } else {
            "No sign that they come faster or more slowly as the season goes on.".into()
        });
    } else if !times.is_empty() {
        sentences.push("Too few to tell whether they come faster or more slowly.".into());
    }
    Between { faults: times.len(), hours: clock, mean, laplace: trend, reversals: gaps, sentences }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::slicing::{NightPlan, STEP, cut};
    use crate::model::{FaultKind, UnixMs};

    /// Nights of equal sessions; faults at hours since the start, which cost nothing.
    fn season(nights: &[&[f64]], hours: f64) -> Season {
        let at = |k: usize, h: f64| UnixMs(((k as f64 * 24.0 + h) * 3_600_000.0) as i64);
        let one = |(k, faults): (usize, &&[f64])| {
            let plan = NightPlan {
                date: format!("2031-10-{:02}", k + 1),
                day: k as i32,
                from: at(k, 0.0),
                session: true,
                watched: true,
                dark_hours: hours,
                session_hours: hours,
                at_risk: vec![(at(k, 0.0), at(k, hours))],
                faults: faults.iter().map(|f| (at(k, *f), FaultKind::Device, "x".into())).collect(),
                incidents: faults.len(),
            };
            cut(plan, STEP)
        };
        Season { nights: nights.iter().enumerate().map(one).collect(), ..Season::default() }
    }

    #[test]
    fn quiet_and_troubled_seasons_are_said() {
        let quiet = between(&season(&[&[], &[]], 8.0));
        // With no fault in 16 h the one-sided limit is 16 / 3.00 h: the rule of three (−ln 0.05 = 2.996).
        assert!(
            quiet.sentences[0].starts_with("No fault in 16 at-risk hours: fewer than one in 5.3 hours"),
            "{quiet:?}"
        );
        let b = between(&season(&[&[1.0], &[2.0], &[], &[4.0], &[7.0]], 8.0));
        assert!(b.faults == 4 && (b.hours - 40.0).abs() < 1e-9);
        assert!(b.sentences[0].starts_with("4 faults in 40 at-risk hours: one in 10 hours"), "{b:?}");
        assert_eq!(b.sentences.len(), 2);
    }
}
