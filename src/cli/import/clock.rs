//! Whether the other recorder's clock was off, where its readings lie beside others that are there.

use super::files::{Content, File};
use super::target::Target;
use crate::analysis::recorded::shift;
use crate::cli::Failure;
use crate::model::{Name, Span, UnixMs};

/// How far a clock may be off: more than any forgotten change of summer time.
const MOST: Span = Span::hours(3);
/// Readings further apart are not joined.
const JOINED: Span = Span::mins(30);
const MINUTE: i64 = 60_000;

/// Compares the file with what is there and says what was found; none where nothing lies beside it. Nothing is shifted.
///
/// # Errors
/// When the store or the agent cannot be asked.
pub fn compare(f: &File, target: &Target) -> Result<Option<String>, Failure> {
    let Content::Signals(all) = &f.content else { return Ok(None) };
    let there = target.signals()?;
    for s in all {
        let (Some(first), Some(last)) = (s.values.first(), s.values.last()) else { continue };
        // The same signal speaks most clearly; another of its kind (box and outside air) still moves with it.
        let same = there.iter().filter(|(n, _)| *n == s.signal);
        let akin = there.iter().filter(|(n, u)| *n != s.signal && n.kind() == s.signal.kind() && *u == s.unit);
        for (name, _) in same.chain(akin) {
            let ours = target.minutes(name, first.0 - MOST, last.0 + MOST)?;
            if let Some(found) = found(&ours, &s.values) {
                return Ok(Some(words(&s.signal, name, &found)));
            }
        }
    }
    Ok(None)
}

/// The best shift in minutes. The finer of the two records is smoothed to the step of the coarser one first, since what happens
/// between its readings cannot be compared.
fn found(ours: &[(UnixMs, f64)], theirs: &[(UnixMs, f64)]) -> Option<shift::Shift> {
    let (a, b) = (step(ours), step(theirs));
    let (ours, theirs) = (joined(ours), joined(theirs));
    let (ours, theirs) = (if a < b { smooth(&ours, b) } else { ours }, if b < a { smooth(&theirs, a) } else { theirs });
    shift::best(&ours, &theirs, Span(MINUTE), MOST)
}

/// Usual time from reading to reading, whole minutes.
fn step(series: &[(UnixMs, f64)]) -> i64 {
    let mut all: Vec<i64> = series.windows(2).map(|w| (w[1].0 - w[0].0).0).collect();
    all.sort_unstable();
    (all.get(all.len() / 2).copied().unwrap_or(0) / MINUTE).clamp(1, 60)
}

/// Running means over so many minutes, twice: what straight lines between readings leave of a course.
fn smooth(series: &[(UnixMs, f64)], minutes: i64) -> Vec<(UnixMs, f64)> {
    let once = |s: &[(UnixMs, f64)]| -> Vec<(UnixMs, f64)> {
        let half = Span(minutes * MINUTE / 2);
        s.iter()
            .map(|(t, _)| {
                let lo = s.partition_point(|p| p.0 < *t - half);
                let hi = s.partition_point(|p| p.0 < *t + half).max(lo + 1);
                (*t, s[lo..hi].iter().map(|p| p.1).sum::<f64>() / (hi - lo) as f64)
            })
            .collect()
    };
    once(&once(series))
}

fn words(theirs: &Name, ours: &Name, s: &shift::Shift) -> String {
    if s.by == Span::ZERO {
        return format!("Its clock agrees with what is there: `{theirs}` goes best with `{ours}` without a shift.");
    }
    let way = if s.by.0 > 0 { "slow" } else { "fast" };
    format!(
        "Its clock may have been {} {way}: `{theirs}` goes best with `{ours}` when shifted by {} (correlation {:.2}, without a shift {:.2}). \
         Nothing was shifted; to mend it, bring the file into a new store with --shift '{} s'.",
        Span(s.by.0.abs()),
        s.by,
        s.correlation,
        s.unshifted,
        s.by.0 / 1000
    )
}

/// One value for each minute, on straight lines between readings that are not too far apart.
fn joined(series: &[(UnixMs, f64)]) -> Vec<(UnixMs, f64)> {
    let mut out = vec![];
    for w in series.windows(2) {
        let ((a, va), (b, vb)) = (w[0], w[1]);
        let far = b - a > JOINED;
        let (mut t, end) = (a.0.div_euclid(MINUTE) * MINUTE, if far { a.0 + 1 } else { b.0 });
        if t < a.0 {
            t += MINUTE;
        }
        while t < end {
            let share = (t - a.0) as f64 / (b.0 - a.0).max(1) as f64;
            out.push((UnixMs(t), va + share * (vb - va)));
            t += MINUTE;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten-minute readings of a logger seven minutes slow, beside our own minutes.
    #[test]
    fn a_coarse_logger_shows_its_shift_to_the_minute() {
        // Air that wanders as no clock does.
        let (mut x, mut seed, mut air) = (0.0, 1_u64, vec![]);
        for _ in 0..900 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            x = 0.97 * x + ((seed >> 40) as f64 / (1_u64 << 24) as f64 - 0.5);
            air.push(x);
        }
        let ours: Vec<_> = (0..900).map(|m| (UnixMs(m as i64 * MINUTE), air[m])).collect();
        let theirs: Vec<_> = (0..90).map(|k| (UnixMs((k as i64 * 10 - 7) * MINUTE), air[k * 10])).collect();
        let s = found(&ours, &theirs).unwrap();
        assert!((s.by - Span::mins(7)).0.abs() <= MINUTE, "{s:?}");
        let n = |t: &str| Name::new(t).unwrap();
        let said = words(&n("temperature.logger"), &n("temperature.outside"), &s);
        assert!(said.contains(" min slow") && said.contains("Nothing was shifted"), "{said}");
    }
}
