use super::compose::compose;
use super::model::{Class, NightState};
use super::sample::{self, at, stamp};
use super::*;
use crate::config::model::TemperatureScale;
use crate::model::UnixMs;
use crate::model::rows::Bucket;
use crate::report::export::{self, Wish};
use unicode_width::UnicodeWidthStr;

fn narrow(text: &str) {
    for l in text.lines() {
        assert!(l.width() <= 80, "{} columns: {l}", l.width());
        assert_eq!(l.trim_end(), l, "space at the end of a line");
    }
}

fn self_contained(html: &str) {
    for forbidden in ["<script", "http://", "https://", "style=\"", "<iframe", "url(h", "@import", "NaN"] {
        assert!(!html.contains(forbidden), "{forbidden}");
    }
    assert!(html.starts_with("<!DOCTYPE html>") && html.ends_with("</html>"));
}

#[test]
fn the_night_in_words() {
    let text = to_text(&compose(&sample::night()));
    narrow(&text);
    insta::assert_snapshot!("night", text);
}

#[test]
fn the_night_as_json() {
    insta::assert_snapshot!("night_json", to_json_text(&compose(&sample::night())));
}

#[test]
fn the_night_as_one_file() {
    let html = to_html(&compose(&sample::night()));
    self_contained(&html);
    // Wide and tall, each with its own words for those who cannot see it.
    let pictures = html.matches("<svg").count();
    assert_eq!(pictures, html.matches("role=\"img\" aria-label=\"").count());
    assert_eq!(pictures, 2 * (1 + compose(&sample::night()).plots.len()));
    for words in ["To look at today", "orchard pier", "The ten minutes before", "local time (CET, UTC+01:00)"] {
        assert!(html.contains(words), "no {words}");
    }
}

#[test]
fn people_who_think_in_fahrenheit() {
    let mut rows = sample::night();
    rows.settings.scale = TemperatureScale::Fahrenheit;
    let text = to_text(&compose(&rows));
    narrow(&text);
    // −2.4 °C is 27.7 °F; a difference of 2.5 K is 4.5 °F (exact, by definition of the scales).
    assert!(text.contains("outside 27.7 °F") && text.contains("4.5 °F above the dew point"), "{text}");
    assert!(!text.contains("°C") && !text.contains(" K "));
    // Machines read °C whatever people read.
    let json = to_json_text(&compose(&rows));
    assert!(json.contains("degC") && !json.contains("°F\", \"unit"));
}

#[test]
fn a_night_of_which_nothing_is_known() {
    let report = compose(&sample::nothing());
    assert_eq!(report.state, NightState::Nothing);
    let text = to_text(&report);
    insta::assert_snapshot!("nothing", text);
    self_contained(&to_html(&report));
}

#[test]
fn a_night_with_one_reading() {
    let mut rows = sample::nothing();
    let one = sample::night().signals.into_iter().take(1).map(|(n, mut m)| {
        m.minutes = vec![Bucket {
            from: at(23.0),
            to: at(23.0) + crate::model::Span::mins(1),
            min: 1.0,
            mean: 1.0,
            max: 1.0,
            count: 1,
            unavailable: 0,
        }];
        (n, m)
    });
    rows.signals = one.collect();
    let report = compose(&rows);
    let text = to_text(&report);
    narrow(&text);
    assert!(report.opening[0].contains("no session: nothing was meant to work"), "{text}");
    self_contained(&to_html(&report));
}

#[test]
fn a_night_that_goes_on() {
    let mut rows = sample::night();
    rows.written = at(25.5);
    rows.sessions[0].ended = None;
    rows.incidents.truncate(3);
    for m in &mut rows.incidents[2].incident.members {
        m.until = None;
    }
    rows.incidents[2].incident.closed = None;
    rows.events.retain(|e| e.at.wall < at(25.5));
    rows.gaps.clear();
    let report = compose(&rows);
    assert_eq!(report.state, NightState::Running);
    let text = to_text(&report);
    narrow(&text);
    assert!(text.contains("The night goes on; this is how it stands at 01:30."), "{text}");
    assert!(text.contains("not well again since"), "{text}");
    // What it has cost so far: from the fault until now.
    assert_eq!(report.totals.dark_lost, at(25.5) - rows.incidents[2].incident.opened.wall);
    assert_eq!(report.picture.now, Some(at(25.5)));
}

#[test]
fn half_a_night_is_said_to_be_half() {
    let mut rows = sample::night();
    rows.incidents.clear();
    rows.gaps = vec![crate::model::rows::GapRow { from: at(24.0), to: at(30.0), why: "power_cut".into() }];
    let report = compose(&rows);
    assert_eq!(report.state, NightState::Partly);
    let text = to_text(&report);
    assert!(text.contains("Nothing failed while it was watched. Not watched: 6 h of the"), "{text}");
    assert!(!text.contains("Nothing failed.\n"));
}

#[test]
fn a_quiet_night_is_a_short_letter() {
    let mut rows = sample::night();
    rows.incidents.clear();
    rows.alarms.clear();
    rows.gaps.clear();
    let report = compose(&rows);
    assert_eq!(report.state, NightState::Whole);
    let text = to_text(&report);
    assert!(
        text.contains("Nothing failed.") && text.contains("To look at today\n----------------\nNothing.\n"),
        "{text}"
    );
    assert!(report.cautions.is_empty());
}

