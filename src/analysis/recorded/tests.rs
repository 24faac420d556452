#![allow(clippy::unwrap_used)]
use super::signals::{Mapping, Recorded};
use super::*;
use crate::model::{FaultKind, Name, Span, Unit, UnixMs};
use proptest::prelude::*;

fn layout(maps: &[&str]) -> Layout {
    Layout { maps: maps.iter().map(|m| Mapping::parse(m).unwrap()).collect(), ..Layout::default() }
}

fn values(r: &Recorded, signal: &str) -> Vec<(i64, f64)> {
    let s = r.series.iter().find(|s| s.signal.as_str() == signal).unwrap();
    s.values.iter().map(|(t, v)| (t.0 / 1000, *v)).collect()
}

const T0: i64 = 1_768_256_043; // 2026-01-12T22:14:03Z

#[test]
fn a_plain_table() {
    let text = "time,temperature.outside,load.cpu\n2026-01-12T22:14:03Z,-3.2,41\n2026-01-12T23:14:33+01:00,-3.3,\n";
    let r = signals::read(text.as_bytes(), &layout(&[])).unwrap();
    assert_eq!(values(&r, "temperature.outside"), [(T0, -3.2), (T0 + 30, -3.3)]);
    assert_eq!(values(&r, "load.cpu"), [(T0, 41.0)]);
    assert_eq!(r.refused, []);
}

#[test]
fn a_logger_with_local_time_junk_semicolons_commas_and_fahrenheit() {
    let text = "Logger 7\r\nserial;0815\r\nDate;Clock;Temp (F);Note\r\n12.01.2026;23:14:03;26,6;a\r\n12.01.2026;23:15:03;x;\r\n";
    let mut l = layout(&["Date=time", "Clock=time", "Temp (F)=temperature.outside:degF"]);
    l.skip_lines = 2;
    l.time_format = Some("%d.%m.%Y %H:%M:%S".into());
    l.zone = Some(jiff::tz::TimeZone::get("Europe/Berlin").unwrap());
    // The bytes of Latin-1, where the degree sign is a single one.
    let r = signals::read(text.as_bytes(), &l).unwrap();
    let v = values(&r, "temperature.outside");
    assert_eq!(v.len(), 1);
    assert!((v[0].1 + 3.0).abs() < 1e-12 && v[0].0 == T0);
    assert_eq!(r.refused.len(), 1);
    assert_eq!(r.refused[0].line, 5, "lines are counted in the file, junk included");
    assert!(r.notes.iter().any(|n| n.contains("Note")));
}

#[test]
fn imported_signals_have_words_for_people() {
    for (name, words) in [
        ("temperature.outside", "outside temperature"),
        ("load.cpu", "processor load"),
        ("pressure.cpu", "waiting for the processor"),
        ("interface.wlan0.signal", "signal of interface wlan0"),
        ("link.house.round-trip", "round trip of link to house"),
        ("link.signal", "link signal"),
        ("weather.wind_speed", "weather wind speed"),
    ] {
        assert_eq!(signals::definition(&Name::new(name).unwrap(), Unit::None).what, words);
    }
}

#[test]
fn encodings() {
    let text = "time;temperature.box (°C)\n2026-01-12T22:14:03Z;4,5\n";
    let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
    let utf16: Vec<u8> = [0xFEFF].into_iter().chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect();
    let bare: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let bom: Vec<u8> = [0xEF, 0xBB, 0xBF].into_iter().chain(text.bytes()).collect();
    for bytes in [text.as_bytes().to_vec(), latin, utf16, bare, bom] {
        let r = signals::read(&bytes, &layout(&[])).unwrap();
        assert_eq!(values(&r, "temperature.box"), [(T0, 4.5)]);
    }
}

#[test]
fn the_repeated_and_the_missing_hour() {
    let mut l = layout(&[]);
    l.zone = Some(jiff::tz::TimeZone::get("Europe/Berlin").unwrap());
    let text = "time,temperature.box\n2026-10-25 02:10:00,1\n2026-10-25 02:50:00,2\n2026-10-25 02:10:00,3\n2026-10-25 03:00:00,4\n2026-03-29 02:30:00,5\n";
    let r = signals::read(text.as_bytes(), &l).unwrap();
    let v = values(&r, "temperature.box");
    // Summer time ended at 01:00 UTC: the second 02:10 is an hour after the first (IANA time zone database).
    assert_eq!(v.iter().map(|p| p.1).collect::<Vec<_>>(), [1.0, 2.0, 3.0, 4.0]);
    assert_eq!(v[2].0 - v[0].0, 3600);
    assert_eq!(r.refused.len(), 1);
    assert!(r.refused[0].reason.contains("did not exist"), "{:?}", r.refused);
}

