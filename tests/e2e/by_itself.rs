//! Reports that the agent writes by itself: when the session ends, and again once the Sun has risen.

use crate::clock_step::fake_wall_clock;
use crate::harness::{BOUND, Setting, now_ms, wait_for};
use std::path::Path;
use std::time::{Duration, SystemTime};

/// On the equator at the equinox the Sun rises at about six, mean local time (common practice, no source).
const CONFIG: &str = r#"
[agent]
every = "200 ms"
reports = "FOLDER"
[site]
latitude = 0.0
longitude = 0.0
elevation = "0 m"
zone = "UTC"
"#;
/// 20 March 2026, 05:30 and 06:30 UTC.
const BEFORE: i64 = 1_773_984_600;
const AFTER: i64 = BEFORE + 3600;

fn modified(path: &Path) -> Option<SystemTime> {
    std::fs::metadata(path).ok()?.modified().ok()
}

#[test]
fn a_report_at_the_end_of_the_session_and_another_after_sunrise() {
    let folder = tempfile::tempdir().unwrap();
    let reports = folder.path().join("reports");
    let file = folder.path().join("offset");
    let now = now_ms() / 1000;
    std::fs::write(&file, format!("{:+}\n", BEFORE - now)).unwrap();
    let mut setting = Setting::new(&CONFIG.replace("FOLDER", reports.to_str().unwrap()));
    setting.folder = Some(folder.path().into());
    fake_wall_clock(&mut setting, &file);
    let mut agent = setting.start();
    let at = format!("http://{}", agent.address);
    let ask = |words: &[&str]| {
        let o = crate::harness::tilldawn(folder.path(), &[words, &["--at", &at]].concat());
        assert!(o.status.success(), "{words:?}: {}", String::from_utf8_lossy(&o.stderr));
    };
    ask(&["session", "start"]);
    agent.wait_json("the session", "/api/v1/summary", BOUND, |v| v["session"].is_object().then_some(()));
    assert!(!reports.exists(), "nothing before the session has ended");
    ask(&["session", "end"]);
    // The night is named by its evening.
    let places = ["txt", "json", "html"].map(|e| reports.join(format!("2026-03-19.{e}")));
    for p in &places {
        wait_for(&format!("{} at the end of the session", p.display()), BOUND, || modified(p));
    }
    let text = std::fs::read_to_string(&places[0]).unwrap();
    assert!(text.contains("night of 19 March 2026"), "{text}");
    let first = modified(&places[2]).unwrap();
    std::fs::write(&file, format!("{:+}\n", AFTER - now)).unwrap();
    wait_for("the report after sunrise", BOUND + Duration::from_secs(30), || {
        modified(&places[2]).filter(|t| *t != first)
    });
    assert!(agent.stop().success());
}
