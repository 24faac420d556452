#![allow(clippy::unwrap_used)]
use super::*;
use crate::config::model::Frames;
use crate::probe::testing::Bench;
use proptest::prelude::*;

/// A FITS file by the words of the standard: 80-byte cards, 2880-byte blocks, END, data padded with zeros.
fn fits_file(cards: &[&str], data: usize) -> Vec<u8> {
    let mut bytes = Vec::new();
    for c in cards.iter().chain(&["END"]) {
        bytes.extend_from_slice(format!("{c:<80}").as_bytes());
    }
    bytes.resize(bytes.len().div_ceil(2880) * 2880, b' ');
    bytes.resize(bytes.len() + data.div_ceil(2880) * 2880, 0);
    bytes
}

const LIGHT: &[&str] = &[
    "SIMPLE  =                    T",
    "BITPIX  =                   16",
    "NAXIS   =                    2",
    "NAXIS1  =                   60",
    "NAXIS2  =                   40",
    "DATE-OBS= '2026-01-12T22:14:03.5'",
    "EXPTIME =                180.0 / seconds",
    "IMAGETYP= 'Light Frame'",
    "OBJECT  = 'NGC 2244'",
    "FILTER  = 'Ha      '",
    "CCD-TEMP=                 -8.4",
    "SET-TEMP=                -10.0",
];

fn bench() -> Bench {
    let mut b = Bench::new(&[("frames/old.fits", "was here before")]);
    b.config.frames = Some(Frames {
        name: Name::new("frames.main").unwrap(),
        title: "frames".into(),
        folder: "/frames".into(),
        endings: vec!["fits".into(), "raw".into()],
        at_least: Span::mins(20),
        sensor_off_by: 2.0,
        leans_on: vec![],
    });
    b
}

fn words(b: &Bench) -> Vec<String> {
    b.events().iter().map(|e| format!("{} {}", e.kind.code(), e.detail["path"].as_str().unwrap())).collect()
}

#[test]
fn a_whole_light_frame_is_told_with_what_its_header_says() {
    let b = bench();
    let mut p = b.probes(probes);
    b.run(&mut p);
    assert!(b.events().is_empty(), "what was there before is not new");
    assert_eq!(b.why("frames.main.since-light"), Some(WhyCode::NotYet));
    b.write_bytes("frames/a/new.fits", &fits_file(LIGHT, 60 * 40 * 2));
    // The scan finds it even where the kernel's events do not reach.
    b.clock.advance(61_000);
    b.run(&mut p);
    let e = &b.events()[0];
    assert_eq!(e.kind, EventKind::FrameArrived);
    for (k, v) in [("exposure_s", 180.0), ("sensor_c", -8.4), ("set_c", -10.0)] {
        assert_eq!(e.detail[k].as_f64(), Some(v), "{k}");
    }
    assert_eq!(e.detail["object"], "NGC 2244");
    assert_eq!(e.detail["filter"], "Ha");
    assert_eq!(e.detail["date_obs"], "2026-01-12T22:14:03.5");
    assert_eq!((&e.detail["light"], &e.detail["type"]), (&true.into(), &"light".into()));
    assert_eq!(b.value("frames.main.sensor-off"), Some(1.6));
    assert_eq!(b.value("frames.main.count"), Some(1.0));
    b.run(&mut p);
    assert!(b.events().is_empty(), "told once");
}

