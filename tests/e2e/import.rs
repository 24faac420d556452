//! What was recorded elsewhere is brought in on the built binary: whole files, ugly files, twice, by a running agent.

use super::harness::{BOUND, Setting, tilldawn};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;
use tilldawn::model::{Name, UnixMs};
use tilldawn::store::Reader;

fn out(o: &Output) -> String {
    String::from_utf8_lossy(&o.stdout).into_owned()
}

fn err(o: &Output) -> String {
    String::from_utf8_lossy(&o.stderr).into_owned()
}

/// One call in a folder of its own.
struct Desk {
    dir: tempfile::TempDir,
}

impl Desk {
    fn new() -> Desk {
        Desk { dir: tempfile::tempdir().unwrap() }
    }
    fn put(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        let p = self.dir.path().join(name);
        fs::write(&p, bytes).unwrap();
        p.to_str().unwrap().into()
    }
    fn store(&self) -> PathBuf {
        self.dir.path().join("season.db")
    }
    fn import(&self, words: &[&str]) -> Output {
        let store = self.store();
        let mut all = vec!["import", "--store", store.to_str().unwrap()];
        all.extend(words);
        tilldawn(self.dir.path(), &all)
    }
    fn readings(&self, signal: &str) -> Vec<(i64, f64)> {
        let r = Reader::open(&self.store()).unwrap();
        let Some(id) = r.signal_id(&Name::new(signal).unwrap()).unwrap() else { return vec![] };
        let all = r.fine(id, UnixMs(0), UnixMs(4_102_444_800_000)).unwrap();
        all.into_iter().map(|(t, v)| (t.0, v.known().unwrap())).collect()
    }
    fn faults(&self) -> usize {
        Reader::open(&self.store()).unwrap().imported_faults(UnixMs(0), UnixMs(i64::MAX)).unwrap().len()
    }
}

/// 2026-01-12T22:14:03Z, in milliseconds.
const T: i64 = 1_768_256_043_000;

#[test]
fn a_logger_and_a_list_come_in_once() {
    let d = Desk::new();
    let logger = d.put(
        "logger.txt",
        "Logger 7\r\nserial;0815\r\nDate;Clock;Temp (F);Note\r\n12.01.2026;23:14:03;26,6;a\r\n12.01.2026;23:15:03;x;\r\n12.01.2026;23:16:03;26,4;\r\n",
    );
    let faults =
        d.put("faults.csv", "start,end,name,kind\n2026-01-12T22:15:00Z,,camera,device\n2026-01-13T25:00:00Z,,y,\n");
    let words = [
        "--signals",
        &logger,
        "--skip-lines",
        "2",
        "--map",
        "Date=time",
        "--map",
        "Clock=time",
        "--map",
        "Temp (F)=temperature.outside:degF",
        "--time-format",
        "%d.%m.%Y %H:%M:%S",
        "--zone",
        "Europe/Berlin",
    ];
    let o = d.import(&words);
    assert!(o.status.success(), "{}", err(&o));
    assert!(out(&o).contains("2 readings of temperature.outside"), "{}", out(&o));
    assert!(out(&o).contains("12 January 2026 23:14 to 12 January 2026 23:16 (Europe/Berlin)"), "{}", out(&o));
    assert!(out(&o).contains("2 new, 0 there already"), "{}", out(&o));
    assert!(err(&o).contains("line 5: column `Temp (F)`: `x` is no number"), "{}", err(&o));
    // 26.6 °F and 26.4 °F in °C to the kept thousandth.
    assert_eq!(d.readings("temperature.outside"), [(T, -3.0), (T + 120_000, -3.111)]);
    let o = d.import(&["--faults", &faults]);
    assert!(out(&o).contains("1 fault,") && err(&o).contains("line 3: start:"), "{}{}", out(&o), err(&o));
    // The same file read in the same way; and read in another way, where the readings themselves are known.
    let before = fs::read(d.store()).unwrap().len();
    let o = d.import(&words);
    assert!(out(&o).contains("nothing changes"), "{}", out(&o));
    let o = d.import(&[&words[..], &["--holds", "10 min"]].concat());
    assert!(out(&o).contains("0 new, 2 there already"), "{}", out(&o));
    assert_eq!((d.readings("temperature.outside").len(), d.faults()), (2, 1));
    assert!(fs::read(d.store()).unwrap().len() <= before + 8192);
    // Strict: one bad row refuses the file, and the good one beside it is not brought in either.
    let good = d.put("good.csv", "time,load.cpu\n2026-01-12T22:14:03Z,4\n");
    let o = d.import(&[&["--strict", "--signals", &good][..], &words[1..]].concat());
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("line 5") && err(&o).contains("nothing was brought in"), "{}", err(&o));
    assert!(d.readings("load.cpu").is_empty());
}

