//! Many nights on the built binary: published data through the command line, and imported nights as a season.

use super::harness::{Setting, tilldawn};
use serde_json::Value;
use std::path::Path;
use std::process::Output;

fn said(o: &Output) -> String {
    assert!(o.status.success(), "{}\n{}", String::from_utf8_lossy(&o.stdout), String::from_utf8_lossy(&o.stderr));
    String::from_utf8(o.stdout.clone()).unwrap()
}

fn nights(dir: &Path, store: &str, more: &[&str]) -> Value {
    let o = tilldawn(dir, &[&["nights", "--store", store, "--as", "json"][..], more].concat());
    serde_json::from_str(&said(&o)).unwrap()
}

/// Temperature at launch in °F and whether an O-ring showed distress, in the order of the flights: Dalal, Fowlkes and Hoadley 1989,
/// J. Am. Stat. Assoc. 84:945–957, table 1.
const FLIGHTS: [(i32, bool); 23] = [
    (66, false),
    (70, true),
    (69, false),
    (68, false),
    (67, false),
    (72, false),
    (73, false),
    (70, false),
    (57, true),
    (63, true),
    (70, true),
    (78, false),
    (67, false),
    (53, true),
    (67, false),
    (75, false),
    (70, false),
    (81, false),
    (76, false),
    (79, false),
    (75, true),
    (76, false),
    (58, true),
];

/// Each flight as a night of six hours at one temperature; distress as a fault at its end, so that all nights weigh alike.
fn flights(dir: &Path) -> String {
    let (mut signals, mut faults) = (String::from("when;Temp (F)\n"), String::from("start,end,name,kind\n"));
    for (k, (f, distress)) in FLIGHTS.iter().enumerate() {
        let from = jiff::civil::date(1983, 1, 1).saturating_add(jiff::Span::new().days(k as i64)).at(18, 0, 0, 0);
        for q in 0..12_i64 {
            let t = from.saturating_add(jiff::Span::new().minutes(30 * q));
            signals += &format!("{}Z;{f}\n", t.strftime("%Y-%m-%dT%H:%M:%S"));
        }
        if *distress {
            let t = from.saturating_add(jiff::Span::new().hours(6)).strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
            faults += &format!("{t},{t},ring,device\n");
        }
    }
    let (a, b) = (dir.join("flights.csv"), dir.join("distress.csv"));
    std::fs::write(&a, signals).unwrap();
    std::fs::write(&b, faults).unwrap();
    let store = dir.join("flights.db").to_str().unwrap().to_string();
    let o = tilldawn(
        dir,
        &[
            "import",
            "--store",
            &store,
            "--signals",
            a.to_str().unwrap(),
            "--faults",
            b.to_str().unwrap(),
            "--map",
            "when=time",
            "--map",
            "Temp (F)=temperature.outside:degF",
        ],
    );
    assert!(o.status.success(), "{}", String::from_utf8_lossy(&o.stderr));
    store
}

#[test]
fn the_o_ring_flights_give_the_published_fit() {
    let dir = tempfile::tempdir().unwrap();
    let store = flights(dir.path());
    let r = nights(dir.path(), &store, &[]);
    let all = r["nights"].as_array().unwrap();
    assert_eq!(all.len(), 23);
    assert_eq!(all.iter().filter(|n| n["kind"] == "trouble").count(), 7);
    for n in all {
        assert_eq!((n["session_hours"].as_f64(), n["at_risk_hours"].as_f64()), (Some(6.0), Some(6.0)), "{n}");
        assert_eq!(n["hours_with_readings_stand_for_the_session"], true);
        assert!(n["dark_hours"].is_null());
    }
    assert!(r["rests_on"][0].as_str().unwrap().contains("the hours with readings stand for it"), "{}", r["rests_on"]);
    assert!(r["rests_on"][1].as_str().unwrap().contains("No site is set"), "{}", r["rests_on"]);
    let cause = |signal: &str| {
        let all = r["causes"].as_array().unwrap().iter();
        all.into_iter()
            .find(|c| c["signal"] == signal && c["kind"] == "all")
            .unwrap_or_else(|| panic!("{:#}", r["causes"]))
            .clone()
    };
    let c = cause("temperature.outside");
    let m = &c["night_model"];
    let f = |v: &Value| v.as_f64().unwrap_or_else(|| panic!("{c:#}"));
    // Published: −0.2322 per °F, intercept 15.0429, half level 64.8 °F. Kept in °C to the thousandth.
    assert!((f(&m["slope_unpenalised"]) / 1.8 + 0.2322).abs() < 1e-4, "{m}");
    assert!((f(&m["intercept_unpenalised"]) - (15.0429 - 32.0 * 0.2322)).abs() < 0.01, "{m}");
    assert!((f(&m["half_point"]) * 1.8 + 32.0 - 64.8).abs() < 0.05, "{m}");
    assert_eq!(c["direction"], "below");
    assert!(f(&m["slope"]).abs() < f(&m["slope_unpenalised"]).abs(), "the penalty draws towards nought: {m}");
    // The best cut of the 23 flights, below 65 °F: 4 of 4 against 3 of 19, and its exact probability by changing all flights about
    // (counted out in `tests/data/checks/best_cut.json`); here by 2,000 draws, four standard errors either way.
    let exact = exact_p();
    let p = f(&c["p_value"]);
    assert!((p - exact).abs() < 4.0 * (exact * (1.0 - exact) / 2000.0).sqrt() + 1e-3, "{p} against {exact}");
    let t = f(&c["threshold"]) * 1.8 + 32.0;
    assert!((63.0..66.0).contains(&t), "{t}");
    // The same store gives the same answer.
    assert_eq!(r["causes"], nights(dir.path(), &store, &[])["causes"]);
    // Other ways of writing it.
    let text = said(&tilldawn(dir.path(), &["nights", "--store", &store]));
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.contains("7 faults on 7 of 23 nights") && text.contains("For the statistician"), "{text}");
    let html = said(&tilldawn(dir.path(), &["nights", "--store", &store, "--as", "html"]));
    assert!(
        html.starts_with("<!DOCTYPE html>")
            && html.contains("<svg")
            && !html.contains("<script")
            && !html.contains("style=\"")
    );
}

