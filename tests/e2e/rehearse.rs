//! Invented nights on the built binary, from the rehearsal to every report; and remedies.

use super::harness::{Setting, tilldawn};
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn out(o: &Output) -> String {
    String::from_utf8_lossy(&o.stdout).into_owned()
}

fn err(o: &Output) -> String {
    String::from_utf8_lossy(&o.stderr).into_owned()
}

fn said(o: &Output) -> String {
    assert!(o.status.success(), "{}\n{}", out(o), err(o));
    out(o)
}

#[test]
fn every_report_of_a_rehearsal_says_that_it_is_invented() {
    let dir = tempfile::tempdir().unwrap();
    let run = |words: &[&str]| tilldawn(dir.path(), words);
    let store = dir.path().join("r.db");
    let file = store.to_str().unwrap();
    let told = said(&run(&["rehearse", "--nights", "8", "--store", file]));
    assert!(told.starts_with("Invented: 8 nights") && told.contains("Remedy: heating pad, low"), "{told}");
    assert!(told.lines().all(|l| l.chars().count() <= 80 || l.contains("tilldawn ")), "{told}");
    // Every command that it names works.
    for line in told.lines().filter_map(|l| l.trim().strip_prefix("tilldawn ")) {
        let o = Command::new(super::harness::BINARY)
            .args(line.split(' '))
            .current_dir(dir.path())
            .env("HOME", dir.path())
            .env("XDG_STATE_HOME", dir.path())
            .env("XDG_CONFIG_HOME", dir.path())
            .output()
            .unwrap();
        let text = said(&o);
        assert!(!text.contains("panicked"), "{line}: {text}");
        if line.starts_with("nights") || line.starts_with("report") {
            let whole = match line.split("--out ").nth(1) {
                Some(f) => std::fs::read_to_string(dir.path().join(f)).unwrap(),
                None => text,
            };
            assert!(whole.to_lowercase().contains("invented data"), "{line}: {whole}");
        }
    }
    let r: Value = serde_json::from_str(&said(&run(&["nights", "--store", file, "--as", "json"]))).unwrap();
    assert_eq!(r["invented"], true);
    let kinds: Vec<&str> = r["nights"].as_array().unwrap().iter().filter_map(|n| n["kind"].as_str()).collect();
    assert_eq!(kinds.iter().filter(|k| **k == "trouble" || **k == "quiet").count(), 8, "{kinds:?}");
    let faults: u64 = r["nights"].as_array().unwrap().iter().filter_map(|n| n["faults"].as_u64()).sum();
    assert!(faults >= 3, "{r:#}");
    for n in r["nights"].as_array().unwrap().iter().filter(|n| n["kind"] != "no session") {
        for key in ["night", "dark_hours", "session_hours", "at_risk_hours", "incidents", "minimum"] {
            assert!(!n[key].is_null(), "{key}: {n}");
        }
        assert!(n["minimum"]["temperature.box"].is_number());
        assert!(n["at_risk_hours"].as_f64() <= n["session_hours"].as_f64());
    }
    // The truth of the invented box: 9 K by the chain, 16 K more by the pad, three quarters of an hour (tolerances wide: noise).
    let t = &r["thermal"];
    let near = |key: &str, v: f64, by: f64| assert!((t[key].as_f64().unwrap() - v).abs() < by, "{key}: {t}");
    near("lift_without_heater", 9.0, 0.5);
    near("lift", 25.0, 0.7);
    near("time_constant_minutes", 45.0, 3.0);
    assert!(t["lift_se"].is_number() && t["time_constant_se"].is_number());
    assert_eq!(
        (&r["remedies"][0]["name"], &r["remedies"][0]["hindsight"]),
        (&"heating pad, low".into(), &false.into())
    );
    let remedies = said(&run(&["remedy", "list", "--store", file]));
    assert!(remedies.starts_with("1: heating pad, low") && !remedies.contains("hindsight"), "{remedies}");
    let morning: Value = serde_json::from_str(&said(&run(&["report", "--store", file, "--as", "json"]))).unwrap();
    assert_eq!(morning["invented"], true);

    // The same seed gives the same nights and the same answer, another one others.
    let told = |name: &str, seed: &str| -> Value {
        let store = dir.path().join(name);
        let file = store.to_str().unwrap();
        said(&run(&["rehearse", "--nights", "2", "--seed", seed, "--store", file]));
        let mut v: Value = serde_json::from_str(&said(&run(&["nights", "--store", file, "--as", "json"]))).unwrap();
        v["written"].take();
        v
    };
    assert_eq!(told("a.db", "5"), told("b.db", "5"));
    assert_ne!(told("c.db", "5")["nights"], told("d.db", "6")["nights"]);

    // Never beside real readings, nor the reverse.
    let o = run(&["rehearse", "--nights", "2", "--store", file]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("there already"), "{}", err(&o));
    let csv = dir.path().join("x.csv");
    std::fs::write(&csv, "time,load.cpu\n2026-01-12T22:14:03Z,4\n").unwrap();
    let o = run(&["import", "--store", file, "--signals", csv.to_str().unwrap()]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("invented data and cannot take real readings"), "{}", err(&o));
    let o = run(&["watch", "--store", file, "--listen", "127.0.0.1:0", "--for", "1 s"]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("invented data"), "{}", err(&o));
    let real = dir.path().join("real.db");
    said(&run(&["import", "--store", real.to_str().unwrap(), "--signals", csv.to_str().unwrap()]));
    let o = run(&["rehearse", "--nights", "2", "--store", real.to_str().unwrap()]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("real readings and cannot take invented data"), "{}", err(&o));
}