#[test]
fn a_logger_that_knows_no_summer_time() {
    let d = Desk::new();
    // West of Greenwich, where noon UTC lies in the night: 22:14 there is 05:14 UTC of the next day.
    let logger = d.put("logger.csv", "time,load.cpu\n2026-07-12 22:14:03,4\n2026-07-13 05:14:03,5\n");
    let o = d.import(&["--signals", &logger, "--zone", "-07:00"]);
    assert!(o.status.success(), "{}", err(&o));
    assert!(out(&o).contains("12 July 2026 22:14 to 13 July 2026 05:14 (-07:00)"), "{}", out(&o));
    assert_eq!(d.readings("load.cpu"), [(1_783_919_643_000, 4.0), (1_783_944_843_000, 5.0)]);
    // What is told and asked afterwards is in the zone of the record, not in that of the reader.
    let (dir, store) = (d.dir.path(), d.store());
    let store = ["--store", store.to_str().unwrap()];
    let o = tilldawn(
        dir,
        &[&["remedy", "add", "--name", "other cable", "--since", "2026-07-13T18:00"], &store[..]].concat(),
    );
    assert!(o.status.success(), "{}", err(&o));
    let o = tilldawn(dir, &[&["remedy", "list"], &store[..]].concat());
    assert!(out(&o).contains("since 13 July 2026 18:00"), "{}", out(&o));
    let o = tilldawn(dir, &[&["nights", "--as", "json"], &store[..]].concat());
    let v: Value = serde_json::from_slice(&o.stdout).unwrap();
    assert_eq!((&v["zone"], &v["remedies"][0]["since"]), (&"-07:00".into(), &"2026-07-14T01:00:00Z".into()));
    let nights: Vec<&Value> = v["nights"].as_array().unwrap().iter().map(|n| &n["night"]).collect();
    assert_eq!(nights, ["2026-07-12"], "one night, though noon UTC lies within it");
    for wrong in ["UTC-7", "-25:00", "Nowhere"] {
        let o = d.import(&["--signals", &logger, "--zone", wrong]);
        assert!(err(&o).contains("such as `+01:00`"), "{}", err(&o));
    }
}

