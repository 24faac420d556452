//! The page in a real browser: fresh by itself, readable on a phone, in its looks, without script, and honest about its age.

use crate::browser::{Script, pictures};
use crate::harness::{BOUND, Setting, Sleeper, signal};
use rustix::process::Signal;

/// An invented pier: three programs that lean on each other, a sensor in the box and one that is not there.
pub fn pier(folder: &std::path::Path) -> String {
    for (name, value) in [("box", "14.6"), ("outside", "-3.2")] {
        std::fs::write(folder.join(name), value).unwrap();
    }
    // By their whole paths, since tests that run side by side must not take each other's programs for their own.
    let f = folder.display();
    format!(
        r#"
field = "orchard pier"
[site]
latitude = 48.2
longitude = 16.4
elevation = "200 m"
zone = "Europe/Vienna"
[session]
chain = ["program.mount", "program.guiding", "program.camera"]
[program.mount]
executable = "{f}/page-mount"
[program.guiding]
executable = "{f}/page-guiding"
leans_on = ["program.mount"]
[program.camera]
executable = "{f}/page-camera"
leans_on = ["program.mount"]
[temperature.box]
file = "{f}/box"
every = "1 s"
[temperature.outside]
file = "{f}/outside"
every = "1 s"
[temperature.tube]
file = "{f}/not-there"
every = "1 s"
"#
    )
}

#[test]
fn the_page_in_a_browser() {
    let folder = tempfile::tempdir().unwrap();
    let mut mount = Sleeper::start(folder.path(), "page-mount");
    let _others = [Sleeper::start(folder.path(), "page-guiding"), Sleeper::start(folder.path(), "page-camera")];
    let mut agent = Setting::new(&pier(folder.path())).start();
    agent.wait_json("a session", "/api/v1/summary", BOUND, |v| v["session"].as_object().map(|_| ()));
    let out = pictures();
    let mut script =
        Script::start(&[], "page.mjs", &[&format!("http://{}", agent.address), &out.display().to_string()]);
    script.hear("OPEN");
    mount.end(Signal::KILL);
    script.hear("HEARD");
    script.hear("SEEN");
    let v = agent.json("/api/v1/summary");
    let alarms = v["alarms"].as_array().unwrap();
    let mount = alarms.iter().find(|a| a["thing"] == "program.mount").expect("the alarm stands");
    assert_eq!(mount["acknowledged"], true, "{v:#}");
    let by = agent.json("/api/v1/alarms")["transitions"]
        .as_array()
        .unwrap()
        .iter()
        .find_map(|t| t["by"].as_str().map(String::from));
    assert_eq!(by.as_deref(), Some("page"));
    signal(agent.child.id(), Signal::STOP);
    script.hear("AGED");
    signal(agent.child.id(), Signal::CONT);
    script.end();
    assert!(agent.stop().success());
}
