use super::*;
use crate::report::picture::{Letter, letter_text};
use jiff::tz::TimeZone;

/// 2026-01-12 16:30 in the invented garden's zone (UTC+01:00).
const START: i64 = 1_768_231_800_000;

fn at(hour: f64) -> UnixMs {
    UnixMs(START + ((hour - 16.5) * 3_600_000.0).round() as i64)
}

/// An invented night at an invented pier.
pub(crate) fn sample() -> NightPicture {
    let sun = |h: f64| 40.0 * ((h - 12.2) / 24.0 * std::f64::consts::TAU).cos() - 18.0;
    let lane = |t: &str| Lane::well(t).with(at(16.5), at(17.9), StretchKind::NotInUse);
    let mut frames = lane("frames").with(at(25.23), at(26.03), StretchKind::Broken);
    frames.ticks = (0..80).map(|i| at(18.9 + f64::from(i) * 0.08)).collect();
    frames.note = "118 frames".into();
    let mut mount = lane("mount program").with(at(25.22), at(26.02), StretchKind::Broken);
    mount.note = "48 min".into();
    NightPicture {
        from: at(16.5),
        to: at(31.5),
        zone: TimeZone::get("Europe/Berlin").unwrap(),
        sun: (0..=120).map(|i| 16.5 + f64::from(i) * 0.125).map(|h| (at(h), sun(h))).collect(),
        dark_below: 12.0,
        dark: vec![(at(18.7), at(30.05))],
        lanes: vec![
            mount,
            lane("guiding").with(at(25.223), at(26.02), StretchKind::Broken),
            lane("camera").with(at(19.5), at(20.1), StretchKind::Unknown),
            lane("camera cable").with(at(21.9), at(21.902), StretchKind::Harmless),
            frames,
            lane("link to the house").with(at(20.4), at(20.403), StretchKind::Harmless).with(
                at(23.1),
                at(23.6),
                StretchKind::Impaired,
            ),
        ],
        gaps: vec![(at(22.4), at(22.6))],
        letters: [(20.4, true), (21.9, true), (25.22, false)]
            .iter()
            .enumerate()
            .map(|(i, (h, small))| Letter {
                incident: i as i64,
                at: at(*h),
                text: letter_text(i, *small),
                what: "invented".into(),
            })
            .collect(),
        now: None,
    }
}

/// Every start tag has its end, and nothing needs a looser content policy or leaves the picture.
fn sound(svg: &str) {
    assert!(svg.starts_with("<svg") && svg.ends_with("</svg>"));
    for forbidden in ["style=", "<script", "href", "http", "NaN", "inf\"", "&amp;amp;"] {
        assert!(!svg.contains(forbidden), "{forbidden} in {svg}");
    }
}

#[test]
fn both_drawings_hold_every_part() {
    for svg in [draw_wide(&sample()).0, draw_tall(&sample()).0] {
        sound(&svg);
        for part in
            ["mount program", "18:00", "local time (CET, UTC+01:00)", "dark from 18:42", "to 06:03", ">C<", ">a<"]
        {
            assert!(svg.contains(part), "no {part}");
        }
        for kind in ["class=\"broken\"", "class=\"hollow\"", "class=\"odd\"", "class=\"unknown\"", "class=\"unseen\""] {
            assert!(svg.contains(kind), "no {kind}");
        }
        assert!(svg.contains("118 frames") && svg.contains("not watched"));
    }
}

#[test]
fn the_picture_is_said_in_words() {
    insta::assert_snapshot!(describe(&sample()), @"The night from 16:30 to 07:30. Dark from 18:42 to 06:03. Mount program: broken at 01:13 for 48 min. Guiding: broken at 01:13 for 47 min 49 s. Camera: not known at 19:30 for 36 min. Camera cable: broken, nothing lost at 21:54 for 7 s. Frames: broken at 01:13 for 48 min. Link to the house: broken, nothing lost at 20:24 for 11 s; impaired at 23:06 for 30 min. Not watched: 22:24 to 22:36.");
}

#[test]
fn odd_nights_are_drawn_too() {
    let mut p = sample();
    p.now = Some(at(23.0));
    let running = draw_wide(&p).0;
    assert!(running.contains("now 23:00"));
    sound(&running);
    // No site, nothing watched, an empty stretch, something before the left edge.
    p.sun.clear();
    p.dark.clear();
    p.lanes = vec![Lane::well("<b>&").with(at(1.0), at(2.0), StretchKind::Broken)];
    for (from, to) in [(16.5, 31.5), (20.0, 20.0), (21.0, 20.0)] {
        (p.from, p.to) = (at(from), at(to));
        let svg = draw_tall(&p).0;
        sound(&svg);
        assert!(svg.contains("&lt;b&gt;&amp;"));
    }
    p.lanes.clear();
    sound(&draw_wide(&p).0);
}

#[test]
fn what_is_left_of_a_stretch() {
    let t = |a: i64, b: i64| (UnixMs(a), UnixMs(b));
    assert_eq!(without(t(0, 10), &[t(2, 4), t(3, 5), t(9, 12)]), [t(0, 2), t(5, 9)]);
    assert_eq!(without(t(0, 10), &[]), [t(0, 10)]);
    assert!(without(t(0, 10), &[t(-1, 11)]).is_empty());
}
