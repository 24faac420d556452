//! Reports on the built binary: every form, read by others than ourselves.

use super::harness::tilldawn;
use super::orchard::{self, Shape};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Runs a program that the tests need, and fails with the way to get it.
fn needed(what: &str, c: &mut Command) -> Output {
    c.output()
        .unwrap_or_else(|e| panic!("{what} does not run: {e}; `bash tests/run --needs` installs what the tests need"))
}

fn said(o: &Output) -> String {
    assert!(o.status.success(), "{}\n{}", String::from_utf8_lossy(&o.stdout), String::from_utf8_lossy(&o.stderr));
    String::from_utf8(o.stdout.clone()).unwrap()
}

fn store(dir: &Path) -> String {
    let path = dir.join("orchard.db");
    orchard::write(&path, &Shape { signals: 17, step: 20_000, earlier: 21 });
    path.to_str().unwrap().to_string()
}

#[test]
fn a_night_is_told_in_every_form() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path());
    let text = said(&tilldawn(dir.path(), &["report", "--store", &store]));
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    for words in [
        "night of 12 January 2026",
        "INVENTED DATA",
        "3 faults cost",
        "One short break lost nothing.",
        "contact of a USB cable (the record points to it)",
        "+ 1.4 s       mount program  ended (code 1)",
        "stood out against 150 fault-free ten minutes",
    ] {
        assert!(text.contains(words), "no `{words}` in\n{text}");
    }
    // The same by its date, into a file; a night that never was; a store that is not there.
    let out = dir.path().join("report.json");
    let file = out.to_str().unwrap();
    said(&tilldawn(dir.path(), &["report", "--store", &store, "--night", "2026-01-12", "--as", "json", "--out", file]));
    let json: Value = serde_json::from_str(&std::fs::read_to_string(&out).unwrap()).unwrap();
    assert_eq!(json["totals"]["faults"], 3);
    assert_eq!(json["incidents"][1]["cascade"][1]["offset_milliseconds"], 1400);
    valid(&out);
    for (night, words) in
        [("2025-06-01", "Nothing was recorded in the night of 1 June 2025"), ("2026-01-11", "Nothing failed.")]
    {
        let text = said(&tilldawn(dir.path(), &["report", "--store", &store, "--night", night]));
        let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flowing.contains(words), "{text}");
        said(&tilldawn(dir.path(), &["report", "--store", &store, "--night", night, "--as", "json", "--out", file]));
        valid(&out);
    }
    let bad = tilldawn(dir.path(), &["report", "--store", &store, "--night", "yesterday"]);
    assert_eq!(bad.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&bad.stderr).contains("`yesterday` is no night: expected the evening's date"));
    let missing = tilldawn(dir.path(), &["report", "--store", "/no/such.db"]);
    assert_eq!(missing.status.code(), Some(2));

    let one = said(&tilldawn(dir.path(), &["incident", "2", "--store", &store]));
    assert!(one.starts_with("incident 2") && one.contains("failed first  mount cable"), "{one}");
    let last: Value =
        serde_json::from_str(&said(&tilldawn(dir.path(), &["incident", "last", "--as", "json", "--store", &store])))
            .unwrap();
    assert_eq!((&last["id"], &last["reasons"][0]["code"]), (&4.into(), &"program_crashed".into()));
    let none = tilldawn(dir.path(), &["incident", "99", "--store", &store]);
    assert_eq!(none.status.code(), Some(2));
}

/// In a store that no agent holds (copied home, or the agent stopped), marks are written into the store itself.
#[test]
fn what_a_person_knows_is_noted() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path());
    let note = |words: &[&str]| tilldawn(dir.path(), &[&["note", "--store", &store], words].concat());
    let faults = || -> Value {
        let json = said(&tilldawn(dir.path(), &["report", "--store", &store, "--as", "json"]));
        serde_json::from_str::<Value>(&json).unwrap()["totals"].clone()
    };
    assert_eq!(said(&note(&["last", "cloud", "thick", "fog"])).trim(), "incident 4 marked: cloud");
    assert_eq!((&faults()["faults"], &faults()["marked"]), (&2.into(), &1.into()));
    let text = said(&tilldawn(dir.path(), &["incident", "4", "--store", &store]));
    assert!(text.contains("Marked as cloud on") && text.contains(": \"thick fog\"."), "{text}");
    assert_eq!(said(&note(&["4", "--take-back"])).trim(), "mark of incident 4 taken back");
    assert_eq!(faults()["faults"], 3);
    for (words, why) in [
        (&["99", "test"][..], "there is no incident `99`"),
        (&["one", "test"], "`one` is no incident"),
        (&["4"], "<MARK|--take-back>"),
        (&["4", "rain"], "invalid value 'rain'"),
    ] {
        let o = note(words);
        assert_eq!(o.status.code(), Some(2), "{words:?}");
        let said = String::from_utf8_lossy(&o.stderr).into_owned();
        assert!(said.contains(why) || (words.len() == 1 && said.contains("required")), "{said}");
    }
}

/// Checked by a general-purpose JSON Schema library (Python's `jsonschema`) against the documented layout.
fn valid(report: &Path) {
    let check = "import json, sys\nfrom jsonschema import Draft202012Validator, FormatChecker\n\
                 schema, report = (json.load(open(p)) for p in sys.argv[1:])\n\
                 Draft202012Validator.check_schema(schema)\n\
                 for e in Draft202012Validator(schema, format_checker=FormatChecker()).iter_errors(report): sys.exit(f'{e.json_path}: {e.message}')\n";
    let python = root().join("tests/.cache/venv/bin/python");
    let o = needed(
        "the Python of the tests",
        Command::new(python).args(["-c", check]).arg(root().join("src/report/morning-report.schema.json")).arg(report),
    );
    said(&o);
}