#[test]
fn a_clock_that_ran_off_is_shown_and_mended_only_when_told() {
    let d = Desk::new();
    // Air that wanders as no clock does.
    let (mut x, mut seed, mut air) = (0.0, 1_u64, vec![]);
    for _ in 0..600 {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        x = 0.97 * x + ((seed >> 40) as f64 / (1_u64 << 24) as f64 - 0.5);
        air.push(x);
    }
    let table = |signal: &str, slow: i64| {
        let mut text = format!("time,{signal}\n");
        for (m, v) in (0_i64..).zip(&air) {
            let t = jiff::Timestamp::from_millisecond(T + (m - slow) * 60_000).unwrap();
            text += &format!("{t},{v:.2}\n");
        }
        text
    };
    let ours = d.put("ours.csv", table("temperature.outside", 0));
    let late = d.put("late.csv", table("temperature.logger", 7));
    assert!(d.import(&["--signals", &ours]).status.success());
    let o = d.import(&["--signals", &late]);
    assert!(o.status.success(), "{}", err(&o));
    assert!(out(&o).contains("7 min slow") && out(&o).contains("Nothing was shifted"), "{}", out(&o));
    assert_eq!(d.readings("temperature.logger")[0].0, T - 7 * 60_000);
    // The same content is not laid beside itself.
    let o = d.import(&["--signals", &late, "--shift", "7 min"]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("in this store already with other times, read with --shift '0 s'"), "{}", err(&o));
    // The way out that the refusal names.
    assert!(err(&o).contains("with --shift '0 s' --take-back"), "{}", err(&o));
    let o = d.import(&["--signals", &late, "--shift", "0 s", "--take-back"]);
    assert!(out(&o).contains("600 taken out, 0 not there"), "{}{}", out(&o), err(&o));
    assert!(d.readings("temperature.logger").is_empty());
    assert_eq!(d.readings("temperature.outside").len(), 600);
    let o = d.import(&["--signals", &late, "--shift", "7 min"]);
    assert!(o.status.success() && out(&o).contains("600 new"), "{}{}", out(&o), err(&o));
    let o = Desk::new().import(&["--signals", &late, "--take-back"]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("there is no store"), "{}", err(&o));
    let other = Desk::new();
    let o = other.import(&["--signals", &late, "--shift", "7 min"]);
    assert!(o.status.success(), "{}", err(&o));
    assert_eq!(other.readings("temperature.logger")[0].0, T);
    let o = Desk::new().import(&["--signals", &late, "--shift", "-90 s"]);
    assert!(o.status.success(), "{}", err(&o));
}

#[test]
fn a_file_read_in_the_wrong_zone_is_taken_back_and_read_anew() {
    let d = Desk::new();
    let file = d.put("attic.csv", "time,temperature.attic\n2026-01-13 07:14:03,4\n2026-01-13 07:24:03,3.5\n");
    let o = d.import(&["--signals", &file]);
    assert!(out(&o).contains("2 new"), "{}{}", out(&o), err(&o));
    let right = ["--signals", &file, "--zone", "Asia/Tokyo"];
    let o = d.import(&right);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("with other times, read with --zone 'UTC'"), "{}", err(&o));
    assert_eq!(d.readings("temperature.attic").len(), 2);
    let o = d.import(&["--signals", &file, "--zone", "UTC", "--take-back"]);
    assert!(out(&o).contains("2 taken out, 0 not there"), "{}{}", out(&o), err(&o));
    assert!(out(&d.import(&right)).contains("2 new"));
    assert_eq!(d.readings("temperature.attic"), [(T, 4.0), (T + 600_000, 3.5)]);
}