#[test]
fn the_season_opens_on_desk_phone_and_paper() {
    let dir = tempfile::tempdir().unwrap();
    let store = dir.path().join("r.db");
    let file = store.to_str().unwrap();
    said(&tilldawn(dir.path(), &["rehearse", "--case", "cold-contact", "--nights", "6", "--store", file]));
    let html = dir.path().join("nights.html");
    said(&tilldawn(dir.path(), &["nights", "--store", file, "--as", "html", "--out", html.to_str().unwrap()]));
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut node = Command::new("node");
    node.arg(root.join("tests/browser/report.mjs")).arg(&html).arg(dir.path());
    let o = node.output().expect("node runs; `bash tests/run --needs` installs what the tests need");
    let found: Value = serde_json::from_str(&said(&o)).unwrap();
    assert_eq!(found["console"], Value::Array(vec![]), "{found:#}");
    assert_eq!(found["errors"], Value::Array(vec![]), "{found:#}");
    let own = format!("file://{}", html.display());
    assert!(found["requests"].as_array().unwrap().iter().all(|r| r.as_str() == Some(own.as_str())), "{found:#}");
    assert_eq!(found["phone"]["width"], 390, "it scrolls sideways");
    assert_eq!(found["phone"]["cut"], Value::Array(vec![]));
    assert!(found["phone"]["smallestText"].as_f64().unwrap() >= 12.0, "{found:#}");
    assert_eq!(found["looks"]["night"]["paper"], "rgb(0, 0, 0)");
    assert_eq!(found["looks"]["print"]["ink"], "rgb(0, 0, 0)");
}

#[test]
fn remedies_are_written_down_listed_and_forgotten() {
    let dir = tempfile::tempdir().unwrap();
    let csv = dir.path().join("x.csv");
    let mut text = String::from("time,temperature.outside\n");
    for k in 0..200 {
        let t = jiff::Timestamp::from_second(1_768_240_800 + k * 1200).unwrap();
        text += &format!("{t},{}\n", (k % 7) - 3);
    }
    std::fs::write(&csv, text).unwrap();
    let store = dir.path().join("s.db");
    let file = store.to_str().unwrap();
    said(&tilldawn(dir.path(), &["import", "--store", file, "--signals", csv.to_str().unwrap()]));
    let remedy = |words: &[&str]| tilldawn(dir.path(), &[&["remedy"], words, &["--store", file]].concat());
    assert!(said(&remedy(&["list"])).contains("No remedy is written down"));
    let told = said(&remedy(&[
        "add",
        "--name",
        "heating pad, low",
        "--since",
        "2026-01-14T18:00",
        "--zone",
        "Europe/Oslo",
        "--hard-when",
        "temperature.outside < 1 °C",
        "--anyway",
    ]));
    assert!(told.contains("remedy 1 is written down") && told.contains("judged with hindsight"), "{told}");
    assert!(told.contains("temperature.outside < 1 °C"), "{told}");
    let told = said(&remedy(&["add", "--name", "other cable", "--since", "2099-01-14"]));
    assert!(told.contains("remedy 2") && !told.contains("hindsight"), "{told}");
    let list = said(&remedy(&["list"]));
    assert!(
        list.contains("1: heating pad, low") && list.contains("2: other cable") && list.contains("hindsight"),
        "{list}"
    );
    let r: Value =
        serde_json::from_str(&said(&tilldawn(dir.path(), &["nights", "--store", file, "--as", "json"]))).unwrap();
    assert!(r["remedies"].is_array());
    assert_eq!(said(&remedy(&["remove", "2"])).trim(), "remedy 2 is forgotten");
    for (words, part) in [
        (vec!["remove", "2"], "there is no remedy `2`"),
        (vec!["add", "--name", " ", "--since", "2026-01-14"], "needs a name"),
        (vec!["add", "--name", "x", "--since", "soon"], "`soon` is no time"),
        (vec!["add", "--name", "x", "--since", "2026-01-14", "--until", "2026-01-13"], "later than its beginning"),
        (vec!["add", "--name", "x", "--since", "2026-01-14", "--hard-when", "cold"], "temperature.outside < 1 °C"),
        (
            vec!["add", "--name", "x", "--since", "2026-01-14", "--hard-when", "temperature.moon < 1"],
            "temperature.moon",
        ),
        (vec!["add", "--name", "x", "--since", "2026-01-14", "--only-nights", "2026-02-30"], "2026-02-30"),
    ] {
        let o = remedy(&words);
        assert_eq!(o.status.code(), Some(2), "{words:?}");
        assert!(err(&o).contains(part), "{words:?}: {}", err(&o));
    }
    // Through a running agent.
    let a = Setting::new("field = \"orchard pier\"\n[agent]\nevery = \"200 ms\"\n").start();
    let url = format!("http://{}", a.address);
    let at = |words: &[&str]| a.tilldawn(&[&["remedy"], words, &["--at", &url]].concat());
    let told = said(&at(&["add", "--name", "heating pad, low", "--since", "2099-01-12T18:00"]));
    assert!(told.contains("remedy 1 is written down"), "{told}");
    assert!(said(&at(&["list"])).contains("1: heating pad, low, since"));
    let o = at(&["add", "--name", "x", "--since", "2026-01-14", "--hard-when", "temperature.moon < 1"]);
    assert_eq!(o.status.code(), Some(2));
    assert!(err(&o).contains("temperature.moon"), "{}", err(&o));
    said(&at(&["remove", "1"]));
    assert!(said(&at(&["list"])).contains("No remedy"));
}
