//! Whatever a night brings, the report stays a report.

use super::compose::compose;
use super::rows::NightRows;
use super::sample::{self, at, name, stamp};
use super::{to_html, to_json, to_text};
use crate::model::incident::{Belongs, Member};
use crate::model::rows::{GapRow, IncidentRow};
use crate::model::{EventKind, FaultKind, Incident, Mark, MarkKind, Session, SessionStart, Span};
use proptest::prelude::*;
use unicode_width::UnicodeWidthStr;

const THINGS: &[&str] = &[
    "device.mount-cable",
    "program.mount",
    "program.guiding",
    "frames.main",
    "link.house",
    "machine.this",
    "disk.root",
    "program.never-heard-of",
];

fn member() -> impl Strategy<Value = Member> {
    (0..THINGS.len(), 12.0..36.0f64, prop::option::of(0.0..3.0f64), 0i64..3000, 0u8..3, "\\PC{0,60}", 0u8..5).prop_map(
        |(t, hour, lasted, within, belongs, text, event)| Member {
            thing: name(THINGS[t]),
            at: stamp(hour),
            within: Span(within),
            until: lasted.map(|l| stamp(hour + l)),
            alarm: None,
            event: [
                None,
                Some(EventKind::ProgramEnded),
                Some(EventKind::DeviceLeft),
                Some(EventKind::LinkDown),
                Some(EventKind::SignMissing),
            ][event as usize],
            belongs: [Belongs::First, Belongs::LeansOn, Belongs::NearInTime][belongs as usize],
            text,
        },
    )
}

fn incident() -> impl Strategy<Value = IncidentRow> {
    (prop::collection::vec(member(), 1..6), 0..7usize, any::<[bool; 4]>(), prop::option::of("\\PC{0,80}")).prop_map(
        |(mut members, kind, [harmless, pause_only, order_certain, in_session], words)| {
            members.sort_by_key(|m| m.at.wall);
            let mark = words.map(|words| Mark { at: stamp(33.0), kind: Some(MarkKind::Cloud), words });
            let closed = members.iter().map(|m| m.until).collect::<Option<Vec<_>>>();
            let incident = Incident {
                id: 0,
                session: in_session.then_some(4),
                opened: members[0].at,
                closed: closed.and_then(|all| all.into_iter().max_by_key(|u| u.wall)),
                members,
                order_certain,
                kind: FaultKind::ALL[kind],
                harmless,
                pause_only,
                mark: mark.clone(),
            };
            IncidentRow { incident, marks: mark.into_iter().collect() }
        },
    )
}

fn night() -> impl Strategy<Value = NightRows> {
    (
        prop::collection::vec(incident(), 0..8),
        prop::collection::vec((12.0..36.0f64, 0.0..6.0f64), 0..4),
        prop::collection::vec((12.0..36.0f64, prop::option::of(0.0..10.0f64)), 0..3),
        12.0..40.0f64,
        "\\PC{0,100}",
        any::<[bool; 3]>(),
    )
        .prop_map(|(mut incidents, gaps, sessions, written, title, [site, signals, earlier])| {
            let mut rows = sample::night();
            incidents.sort_by_key(|r| r.incident.opened.wall);
            for (i, r) in incidents.iter_mut().enumerate() {
                r.incident.id = i as i64 + 1;
            }
            rows.incidents = incidents;
            rows.gaps =
                gaps.into_iter().map(|(a, l)| GapRow { from: at(a), to: at(a + l), why: "crash".into() }).collect();
            rows.sessions = sessions
                .into_iter()
                .enumerate()
                .map(|(i, (a, l))| Session {
                    id: i as i64 + 1,
                    started: stamp(a),
                    why: SessionStart::Person,
                    ended: l.map(|l| stamp(a + l)),
                    end_why: None,
                })
                .collect();
            rows.written = at(written);
            rows.settings.field = title.clone();
            rows.settings.things[1].title = title;
            if !site {
                rows.settings.site = None;
                rows.night.dark.clear();
                rows.night.sun.clear();
            }
            if !signals {
                rows.signals.clear();
            }
            if !earlier {
                rows.earlier.clear();
            }
            rows
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn any_night_gives_a_sound_report(rows in night()) {
        let r = compose(&rows);
        let text = to_text(&r);
        for l in text.lines() {
            prop_assert!(l.width() <= 80, "{} columns: {l}", l.width());
        }
        prop_assert_eq!((text.find("NaN"), text.find('\u{1b}')), (None, None));
        let html = to_html(&r);
        for forbidden in ["<script", " style=\"", "<iframe"] {
            prop_assert!(!html.contains(forbidden), "{forbidden}");
        }
        prop_assert!(to_json(&r).to_string().len() > 100);
        // Letters name each incident once.
        let mut letters: Vec<String> = r.incidents.iter().map(|i| i.letter.to_uppercase()).collect();
        letters.sort();
        letters.dedup();
        prop_assert_eq!(letters.len(), r.incidents.len());
        // What was lost, gathered, paused and not seen never makes more than there was.
        let t = &r.totals;
        let known = t.dark_lost + t.paused + t.dark_not_watched;
        prop_assert!(known <= t.dark_in_session, "{known} of {}", t.dark_in_session);
        prop_assert!(t.dark.is_none_or(|d| t.dark_in_session <= d));
        prop_assert!(t.yield_share.is_none_or(|y| (0.0..=1.0).contains(&y)));
        let each = r.incidents.iter().fold(Span::ZERO, |s, i| s + i.cost.dark_lost);
        prop_assert_eq!(each, t.dark_lost + t.paused);
        // The same rows give the same report.
        prop_assert_eq!(to_text(&compose(&rows)), text);
        prop_assert!(r.to_look_at.len() <= 3);
    }
}