#[test]
fn unfinished_truncated_empty_and_foreign_files_are_told_apart() {
    let b = bench();
    let mut p = b.probes(probes);
    b.run(&mut p);
    let whole = fits_file(LIGHT, 60 * 40 * 2);
    b.write_bytes("frames/growing.fits", &whole[..3000]);
    b.write_bytes("frames/cut.fits", &whole[..whole.len() - 2880]);
    b.write_bytes("frames/empty.fits", b"");
    b.write_bytes("frames/junk.fits", &[7; 5000]);
    b.write_bytes("frames/dark-001.raw", &[1; 100]);
    b.write_bytes("frames/m31.raw", &[1; 100]);
    b.write_bytes("frames/notes.txt", b"no frame");
    b.clock.advance(61_000);
    b.run(&mut p);
    b.write_bytes("frames/growing.fits", &whole);
    let mut told = words(&b);
    for _ in 0..3 {
        b.run(&mut p);
        told.extend(words(&b));
    }
    told.sort();
    assert_eq!(told, ["frame_arrived dark-001.raw", "frame_arrived growing.fits", "frame_arrived m31.raw"]);
    assert_eq!(b.value("frames.main.count"), Some(2.0), "the dark is no light frame");
    b.clock.advance(61_000);
    b.run(&mut p);
    let mut told = words(&b);
    told.sort();
    assert_eq!(told, ["frame_damaged cut.fits", "frame_damaged empty.fits", "frame_damaged junk.fits"]);
    let why: Vec<_> = b.events().iter().map(|e| e.detail["why"].as_str().unwrap().to_string()).collect();
    for w in ["truncated", "empty", "unreadable"] {
        assert!(why.contains(&w.to_string()), "{why:?}");
    }
}

#[test]
fn a_frame_that_is_seen_growing_tells_how_fast_it_is_written() {
    let b = bench();
    let mut p = b.probes(probes);
    b.run(&mut p);
    let whole = fits_file(LIGHT, 60 * 40 * 2);
    b.write_bytes("frames/at-once.fits", &whole);
    b.clock.advance(61_000);
    b.run(&mut p);
    assert_eq!(b.why("frames.main.write-rate"), Some(WhyCode::Absent));
    b.write_bytes("frames/slow.fits", &whole[..3000]);
    b.clock.advance(61_000);
    b.run(&mut p);
    assert_eq!(b.value("frames.main.write-rate"), None);
    b.write_bytes("frames/slow.fits", &whole);
    b.run(&mut p);
    // In one second, as far as looks can tell; stored in steps of a kibibyte.
    assert_eq!(b.value("frames.main.write-rate"), Some((whole.len() as f64 / 1024.0).round() * 1024.0));
}

#[test]
fn a_missing_folder_is_unavailable_and_not_zero() {
    let b = bench();
    std::fs::remove_dir_all(b.root().join("frames")).unwrap();
    let mut p = b.probes(probes);
    b.run(&mut p);
    assert_eq!(b.why("frames.main.count"), Some(WhyCode::Absent));
    assert_eq!(b.why("frames.main.since-light"), Some(WhyCode::Absent));
}

#[test]
fn nothing_is_written_in_the_folder() {
    let b = bench();
    let before = std::fs::metadata(b.root().join("frames")).unwrap().modified().unwrap();
    let mut p = b.probes(probes);
    for _ in 0..3 {
        b.run(&mut p);
    }
    assert_eq!(std::fs::metadata(b.root().join("frames")).unwrap().modified().unwrap(), before);
    assert_eq!(std::fs::read_dir(b.root().join("frames")).unwrap().count(), 1);
}

#[test]
fn kinds_of_frames_by_common_practice() {
    for (t, k) in [
        ("Light Frame", Kind::Light),
        ("LIGHT", Kind::Light),
        ("object", Kind::Light),
        ("Dark Frame", Kind::Dark),
        ("DARKFLAT", Kind::Dark),
        ("Flat Field", Kind::Flat),
        ("Bias Frame", Kind::Bias),
        ("tricolor", Kind::Other),
    ] {
        assert_eq!(Kind::of(t), k, "{t}");
    }
}

#[test]
fn the_length_follows_the_standards_equation() {
    // FITS Standard 4.0, equation 1: |BITPIX| · NAXIS1 · NAXIS2 / 8 = 4800 bytes of data, padded to 2 blocks, after one header block.
    let (h, length) = fits::parse(&fits_file(LIGHT, 0)).unwrap();
    assert_eq!(length, 3 * 2880);
    assert_eq!(h.exposure_s, Some(180.0));
}

proptest! {
    #[test]
    fn no_header_panics(at in 0usize..2880, junk in proptest::collection::vec(any::<u8>(), 1..80)) {
        let mut bytes = fits_file(LIGHT, 0);
        let end = (at + junk.len()).min(bytes.len());
        bytes[at..end].copy_from_slice(&junk[..end - at]);
        let _ = fits::parse(&bytes);
        let _ = fits::parse(&junk);
    }
}