#[test]
fn without_a_site_darkness_is_not_known() {
    let mut rows = sample::night();
    rows.settings.site = None;
    rows.night.dark.clear();
    rows.night.sun.clear();
    (rows.night.sunset, rows.night.sunrise) = (None, None);
    let report = compose(&rows);
    let text = to_text(&report);
    narrow(&text);
    assert!(text.contains("dark hours are not known, since no site is set"), "{text}");
    assert!(text.contains("of the session and about"), "{text}");
    assert_eq!(report.totals.dark, None);
    // High summer is another thing: there is a site, and it does not get dark.
    let mut rows = sample::night();
    rows.night.dark.clear();
    let report = compose(&rows);
    assert!(report.opening[0].contains("the Sun never stood 12° below the horizon"), "{:?}", report.opening);
    assert_eq!(report.totals.dark_lost.0, 0);
}

#[test]
fn marks_take_incidents_out_of_the_faults() {
    let rows = sample::night();
    let before = compose(&rows);
    assert_eq!((before.totals.faults, before.totals.marked), (1, 1));
    let mut rows = rows;
    let mark = crate::model::Mark { at: stamp(33.0), kind: Some(crate::model::MarkKind::Cloud), words: "fog".into() };
    rows.incidents[2].incident.mark = Some(mark.clone());
    rows.incidents[2].marks.push(mark);
    let after = compose(&rows);
    assert_eq!((after.totals.faults, after.totals.marked), (0, 2));
    assert_eq!(after.incidents[2].class, Class::Marked);
    assert_eq!(after.incidents[2].letter, "c");
    assert!(to_text(&after).contains("Marked as cloud on 13 January 09:00: \"fog\"."));
}

#[test]
fn rows_come_back_from_a_store() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("orchard.db");
    sample::store(&path);
    let reader = Reader::open(&path).unwrap();
    let kept = gather::kept_settings(&reader, at(36.0)).unwrap().unwrap();
    assert_eq!(kept, sample::settings());
    let night = gather::which_night(&reader, "last", &kept, at(33.0)).unwrap();
    assert_eq!(night.to_string(), "2026-01-12");
    let stored = build(&reader, &night, kept.clone(), at(33.0)).unwrap();
    let plain = compose(&sample::night());
    assert_eq!(stored.incidents.len(), plain.incidents.len());
    assert_eq!(stored.totals.dark_lost, plain.totals.dark_lost);
    assert_eq!(stored.totals.light_frames, plain.totals.light_frames);
    assert!(stored.invented);
    // No earlier night is in this store: nothing is ranked, and that is said.
    let text = to_text(&stored);
    narrow(&text);
    assert!(text.contains("nothing is ranked"), "{text}");
    let picture = picture(&reader, &night, kept, at(33.0)).unwrap();
    assert_eq!(picture.lanes.len(), stored.picture.lanes.len());

    let into = dir.path().join("reports");
    let html = write_into(&into, &stored).unwrap();
    assert_eq!(html, into.join("2026-01-12.html"));
    assert_eq!(std::fs::read_dir(&into).unwrap().count(), 3);
    write_into(&into, &stored).unwrap();
    assert_eq!(std::fs::read_dir(&into).unwrap().count(), 3);

    takes_out(&reader, &night);
}

/// The export, read back by a general-purpose reader of RFC 4180.
fn takes_out(reader: &Reader, night: &crate::night::Night) {
    let wish = Wish { from: night.from, to: night.to, signals: "temperature.*,load.cpu", every: None };
    let mut out = vec![];
    let written = export::csv(reader, &wish, &mut out).unwrap();
    assert_eq!(written.signals, 4);
    let mut back = csv::Reader::from_reader(out.as_slice());
    let head: Vec<String> = back.headers().unwrap().iter().map(String::from).collect();
    assert_eq!(
        head,
        [
            "time [UTC]",
            "load.cpu [percent]",
            "temperature.box [degC]",
            "temperature.core [degC]",
            "temperature.outside [degC]"
        ]
    );
    let records: Vec<csv::StringRecord> = back.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), written.rows);
    assert_eq!(&records[0][0], "2026-01-12T16:00:00Z");
    let fine = reader
        .fine(reader.signal_id(&sample::name("temperature.box")).unwrap().unwrap(), night.from, night.to)
        .unwrap();
    for (record, (when, value)) in records.iter().zip(&fine) {
        let read: jiff::Timestamp = record[0].parse().unwrap();
        assert_eq!(read.as_millisecond(), when.0);
        assert_eq!(record[2].parse::<f64>().unwrap(), value.known().unwrap());
    }
    assert_eq!(records.len(), fine.len());

    let wish = Wish { every: Some(crate::model::Span::mins(10)), ..wish };
    let mut out = vec![];
    let written = export::csv(reader, &wish, &mut out).unwrap();
    assert!((80..=90).contains(&written.rows), "{}", written.rows);
    assert!(String::from_utf8(out).unwrap().lines().all(|l| l.split(',').count() == 5));

    let nothing = Wish { signals: "humidity.*", ..wish };
    let why = export::csv(reader, &nothing, &mut vec![]).unwrap_err().to_string();
    assert!(why.starts_with("no signal fits `humidity.*`; there are: device.main-camera, "), "{why}");
    let other_night = Wish { from: UnixMs(0), to: UnixMs(86_400_000), every: None, ..wish };
    let why = export::csv(reader, &other_night, &mut vec![]).unwrap_err().to_string();
    assert!(why.starts_with("there are no readings of these signals"), "{why}");
}
