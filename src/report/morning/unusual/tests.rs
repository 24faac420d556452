use super::*;
use crate::report::morning::sample::{self, at, name};

fn fault_at(rows: &NightRows) -> UnixMs {
    rows.incidents[2].incident.opened.wall
}

/// A signal that stands at `own` before the fault and at `others[i % n]` in the comparable stretches.
fn set(rows: &mut NightRows, signal: &str, own: f64, others: &[f64]) {
    let at = lead(fault_at(rows)).0;
    let end = at + LEAD;
    let n = name(signal);
    for b in &mut rows.signals.get_mut(&n).unwrap().minutes {
        let inside = b.from >= at && b.from < end;
        let v = if inside { own } else { others[0] };
        (b.min, b.mean, b.max) = (v, v, v);
    }
    for (k, night) in rows.earlier.iter_mut().enumerate() {
        for b in night.minutes.get_mut(&n).unwrap() {
            let v = others[k % others.len()];
            (b.min, b.mean, b.max) = (v, v, v);
        }
    }
}

fn finding<'a>(u: &'a Unusual, signal: &str) -> Option<&'a Finding> {
    u.findings.iter().find(|f| f.signal.as_str() == signal)
}

#[test]
fn a_signal_is_ranked_by_counting() {
    let mut rows = sample::night();
    set(&mut rows, "temperature.core", 60.0, &[41.0, 42.0, 43.0]);
    let u = unusual(&rows, fault_at(&rows)).unwrap();
    let f = finding(&u, "temperature.core").unwrap();
    assert_eq!((f.high, f.value, f.as_extreme, f.of), (true, 60.0, 0, u.stretches));
    assert_eq!(f.typical, 42.0);
    // Seven stretches on each of fourteen nights; of this night three lie before the fault, and the last of them would
    // end right where the ten minutes before the fault begin.
    assert_eq!(u.stretches, 14 * 7 + 3);
    assert_eq!(u.nights, 15);
}

#[test]
fn a_difference_within_the_resolution_is_none() {
    let mut rows = sample::night();
    // The core is read in steps of 0.5 K: 0.4 K above everything else is not above it.
    set(&mut rows, "temperature.core", 41.4, &[41.0]);
    assert!(finding(&unusual(&rows, fault_at(&rows)).unwrap(), "temperature.core").is_none());
    set(&mut rows, "temperature.core", 41.6, &[41.0]);
    assert!(finding(&unusual(&rows, fault_at(&rows)).unwrap(), "temperature.core").is_some());
}

#[test]
fn equals_count_as_extreme() {
    let mut rows = sample::night();
    // On 7 of 14 nights it was as high: nothing rare.
    set(&mut rows, "temperature.core", 60.0, &[41.0, 60.0]);
    assert!(finding(&unusual(&rows, fault_at(&rows)).unwrap(), "temperature.core").is_none());
}

#[test]
fn little_to_compare_with_is_never_rare() {
    let mut rows = sample::night();
    rows.earlier.truncate(2);
    set(&mut rows, "temperature.core", 60.0, &[41.0]);
    let u = unusual(&rows, fault_at(&rows)).unwrap();
    // 17 stretches: the rarest possible share is 1 of 18, more than one in twenty.
    assert_eq!(u.stretches, 17);
    assert!(u.findings.is_empty());
    rows.earlier.clear();
    let u = unusual(&rows, fault_at(&rows)).unwrap();
    assert!(u.findings.is_empty());
}

#[test]
fn shadows_of_faults_and_blind_stretches_are_no_ordinary_time() {
    let mut rows = sample::night();
    let before = unusual(&rows, fault_at(&rows)).unwrap().stretches;
    let hour = fault_at(&rows) - Span::hours(24) - Span::mins(10);
    rows.earlier[0].faults = vec![(hour, hour + Span::mins(1))];
    let with_fault = unusual(&rows, fault_at(&rows)).unwrap().stretches;
    // From ten minutes before to ten minutes after: three stretches of ten minutes, or four where they do not line up.
    assert!((3..=4).contains(&(before - with_fault)), "{before} {with_fault}");
    rows.earlier[1].gaps = vec![(at(-23.5), at(-22.0))];
    let with_gap = unusual(&rows, fault_at(&rows)).unwrap().stretches;
    assert!(with_gap < with_fault);
}

#[test]
fn outside_a_session_there_is_nothing_to_compare() {
    assert_eq!(unusual(&sample::night(), at(13.0)), None);
}

#[test]
fn what_only_grows_and_truths_are_not_searched() {
    for (n, unit, searched) in [
        ("program.mount.uptime", Unit::Seconds, false),
        ("link.house", Unit::Truth, false),
        ("disk.root.free", Unit::Bytes, false),
        ("frames.main.count", Unit::Count, false),
        ("program.mount.cpu", Unit::Percent, true),
        ("temperature.box", Unit::Celsius, true),
    ] {
        assert_eq!(is_searched(&name(n), unit), searched, "{n}");
    }
}

/// On noise alone the search finds about as many signals as it says ordinary stretches show.
#[test]
fn what_chance_finds_is_told_rightly() {
    let mut rows = sample::night();
    for (n, m) in &mut rows.signals {
        // The same noise everywhere, nothing real before the fault.
        if matches!(n.as_str(), "pressure.cpu" | "load.cpu") {
            for b in &mut m.minutes {
                b.mean = b.mean.min(if n.as_str() == "load.cpu" { 47.0 } else { 4.5 });
                b.max = b.max.min(if n.as_str() == "load.cpu" { 52.0 } else { 6.0 });
                b.min = b.min.min(b.mean);
            }
        }
    }
    let u = unusual(&rows, fault_at(&rows)).unwrap();
    assert_eq!(u.searched, 17);
    assert!(u.ordinary > 0.2 && u.ordinary < 4.0, "{}", u.ordinary);
}

#[test]
fn the_hours_asked_of_earlier_nights_hold_what_is_compared() {
    let session = (at(18.0), at(30.0));
    let (from, to) = wanted(session, Span::hours(6));
    assert_eq!((from, to), (at(23.5), at(24.0) + Span::mins(40)));
    // Near the ends of a session they are cut.
    assert_eq!(wanted(session, Span::mins(5)).0, session.0);
    assert_eq!(wanted(session, Span::hours(12)).1, session.1);
}