#[test]
fn faults_with_and_without_end_and_kind() {
    let text = "start,end,name,kind\n2026-01-12T22:14:03Z,2026-01-12T22:20:00Z,mount,program\n2026-01-13T01:00:00Z,,camera,\n\
                2026-01-13T02:00:00Z,2026-01-13T01:00:00Z,x,\n2026-01-14T02:00:00Z,,y,goblin\n2025-02-29T00:00:00Z,,z,\n";
    let l = faults::read(text.as_bytes(), &Layout::default()).unwrap();
    assert_eq!(l.faults.len(), 2);
    assert_eq!(l.faults[0].kind, Some(FaultKind::Program));
    assert_eq!(l.faults[1].to, None);
    assert_eq!(l.refused.iter().map(|r| r.line).collect::<Vec<_>>(), [4, 5, 6]);
    assert!(l.refused[1].reason.contains("device"));
}

#[test]
fn files_that_are_no_table_are_named_for_what_they_are() {
    for (bytes, word) in [
        (&b""[..], "empty"),
        (b"PK\x03\x04....", "zip"),
        (b"\x1f\x8b\x08", "gzip"),
        (b"\x00\x01\x02\x00\x03\x04\x05\x06\x07\x08", "binary"),
        (b"\n\n  \n", "heading"),
        (b"just words\nmore words\n", "single column"),
        (b"a,b\n1,2\n", "holds the time"),
        (b"time,b\n1,2\n", "--map"),
        (b"time,temperature.box,temperature.box\n", "two columns"),
        (b"time,temperature.box (dBm)\n", "cannot be turned"),
    ] {
        let e = signals::read(bytes, &layout(&[])).unwrap_err();
        assert!(e.0.contains(word), "{word}: {e}");
    }
    assert!(signals::read(b"time,x\n", &layout(&["Temp=temperature.box"])).unwrap_err().0.contains("no column `Temp`"));
}

#[test]
fn a_clock_that_was_off_is_found_and_only_proposed() {
    // Two records of one wandering temperature, the other clock seven minutes slow.
    let wander = |m: i64| ((m * 37 % 101) as f64 * 0.1) + ((m * 53 % 89) as f64 * 0.07);
    let ours: Vec<_> = (0..600).map(|m| (UnixMs(m * 60_000), wander(m))).collect();
    let theirs: Vec<_> = (0..600).map(|m| (UnixMs((m - 7) * 60_000), wander(m))).collect();
    let s = shift::best(&ours, &theirs, Span::mins(1), Span::hours(2)).unwrap();
    assert_eq!(s.by, Span::mins(7));
    assert!(s.correlation > 0.99);
    assert_eq!(shift::best(&ours[..30], &theirs[..30], Span::mins(1), Span::hours(2)), None);
    let flat: Vec<_> = (0..600).map(|m| (UnixMs(m * 60_000), 5.0)).collect();
    assert_eq!(shift::best(&ours, &flat, Span::mins(1), Span::hours(2)), None);
}

#[test]
fn mappings_say_how_they_should_look() {
    for bad in ["x", "x=Y Z", "a=temperature.box:furlong"] {
        let e = Mapping::parse(bad).unwrap_err();
        assert!(e.contains("Temp (F)"), "{e}");
    }
    let m = Mapping::parse("a=b=temperature.box:degF").unwrap();
    assert_eq!(m.column, "a=b");
    assert_eq!(units::usual(&Name::new("link.signal").unwrap()), crate::model::Unit::Dbm);
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = signals::read(&bytes, &layout(&[]));
        let _ = faults::read(&bytes, &Layout::default());
    }

    #[test]
    fn every_row_is_read_or_listed(cells in proptest::collection::vec("[0-9,.;x\"T:Z-]{0,12}", 1..20)) {
        let mut text = String::from("time;temperature.box\n");
        for (i, c) in cells.iter().enumerate() {
            let c = c.replace(['"', ';'], "");
            text += &format!("2026-01-12T22:{:02}:00Z;{c}\n", i);
        }
        let r = signals::read(text.as_bytes(), &layout(&[])).unwrap();
        let empty: usize = r.notes.iter().find_map(|n| n.strip_suffix(" empty cells")).map_or(0, |n| n.parse().unwrap());
        prop_assert_eq!(r.series[0].values.len() + r.refused.len() + empty, cells.len());
    }
}