#[test]
fn a_running_agent_takes_it_in() {
    let mut a = Setting::new("field = \"orchard pier\"\n[agent]\nevery = \"200 ms\"\n").start();
    let d = Desk::new();
    let mut text = String::from("time,temperature.shed\n");
    for m in 0..5000_i64 {
        let t = jiff::Timestamp::from_millisecond(T + m * 60_000).unwrap();
        text += &format!("{t},{:.1}\n", (m % 97) as f64 * 0.1);
    }
    let shed = d.put("shed.csv", &text);
    let list = d.put(
        "faults.csv",
        "start,end,name\n2026-01-12T23:00:00Z,2026-01-12T23:10:00Z,camera\n2026-01-13T23:00:00Z,,mount\n",
    );
    let url = format!("http://{}", a.address);
    let call = || a.tilldawn(&["import", "--at", &url, "--signals", &shed, "--faults", &list]);
    let o = call();
    assert!(o.status.success(), "{}{}", err(&o), a.log());
    assert!(out(&o).contains("5000 new, 0 there already") && out(&o).contains("2 new, 0 there"), "{}", out(&o));
    let o = call();
    assert_eq!(out(&o).matches("nothing changes").count(), 2, "{}", out(&o));
    let notes = a.json("/api/v1/imports");
    assert_eq!(notes["imports"].as_array().map(Vec::len), Some(2), "{notes}");
    assert_eq!(
        (&notes["imports"][0]["source"], &notes["imports"][0]["summary"]["entries"]),
        (&"shed.csv".into(), &5000.into())
    );
    // The same content with another shift is refused here as well.
    let o = a.tilldawn(&["import", "--at", &url, "--signals", &shed, "--shift", "7 min"]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("read with --shift '0 s'"), "{}", err(&o));
    let got = a.json(&format!("/api/v1/signals/temperature.shed?from={T}&to={}&points=1", T + 5000 * 60_000));
    assert_eq!((&got["buckets"][0]["count"], &got["unit"]), (&5000.into(), &"degC".into()));
    // Taken back, and brought in anew.
    let o = a.tilldawn(&["import", "--at", &url, "--signals", &shed, "--faults", &list, "--take-back"]);
    assert!(out(&o).contains("5000 taken out, 0 not there") && out(&o).contains("2 taken out, 0 not"), "{}", out(&o));
    let got = a.json(&format!("/api/v1/signals/temperature.shed?from={T}&to={}&points=1", T + 5000 * 60_000));
    assert_eq!(got["buckets"][0]["count"], 0, "{got}");
    assert!(out(&call()).contains("5000 new, 0 there already"));
    // Straight into the store while the agent holds it: refused, with the way out.
    let o = a.tilldawn(&["import", "--store", a.store.to_str().unwrap(), "--signals", &shed]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("--at"), "{}", err(&o));
    // The API by itself: what is no part is refused and says why.
    for (body, word) in [
        (r#"{}"#, "exactly one"),
        (r#"{"readings":{"signal":"temperature.shed","unit":"furlong","values":[[1,2]]}}"#, "unit"),
        (r#"{"readings":{"signal":"temperature.shed","unit":"degC","values":[]}}"#, "1 to"),
        (r#"{"readings":{"signal":"temperature.shed","unit":"degC","values":[[-1,2]]}}"#, "milliseconds"),
        (r#"{"faults":[{"from":5,"to":4,"name":"x"}]}"#, "end before"),
        (r#"{"note":{"source":"x","digest":"12","summary":{}}}"#, "digest"),
    ] {
        let r = a.post("/api/v1/imports", &serde_json::from_str::<Value>(body).unwrap());
        assert!((400..500).contains(&r.status) && r.body.contains(word), "{body}: {} {}", r.status, r.body);
    }
    let _ = BOUND;
    assert!(a.stop().success());
}

/// Zip, gzip and the like by their first bytes (PKWARE APPNOTE 4.3.7; RFC 1952 section 2.3.1).
fn ugly() -> Vec<(&'static str, Vec<u8>)> {
    let t = |s: &str| s.as_bytes().to_vec();
    let utf16 = |s: &str, big: bool, mark: bool| -> Vec<u8> {
        let units = mark.then_some(0xFEFF).into_iter().chain(s.encode_utf16());
        units.flat_map(|u: u16| if big { u.to_be_bytes() } else { u.to_le_bytes() }).collect()
    };
    let row = "2026-01-12T22:14:03Z,-3.2\n";
    let plain = format!("time,temperature.box\n{row}");
    let mut long_line = t("time,temperature.box\n2026-01-12T22:14:03Z,1\n2026-01-12T22:15:03Z,");
    long_line.extend(std::iter::repeat_n(b'9', 10 << 20));
    long_line.extend(b"\n2026-01-12T22:16:03Z,2\n");
    let mut long_head = t("time,temperature.box,");
    long_head.extend(std::iter::repeat_n(b'x', 10 << 20));
    long_head.extend(b"\n2026-01-12T22:14:03Z,1,2\n");
    let mut many_columns = t("time");
    (0..20_000).for_each(|i| many_columns.extend(format!(",c{i}").bytes()));
    many_columns.push(b'\n');
    let noise: Vec<u8> = (0..5000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    vec![
        ("empty", vec![]),
        ("only a byte-order mark", vec![0xEF, 0xBB, 0xBF]),
        ("one line end", t("\n")),
        ("blank lines", t("\n \n\t\n")),
        ("only a heading", t("time,temperature.box\n")),
        ("a heading without line end", t("time,temperature.box")),
        ("one column", t("time\n2026-01-12T22:14:03Z\n")),
        ("one column of numbers", t("1\n2\n3\n")),
        ("no column of time", t("when,temperature.box\n2026-01-12T22:14:03Z,1\n")),
        ("no known signal", t("time,foo bar,baz\n2026-01-12T22:14:03Z,1,2\n")),
        ("two columns of one signal", t("time,temperature.box,temperature.box\n2026-01-12T22:14:03Z,1,2\n")),
        ("a unit that does not fit", t("time,temperature.box (dBm)\n2026-01-12T22:14:03Z,1\n")),
        ("prose", t("Dear diary, last night was cold.\nThe mount, again, failed.\n")),
        ("html", t("<!DOCTYPE html>\n<html><body><table><tr><td>1</td></tr></table></body></html>\n")),
        ("json", t("{\"time\": \"2026-01-12T22:14:03Z\", \"temperature.box\": 1}\n")),
        ("xml", t("<?xml version=\"1.0\"?>\n<row time=\"2026\"/>\n")),
        ("zip", t("PK\x03\x04\x14\x00\x00\x00")),
        ("empty zip", t("PK\x05\x06\x00\x00")),
        ("gzip", vec![0x1f, 0x8b, 8, 0, 0, 0]),
        ("sqlite", t("SQLite format 3\0\0\0")),
        ("pdf", t("%PDF-1.7\n%\u{e2}\n")),
        ("png", vec![0x89, b'P', b'N', b'G', 13, 10, 26, 10, 0, 0, 0, 13]),
        ("noise", noise),
        ("zeros", vec![0; 4096]),
        ("a zero in the middle", t("time,temperature.box\n2026-01-12T22:14:03Z,1\0\n")),
        ("utf-16 with mark", utf16(&plain, false, true)),
        ("utf-16 big-endian with mark", utf16(&plain, true, true)),
        ("utf-16 without mark", utf16(&plain, false, false)),
        ("half a utf-16 unit", {
            let mut b = utf16(&plain, false, true);
            b.pop();
            b
        }),
        ("latin-1", "time;temperature.box (°C)\n2026-01-12T22:14:03Z;4,5\n".chars().map(|c| c as u8).collect()),
        (
            "bad utf-8",
            [b"time,temperature.box\n2026-01-12T22:14:03Z,1\n2026-01-12T22:15:03Z,\xff\xfe\n".as_slice()].concat(),
        ),
        ("old line ends", t("time,temperature.box\r2026-01-12T22:14:03Z,1\r")),
        ("mixed line ends", t("time,temperature.box\r\n2026-01-12T22:14:03Z,1\n2026-01-12T22:15:03Z,2\r")),
        (
            "mixed zones",
            t(
                "time,temperature.box\n2026-01-12T22:14:03Z,1\n2026-01-12T23:15:03+01:00,2\n2026-01-12 22:16:03,3\n2026-01-12T15:17:03-07:00,4\n",
            ),
        ),
        ("29 February of a leap year", t("time,temperature.box\n2024-02-29T22:14:03Z,1\n")),
        ("29 February of a common year", t("time,temperature.box\n2026-02-28T22:14:03Z,1\n2026-02-29T22:14:03Z,1\n")),
        ("31 April", t("time,temperature.box\n2026-04-31T22:14:03Z,1\n")),
        ("hour 24 and 25", t("time,temperature.box\n2026-01-12T24:00:00Z,1\n2026-01-12T25:00:00Z,1\n")),
        ("a leap second", t("time,temperature.box\n2016-12-31T23:59:60Z,1\n")),
        (
            "the repeated autumn hour",
            t("time,temperature.box\n2026-10-25 02:10:00,1\n2026-10-25 02:50:00,2\n2026-10-25 02:10:00,3\n"),
        ),
        ("the missing spring hour", t("time,temperature.box\n2026-03-29 01:50:00,1\n2026-03-29 02:30:00,2\n")),
        ("times before 1970", t("time,temperature.box\n1969-12-31T23:59:59Z,1\n")),
        ("times after 2100", t("time,temperature.box\n2101-01-01T00:00:00Z,1\n")),
        ("year zero and 99999", t("time,temperature.box\n0000-01-01T00:00:00Z,1\n99999-01-01T00:00:00Z,1\n")),
        ("american dates", t("time,temperature.box\n01/12/2026 10:14 PM,1\n")),
        ("seconds since 1970", t("time,temperature.box\n1768256043,1\n")),
        ("spreadsheet days", t("time,temperature.box\n46034.926,1\n")),
        ("empty times", t("time,temperature.box\n,1\n,2\n")),
        (
            "not numbers",
            t(
                "time,temperature.box\n2026-01-12T22:14:03Z,NaN\n2026-01-12T22:15:03Z,nan\n2026-01-12T22:16:03Z,N/A\n2026-01-12T22:17:03Z,1\n",
            ),
        ),
        ("only not numbers", t("time,temperature.box\n2026-01-12T22:14:03Z,NaN\n")),
        (
            "infinite",
            t(
                "time,temperature.box\n2026-01-12T22:14:03Z,inf\n2026-01-12T22:15:03Z,-Infinity\n2026-01-12T22:16:03Z,1e999\n",
            ),
        ),
        (
            "huge and tiny",
            t(
                "time,temperature.box\n2026-01-12T22:14:03Z,1e308\n2026-01-12T22:15:03Z,-1e308\n2026-01-12T22:16:03Z,1e-320\n",
            ),
        ),
        ("hexadecimal", t("time,temperature.box\n2026-01-12T22:14:03Z,0x1F\n")),
        ("a thousand's comma", t("time;temperature.box\n2026-01-12T22:14:03Z;1,234,5\n")),
        ("an overload word", t("time,temperature.box\n2026-01-12T22:14:03Z,OL\n2026-01-12T22:15:03Z,Err\n")),
        ("a unit in the cell", t("time,temperature.box\n2026-01-12T22:14:03Z,4.5 °C\n")),
        ("the minus sign of print", "time,temperature.box\n2026-01-12T22:14:03Z,−4.5\n".bytes().collect()),
        ("too many cells", t("time,temperature.box\n2026-01-12T22:14:03Z,1,2,3\n")),
        ("too few cells", t("time,temperature.box,load.cpu\n2026-01-12T22:14:03Z\n")),
        (
            "a quote that never ends",
            t("time,temperature.box\n2026-01-12T22:14:03Z,1\n\"2026-01-12T22:15:03Z,2\n2026-01-12T22:16:03Z,3\n"),
        ),
        (
            "quotes inside",
            t("time,\"temperature.box\"\n\"2026-01-12T22:14:03Z\",\"1\"\n2026-01-12T22:15:03Z,\"\"\"2\"\"\"\n"),
        ),
        ("tabs", t("time\ttemperature.box\n2026-01-12T22:14:03Z\t1\n")),
        ("bars", t("time|temperature.box\n2026-01-12T22:14:03Z|1\n")),
        ("twice the same instant", t("time,temperature.box\n2026-01-12T22:14:03Z,1\n2026-01-12T22:14:03Z,2\n")),
        ("backwards", t("time,temperature.box\n2026-01-12T22:15:03Z,1\n2026-01-12T22:14:03Z,2\n")),
        (
            "a second heading in the middle",
            t("time,temperature.box\n2026-01-12T22:14:03Z,1\ntime,temperature.box\n2026-01-12T22:15:03Z,2\n"),
        ),
        ("a sum line at the end", t("time,temperature.box\n2026-01-12T22:14:03Z,1\nTotal,1\n")),
        ("control characters", t("time,temperature.box\n2026-01-12T22:14:03Z,1\n\u{1b}[2J\u{7},2\n")),
        ("a path as a signal", t("time,../../etc/passwd\n2026-01-12T22:14:03Z,1\n")),
        ("a formula", t("time,temperature.box\n2026-01-12T22:14:03Z,=1+1\n")),
        ("a line of 10 MB", long_line),
        ("a heading of 10 MB", long_head),
        ("twenty thousand columns", many_columns),
    ]
}

/// What a reader of CSV that is not ours makes of well-formed rows is compared elsewhere; here nothing may be lost in silence: every
/// data row is taken, listed with its line, or said in a note, or the whole file is refused in words.
#[test]
fn ugly_files_are_refused_or_listed_and_never_lost() {
    let all = ugly();
    assert!(all.len() >= 60, "{}", all.len());
    for (what, bytes) in &all {
        for faults in [false, true] {
            let d = Desk::new();
            let file = d.put("ugly.csv", bytes);
            let o = d.import(&[if faults { "--faults" } else { "--signals" }, &file, "--zone", "Europe/Berlin"]);
            let (said, complained) = (out(&o), err(&o));
            assert!(!complained.contains("panicked"), "{what}: {complained}");
            assert!(!complained.contains("\u{1b}["), "{what}: control characters reach the terminal");
            match o.status.code() {
                Some(2) => {
                    assert!(
                        complained.contains("ugly.csv") && complained.contains("nothing was brought in"),
                        "{what}: {complained}"
                    );
                    assert!(complained.trim().len() > 40, "{what}: {complained}");
                    assert!(!d.store().exists(), "{what}: a refused file leaves no store");
                }
                Some(0) => {
                    assert!(!faults, "{what}: {said}");
                    accounted(what, &said, &complained, d.readings("temperature.box").len());
                }
                other => panic!("{what}: {other:?} {said}{complained}"),
            }
            assert!(complained.len() < 200_000, "{what}: {} bytes of complaint", complained.len());
        }
    }
}

/// Rows read = readings kept + rows listed + cells noted.
fn accounted(what: &str, said: &str, complained: &str, kept: usize) {
    let before = |word: &str| -> usize {
        let i = said.find(word).map(|i| &said[..i]).unwrap_or_default();
        i.rsplit([' ', '\n']).next().and_then(|n| n.parse().ok()).unwrap_or(0)
    };
    let rows = before(" rows").max(before(" row"));
    let noted = before(" empty cells") + before(" repeated readings");
    let listed = complained.lines().filter(|l| l.trim_start().starts_with("line ")).count();
    assert!(
        kept + listed + noted >= rows && rows > 0,
        "{what}: {rows} rows, {kept} kept, {listed} listed, {noted} noted\n{said}{complained}"
    );
}

#[test]
fn what_cannot_be_read_and_bad_words_say_the_way_out() {
    let d = Desk::new();
    let good = d.put("good.csv", "time,load.cpu\n2026-01-12T22:14:03Z,4\n");
    let folder = d.dir.path().to_str().unwrap().to_string();
    for (words, part) in [
        (vec!["--signals", "/no/such.csv"], "/no/such.csv"),
        (vec!["--signals", &folder], "folder"),
        (vec!["--signals", &good, "--zone", "Mars/Olympus"], "Europe/Oslo"),
        (vec!["--signals", &good, "--time-format", "%Q"], "%d.%m.%Y"),
        (vec!["--signals", &good, "--time-format", "%H:%M"], "date"),
        (vec!["--signals", &good, "--holds", "soon"], "length of time"),
        (vec!["--signals", &good, "--shift", "later"], "length of time"),
        (vec!["--signals", &good, "--map", "x"], "COLUMN=SIGNAL"),
        (vec!["--signals", &good, "--map", "Temp=temperature.box"], "no column `Temp`"),
        (vec!["--signals", &good, "--skip-lines", "9"], "only 3 lines"),
        (vec![], "--signals"),
    ] {
        let o = d.import(&words);
        assert_eq!(o.status.code(), Some(2), "{words:?}");
        assert!(err(&o).contains(part), "{words:?}: {}", err(&o));
    }
    assert!(!d.store().exists());
    let other: &Path = &d.dir.path().join("season.db");
    fs::write(other, "this is a letter, no store").unwrap();
    let o = d.import(&["--signals", &good]);
    assert!(err(&o).contains("not a store of this program"), "{}", err(&o));
    assert_eq!(fs::read_to_string(other).unwrap(), "this is a letter, no store");
}