fn exact_p() -> f64 {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/checks/best_cut.json");
    let all: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    fn find(v: &Value) -> Option<f64> {
        match v {
            Value::Object(o) if o.get("id").is_some_and(|i| i == "e-oring") => {
                let p = v.pointer("/expected/two_sided/p")?;
                p.as_f64().or_else(|| p.get("value")?.as_f64()).or_else(|| p.as_str()?.parse().ok())
            }
            Value::Object(o) => o.values().find_map(find),
            Value::Array(a) => a.iter().find_map(find),
            _ => None,
        }
    }
    find(&all).expect("the case of the 23 flights")
}

#[test]
fn faults_without_end_lose_the_rest_of_their_night() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a.csv"), dir.path().join("b.csv"));
    let mut text = String::from("time,temperature.outside\n");
    for night in 0..3 {
        for m in 0..48 {
            let t = jiff::Timestamp::from_second(1_768_240_800 + night * 86_400 + m * 600).unwrap();
            text += &format!("{t},{}\n", 5 - night);
        }
    }
    std::fs::write(&a, text).unwrap();
    // 2026-01-12 18:00 UTC is the beginning; one fault lasts half an hour, one takes the rest, one lies far outside.
    std::fs::write(
        &b,
        "start,end,name\n2026-01-12T20:00:00Z,2026-01-12T20:30:00Z,camera\n2026-01-13T22:00:00Z,,mount\n2026-01-20T22:00:00Z,,mount\n",
    )
    .unwrap();
    let store = dir.path().join("s.db").to_str().unwrap().to_string();
    let import = |more: &[&str]| {
        let words = ["import", "--store", &store, "--signals", a.to_str().unwrap(), "--faults", b.to_str().unwrap()];
        said(&tilldawn(dir.path(), &[&words[..], more].concat()))
    };
    import(&["--zone", "Europe/Oslo", "--holds", "10 min"]);
    let r = nights(dir.path(), &store, &[]);
    assert_eq!(r["zone"], "Europe/Oslo");
    let hours: Vec<(f64, f64, u64)> = r["nights"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| {
            (n["session_hours"].as_f64().unwrap(), n["at_risk_hours"].as_f64().unwrap(), n["faults"].as_u64().unwrap())
        })
        .collect();
    assert_eq!(&hours[..3], [(8.0, 7.5, 1), (8.0, 4.0, 1), (8.0, 8.0, 0)], "{r:#}");
    assert_eq!(hours.last(), Some(&(0.0, 0.0, 1)));
    assert!(r["rests_on"].to_string().contains("1 fault lies outside"), "{}", r["rests_on"]);
    // Without a kind it is of no kind, and counted so.
    assert_eq!(r["nights"][0]["fault_list"][0]["kind"], "other");
    let later = nights(dir.path(), &store, &["--since", "2026-01-13"]);
    assert_eq!(later["nights"][0]["night"], "2026-01-13");
    for (words, part) in [
        (vec!["--since", "yesterday"], "yesterday"),
        (vec!["--suspect", "temperature.moon"], "no signal `temperature.moon`"),
        (vec!["--zone", "Mars"], "no time zone"),
    ] {
        let o = tilldawn(dir.path(), &[&["nights", "--store", &store][..], &words].concat());
        assert_eq!(o.status.code(), Some(2), "{words:?}");
        assert!(String::from_utf8_lossy(&o.stderr).contains(part), "{words:?}");
    }
}

#[test]
fn a_store_without_nights_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let o = tilldawn(dir.path(), &["nights", "--store", "/no/such.db"]);
    assert_eq!(o.status.code(), Some(2));
    let a = dir.path().join("a.csv");
    std::fs::write(&a, "start,end,name\n2026-01-12T20:00:00Z,2026-01-12T20:30:00Z,camera\n").unwrap();
    let store = dir.path().join("s.db").to_str().unwrap().to_string();
    said(&tilldawn(dir.path(), &["import", "--store", &store, "--faults", a.to_str().unwrap()]));
    let text = said(&tilldawn(dir.path(), &["nights", "--store", &store]));
    assert!(text.contains("1 fault on 1 of 1 night"), "{text}");
}

#[test]
fn a_copy_of_the_store_is_read_in_the_zone_of_the_field_pc() {
    // The field PC's own zone, which its configuration does not state; the reader's is another one.
    let mut setting = Setting::new("");
    setting.env.push(("TZ".into(), "America/Denver".into()));
    let mut agent = setting.start();
    assert!(agent.stop().success());
    let store = agent.store.to_str().unwrap();
    assert_eq!(nights(&agent.folder, store, &[])["zone"], "America/Denver");
    let o = tilldawn(&agent.folder, &["report", "--night", "last", "--as", "json", "--store", store]);
    let v: Value = serde_json::from_str(&said(&o)).unwrap();
    assert_eq!(v["night"]["zone"], "America/Denver");
    // Noon there is 18:00 or 19:00 UTC.
    let noon = v["night"]["from"].as_str().unwrap();
    assert!(noon.contains("T18:00:00") || noon.contains("T19:00:00"), "{noon}");
}