/// Read back by Python's own reader of CSV.
#[test]
fn readings_taken_out_are_read_by_others() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path());
    let out = dir.path().join("night.csv");
    let file = out.to_str().unwrap();
    let told = said(&tilldawn(
        dir.path(),
        &["export", "--store", &store, "--night", "last", "--signals", "temperature.*,load.cpu", "--out", file],
    ));
    // Twelve hours, a reading every 20 s.
    assert_eq!(told.trim(), "2160 rows of 4 signals, night of 2026-01-12");
    let read = "import csv, sys\nfrom datetime import datetime, timezone\n\
                rows = list(csv.reader(open(sys.argv[1], newline=''), strict=True))\n\
                head, rows = rows[0], rows[1:]\n\
                assert head == ['time [UTC]', 'load.cpu [percent]', 'temperature.box [degC]', 'temperature.core [degC]', 'temperature.outside [degC]'], head\n\
                times = [datetime.fromisoformat(r[0].replace('Z', '+00:00')) for r in rows]\n\
                assert times[0] == datetime(2026, 1, 12, 17, tzinfo=timezone.utc), times[0]\n\
                assert all((b - a).total_seconds() == 20 for a, b in zip(times, times[1:]))\n\
                box = [float(r[2]) for r in rows]\n\
                assert all(8.9 <= v <= 14.4 and abs(v * 10 - round(v * 10)) < 1e-9 for v in box)\n\
                raw = open(sys.argv[1], 'rb').read()\n\
                assert raw.count(b'\\r\\n') == len(rows) + 1 and raw.endswith(b'\\r\\n') and raw.count(b'\\n') == len(rows) + 1\n\
                print(len(rows))\n";
    let python = root().join("tests/.cache/venv/bin/python");
    assert_eq!(
        said(&needed("the Python of the tests", Command::new(python).args(["-c", read]).arg(&out))).trim(),
        "2160"
    );

    let minutes =
        said(&tilldawn(dir.path(), &["export", "--store", &store, "--every", "10 min", "--signals", "load.*"]));
    assert_eq!(minutes.lines().count(), 72 + 1);
    let none = tilldawn(dir.path(), &["export", "--store", &store, "--signals", "humidity.*"]);
    assert_eq!(none.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&none.stderr).contains("no signal fits `humidity.*`"));
}

#[test]
fn the_file_opens_on_desk_phone_and_paper() {
    let dir = tempfile::tempdir().unwrap();
    let store = store(dir.path());
    let html = dir.path().join("report.html");
    said(&tilldawn(dir.path(), &["report", "--store", &store, "--as", "html", "--out", html.to_str().unwrap()]));
    let mut node = Command::new("node");
    node.arg(root().join("tests/browser/report.mjs")).arg(&html).arg(dir.path());
    let found: Value = serde_json::from_str(&said(&needed("node with its packages", &mut node))).unwrap();
    assert_eq!(found["console"], Value::Array(vec![]), "{found:#}");
    assert_eq!(found["errors"], Value::Array(vec![]), "{found:#}");
    // One request for each time the file itself was opened; nothing leaves it.
    let own = format!("file://{}", html.display());
    for r in found["requests"].as_array().unwrap() {
        assert_eq!(r.as_str(), Some(own.as_str()));
    }
    let pictures = found["desk"]["pictures"].as_u64().unwrap();
    assert!(pictures >= 5, "{found:#}");
    assert_eq!(found["desk"]["wide"], pictures);
    assert_eq!((&found["phone"]["pictures"], &found["phone"]["tall"]), (&pictures.into(), &pictures.into()));
    assert_eq!(found["phone"]["width"], 390, "it scrolls sideways");
    assert_eq!(found["phone"]["cut"], Value::Array(vec![]));
    // Text in the pictures at reading size; 12 px is the size of small print on a phone (common practice, no source).
    assert!(found["phone"]["smallestText"].as_f64().unwrap() >= 12.0, "{found:#}");
    let looks = &found["looks"];
    assert_eq!(looks["night"]["paper"], "rgb(0, 0, 0)");
    assert_eq!(looks["dark"], looks["night"]);
    assert_eq!(looks["darkThenDay"], looks["day"]);
    assert_eq!(
        (&looks["print"]["paper"], &looks["print"]["ink"]),
        (&"rgb(255, 255, 255)".into(), &"rgb(0, 0, 0)".into())
    );
    for format in ["A4", "Letter"] {
        no_plot_is_cut(&dir.path().join(format!("{format}.pdf")), pictures);
    }
}

/// On each printed page, as many clock axes end as headings of pictures begin: a plot cut in two would leave one of them on
/// the page before. Read by poppler's `pdftotext`.
fn no_plot_is_cut(pdf: &Path, pictures: u64) {
    let text = said(&needed("pdftotext (poppler-utils)", Command::new("pdftotext").arg("-layout").arg(pdf).arg("-")));
    let headings = ["The night", "Temperatures", "Load", "Links: time until an answer came", "Wi-Fi signal"];
    let mut axes = 0;
    for page in text.split('\x0c') {
        let begun = page.lines().filter(|l| headings.contains(&l.trim())).count();
        let ended = page.matches("local time (CET").count();
        assert_eq!(begun, ended, "a plot is cut on this page of {}:\n{page}", pdf.display());
        axes += ended as u64;
    }
    assert_eq!(axes, pictures);
}
