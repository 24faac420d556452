//! What is answered, from a store with an invented night.

use crate::config::Config;
use crate::config::model::TemperatureScale;
use crate::http::auth::Scope;
use crate::http::auth::keys::KeyFile;
use crate::http::testing::{Desk, HERE, NOW, PHONE, store_with_night};
use crate::model::Live;
use std::sync::Arc;

/// A desk with a store; the writer lives as long as it.
pub async fn desk() -> (Desk, crate::store::Writer) {
    let mut path = None;
    let mut d = Desk::new(|s| {
        let p = s.state_dir.join("tilldawn.db");
        s.store = Some(p.clone());
        path = Some(p);
    });
    // No wish is met here.
    d.commands.close();
    let path = path.unwrap();
    let w = tokio::task::spawn_blocking(move || store_with_night(&path)).await.unwrap();
    (d, w)
}

#[tokio::test]
async fn a_signal_comes_in_buckets() {
    let (d, _w) = desk().await;
    let from = NOW.wall.0 - 3_600_000;
    let path = format!("/api/v1/signals/temperature.box?from={from}&to={}&points=60", NOW.wall.0);
    let v = d.get(HERE, &path, &[]).await.json();
    let b = v["buckets"].as_array().unwrap();
    assert_eq!((b.len(), v["unit"].as_str()), (60, Some("degC")));
    assert_eq!((b[0]["min"].as_f64(), b[0]["max"].as_f64(), b[0]["count"].as_i64()), (Some(0.0), Some(5.9), Some(60)));
    assert!((b[0]["mean"].as_f64().unwrap() - 2.95).abs() < 1e-9);
    // The same stretch by RFC 3339 text.
    let text = "from=2026-01-12T23:13:20Z&to=2026-01-13T00:13:20Z&points=60";
    assert_eq!(
        d.get(HERE, &format!("/api/v1/signals/temperature.box?{text}"), &[]).await.json()["buckets"],
        v["buckets"]
    );
    // Before the record nothing is claimed.
    let v = d.get(HERE, "/api/v1/signals/temperature.box?from=0&to=1000&points=2", &[]).await.json();
    assert_eq!(v["buckets"][0]["count"], 0);
    assert!(v["buckets"][0]["mean"].is_null());
    // An empty stretch holds nothing.
    for path in ["/api/v1/signals/temperature.box?from=9&to=9", "/api/v1/signals/temperature.box?from=9&to=3"] {
        assert_eq!(d.get(HERE, path, &[]).await.json()["buckets"], serde_json::json!([]));
    }
    assert_eq!(d.get(HERE, "/api/v1/events?to=0", &[]).await.json()["events"], serde_json::json!([]));
    // A known signal of which nothing is stored.
    let v = d.get(HERE, "/api/v1/signals/load.cpu", &[]).await.json();
    assert!(v["buckets"].as_array().unwrap().iter().all(|b| b["count"] == 0));
}

#[tokio::test]
async fn parameters_that_are_wrong_are_named() {
    let (d, _w) = desk().await;
    for (path, parameter) in [
        ("/api/v1/signals/temperature.box?points=0", "points"),
        ("/api/v1/signals/temperature.box?points=4001", "points"),
        ("/api/v1/signals/temperature.box?from=yesterday", "from"),
        ("/api/v1/signals/temperature.box?form=0", "form"),
        ("/api/v1/signals/Temperature", "name"),
        ("/api/v1/alarms?after=-1", "after"),
        ("/api/v1/alarms?after=1&after=2", "after"),
        ("/api/v1/alarms/x", "number"),
        ("/api/v1/events?kind=nonsense", "kind"),
        ("/api/v1/events?limit=1001", "limit"),
    ] {
        let a = d.get(HERE, path, &[]).await;
        assert_eq!(a.headers["content-type"], "application/problem+json", "{path}");
        let v = a.json();
        assert_eq!((v["status"].as_i64(), v["parameter"].as_str()), (Some(400), Some(parameter)), "{path}: {v}");
    }
    let a = d.get(HERE, "/api/v1/signals/temperature.bix", &[]).await;
    assert!(a.status == 404 && a.text.contains("did you mean `temperature.box`?"), "{}", a.text);
    for path in ["/api/v1/alarms/99", "/api/v1/incidents/99", "/api/v2", "/x"] {
        assert_eq!(d.get(HERE, path, &[]).await.status, 404, "{path}");
    }
}

