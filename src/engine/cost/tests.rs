use super::*;
use crate::model::incident::{Belongs, Member};
use crate::model::{BootMs, FaultKind, Name, Stamp};
use proptest::prelude::*;

fn at(min: i64) -> UnixMs {
    UnixMs(min * 60_000)
}

fn incident(id: i64, from: i64, to: Option<i64>) -> Incident {
    let stamp = |m: i64| Stamp::new(at(m), BootMs(m * 60_000));
    Incident {
        id,
        session: Some(1),
        opened: stamp(from),
        closed: to.map(stamp),
        members: vec![Member {
            thing: Name::new("program.mount").unwrap(),
            at: stamp(from),
            within: Span::ZERO,
            until: to.map(stamp),
            alarm: None,
            event: None,
            belongs: Belongs::First,
            text: String::new(),
        }],
        order_certain: true,
        kind: FaultKind::Program,
        harmless: false,
        pause_only: false,
        mark: None,
    }
}

fn every(step: i64, from: i64, to: i64) -> Vec<LightFrame> {
    (from..=to).step_by(step as usize).map(|m| LightFrame { at: at(m), exposure: Span::mins(step) }).collect()
}

#[test]
fn a_hole_of_twenty_minutes_costs_its_frames() {
    let sessions = [(at(0), at(600))];
    let dark = [(at(30), at(500))];
    let f = Frame { sessions: &sessions, dark: Some(&dark), gaps: &[], until: at(600) };
    let mut frames = every(5, 0, 100);
    frames.extend(every(5, 125, 500));
    let c = costs(&[incident(1, 102, Some(104))], Some(&frames), &f);
    // The frame begun at 100 was lost; the next exposure began at 120. 105, 110, 115 and 120 are missing.
    assert_eq!((c.dark_lost, c.frames_missing), (Span::mins(18), 4));
    assert_eq!(c.each[0].frames_again, Some(Span::mins(18)));
    let (light, night) = light_and_dark(&frames, &f);
    assert_eq!((light, night), (Span::mins(450), Span::mins(470)));
    assert_eq!(total(&f.at_risk(&c)), Span::mins(470 - 18));
}

#[test]
fn frames_that_kept_coming_cost_nothing() {
    let sessions = [(at(0), at(600))];
    let f = Frame { sessions: &sessions, dark: None, gaps: &[], until: at(600) };
    let c = costs(&[incident(1, 102, Some(104))], Some(&every(5, 0, 500)), &f);
    assert_eq!((c.dark_lost, c.frames_missing), (Span::ZERO, 0));
}

#[test]
fn without_frames_it_lasts_until_all_is_well_or_the_session_ends() {
    let sessions = [(at(0), at(600))];
    let dark = [(at(30), at(500))];
    let gaps = [(at(110), at(120))];
    let f = Frame { sessions: &sessions, dark: Some(&dark), gaps: &gaps, until: at(600) };
    let c = costs(&[incident(1, 100, Some(130)), incident(2, 450, None)], None, &f);
    assert_eq!(c.each[0].dark_lost, Span::mins(20), "ten of the thirty minutes were not watched");
    assert_eq!(c.each[0].not_watched, Span::mins(10));
    assert_eq!(c.each[1].dark_lost, Span::mins(50), "until dawn");
    assert_eq!(c.each[1].frames_missing, None);
}

#[test]
fn a_fault_is_charged_before_a_pause_and_nothing_twice() {
    let sessions = [(at(0), at(600))];
    let f = Frame { sessions: &sessions, dark: None, gaps: &[], until: at(600) };
    let pause = Incident { pause_only: true, ..incident(1, 95, None) };
    let frames = every(5, 0, 80);
    let c = costs(&[pause, incident(2, 100, None)], Some(&frames), &f);
    assert_eq!((c.dark_lost, c.paused), (Span::mins(500), Span::mins(5)));
    assert_eq!(c.frames_missing, 104, "from 80 to 600 at one every five minutes");
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn never_more_than_the_dark_hours_and_never_twice(
        spans in proptest::collection::vec((0i64..700, 0i64..200, any::<bool>(), any::<bool>(), any::<bool>()), 0..12),
        sessions in proptest::collection::vec((0i64..600, 1i64..300), 0..4),
        dark in proptest::collection::vec((0i64..600, 1i64..300), 0..3),
        gaps in proptest::collection::vec((0i64..600, 1i64..60), 0..4),
        frames in proptest::collection::vec((0i64..700, 1i64..15), 0..60),
        watch_frames in any::<bool>(),
    ) {
        let iv = |l: &[(i64, i64)]| tidy(&l.iter().map(|(a, n)| (at(*a), at(a + n))).collect::<Vec<_>>());
        let (sessions, dark, gaps) = (iv(&sessions), iv(&dark), iv(&gaps));
        let f = Frame { sessions: &sessions, dark: Some(&dark), gaps: &gaps, until: at(650) };
        let all: Vec<Incident> = spans.iter().enumerate().map(|(i, (a, n, closed, pause, mark))| {
            let mut x = incident(i as i64 + 1, *a, closed.then_some(a + n));
            x.pause_only = *pause;
            x.harmless = *mark;
            x
        }).collect();
        let frames: Vec<LightFrame> = frames.iter().map(|(m, e)| LightFrame { at: at(*m), exposure: Span::mins(*e) }).collect();
        let c = costs(&all, watch_frames.then_some(&frames[..]), &f);
        let night = total(&f.dark_session());
        prop_assert!(c.dark_lost + c.paused + c.not_watched <= night);
        let lost: Vec<Interval> = c.each.iter().flat_map(|x| x.lost.clone()).collect();
        let sum: i64 = lost.iter().map(|l| (l.1 - l.0).0).sum();
        prop_assert_eq!(sum, total(&lost).0, "no instant is charged twice");
        prop_assert_eq!(total(&intersect(&lost, &gaps)), Span::ZERO, "a gap is neither good nor bad");
        // The same whatever the order in which incidents and frames are given.
        let (mut r, mut fr) = (all.clone(), frames.clone());
        r.reverse();
        fr.reverse();
        prop_assert_eq!(c, costs(&r, watch_frames.then_some(&fr[..]), &f));
    }
}