#[tokio::test]
async fn alarms_come_after_a_number() {
    let (d, _w) = desk().await;
    let v = d.get(HERE, "/api/v1/alarms", &[]).await.json();
    assert_eq!((v["transitions"].as_array().unwrap().len(), v["seq"].as_i64()), (2, Some(12)));
    let v = d.get(HERE, "/api/v1/alarms?after=11", &[]).await.json();
    assert_eq!(v["transitions"][0]["change"], "acknowledged");
    assert_eq!(v["transitions"][0]["by"], "page");
    let v = d.get(HERE, "/api/v1/alarms?limit=1", &[]).await.json();
    assert_eq!((v["transitions"].as_array().unwrap().len(), v["more"].as_bool()), (1, Some(true)));
    let v = d.get(HERE, "/api/v1/alarms/7", &[]).await.json();
    assert_eq!(v["steps"].as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn what_happened_is_told_and_command_lines_only_to_those_who_may_write() {
    let (d, _w) = desk().await;
    let v = d.get(HERE, "/api/v1/events?kind=program_started,program_ended", &[]).await.json();
    assert_eq!(v["events"][0]["detail"]["command"], "mount --password secret");
    let t = KeyFile::in_dir(d.state.path()).add_token("look", Scope::Read, NOW.wall).unwrap();
    let a = d.get(PHONE, "/api/v1/events", &[("authorization", &format!("Bearer {t}"))]).await;
    assert!(a.status == 200 && !a.text.contains("secret"), "{}", a.text);
    assert_eq!(a.json()["events"][0]["detail"]["pid"], 7);
    let v = d.get(HERE, "/api/v1/sessions", &[]).await.json();
    assert_eq!((v["sessions"][0]["session"].as_i64(), v["sessions"][0]["why"].as_str()), (Some(1), Some("chain_up")));
    let v = d.get(HERE, "/api/v1/incidents", &[]).await.json();
    assert_eq!(
        (v["incidents"][0]["fault"].as_bool(), v["incidents"][0]["members"][0]["belongs"].as_str()),
        (Some(true), Some("first"))
    );
    assert_eq!(d.get(HERE, "/api/v1/incidents/3", &[]).await.json()["incident"], 3);
    assert_eq!(d.get(HERE, "/api/v1/remedies", &[]).await.json()["remedies"], serde_json::json!([]));
}

#[tokio::test]
async fn without_a_store_that_is_said_and_the_present_is_served() {
    let d = Desk::new(|_| {});
    let a = d.get(HERE, "/api/v1/alarms", &[]).await;
    assert_eq!((a.status.as_u16(), a.json()["type"].as_str().unwrap()), (503, "/api/v1/problems#no-store"));
    assert_eq!(d.get(HERE, "/api/v1/summary", &[]).await.status, 200);
    let d = Desk::new(|s| s.store = Some(s.state_dir.join("gone.db")));
    let a = d.get(HERE, "/api/v1/sessions", &[]).await;
    assert!(a.status == 503 && a.text.contains("gone.db"), "{}", a.text);
    let a = d.get(HERE, "/", &[]).await;
    assert!(a.status == 200 && a.text.contains("cannot be drawn"), "{}", a.text);
}

#[tokio::test]
async fn old_knowledge_is_never_shown_as_the_present() {
    let d = Desk::new(|_| {});
    assert_eq!(d.get(HERE, "/api/v1/summary", &[]).await.json()["condition"], "failed");
    d.clock.advance(14_000);
    let a = d.get(HERE, "/", &[]).await;
    assert!(
        a.text.contains("last seen 14 s ago") && a.text.contains("The mount program ended at 01:13."),
        "{}",
        a.text
    );
    d.clock.advance(100_000);
    let v = d.get(HERE, "/api/v1/summary", &[]).await.json();
    assert_eq!((v["condition"].as_str(), v["age_ms"].as_i64()), (Some("unknown"), Some(114_000)));
    let a = d.get(HERE, "/", &[]).await;
    assert!(
        a.text.contains("the agent has stood still for 1 min 54 s") && a.text.contains("class=\"old\""),
        "{}",
        a.text
    );
    // Before the first cycle.
    d.live.send(Arc::new(Live::default())).unwrap();
    let v = d.get(HERE, "/api/v1/summary", &[]).await.json();
    assert_eq!((v["condition"].as_str(), v["age_ms"].is_null()), (Some("unknown"), true));
    assert!(d.get(HERE, "/", &[]).await.text.contains("has not looked yet"));
}

#[tokio::test]
async fn the_page_says_what_is_wrong_what_cannot_be_read_and_that_it_is_invented() {
    let d = Desk::new(|_| {});
    let t = d.get(HERE, "/", &[]).await.text;
    for part in [
        "The mount program ended at 01:13.",
        "The mount program ended (signal 9).",
        "for 0 s · priority high",
        "Start the mount program again.",
        "Invented data.",
        "night of 12 January",
        "the sensor did not answer in 2 s",
        "14.6 °C",
        "−3.2 °C",
        "<strong>failed</strong>",
        "A program of the chain gone for 5 min.",
    ] {
        assert!(t.contains(part), "{part}\n{t}");
    }
    let a = d.get(HERE, "/", &[("cookie", "look=night")]).await;
    assert!(a.text.contains("<html lang=\"en\" class=\"night"), "{}", a.text);
    let a = d.get(HERE, "/look?as=day", &[]).await;
    assert!(a.status == 303 && a.headers["set-cookie"].to_str().unwrap().starts_with("look=day;"));
}

#[tokio::test]
async fn temperatures_are_shown_as_configured_and_served_as_stored() {
    let d = Desk::new(|_| {});
    let config = Config { temperatures: TemperatureScale::Fahrenheit, ..Config::default() };
    d.config.send(Arc::new(config)).unwrap();
    let t = d.get(HERE, "/", &[]).await.text;
    // 14.6 °C and −3.2 °C by F = 1.8 C + 32 (the definition of the scale).
    assert!(t.contains("58.3 °F") && t.contains("26.2 °F") && !t.contains("°C"), "{t}");
    let all = d.get(HERE, "/api/v1/signals", &[]).await.json();
    assert_eq!(
        (all["signals"][0]["unit"].as_str(), all["signals"][0]["latest"]["value"].as_f64()),
        (Some("degC"), Some(14.6))
    );
}

#[tokio::test]
async fn methods_are_answered_properly() {
    let d = Desk::new(|_| {});
    let a = d.ask(HERE, "HEAD", "/api/v1/summary", &[], "").await;
    assert!(a.status == 200 && a.text.is_empty());
    let a = d.ask(HERE, "OPTIONS", "/api/v1/remedies", &[], "").await;
    assert_eq!((a.status.as_u16(), a.headers["allow"].to_str().unwrap()), (204, "GET,HEAD,POST"));
    for method in ["DELETE", "PATCH", "BREW"] {
        let a = d.ask(HERE, method, "/api/v1/summary", &[], "").await;
        assert_eq!((a.status.as_u16(), a.headers["allow"].to_str().unwrap()), (405, "GET,HEAD"), "{method}");
        assert_eq!(a.json()["type"], "/api/v1/problems#wrong-method");
    }
    let a = d.get(HERE, "/nothing", &[("accept", "text/html")]).await;
    assert!(a.status == 404 && a.text.starts_with("<!DOCTYPE html>"));
}
