//! A power cut: an ext4 file system in a file, the image copied right after an alarm was shown, the copy mounted. Whatever
//! had only reached the page cache of the mounted file system is lost in the copy, as it is when the power goes; ending the
//! agent by a signal could never show this.

use crate::harness::{BOUND, Setting, Sleeper, wait_for};
use rustix::process::Signal;
use std::path::Path;
use std::process::Command;
use tilldawn::model::AlarmChange;
use tilldawn::store::Reader;

fn run(program: &str, arguments: &[&str]) {
    let out = Command::new(program).args(arguments).output().unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(out.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
}

/// A mounted image; unmounted when dropped.
struct Mounted(String);

impl Mounted {
    fn new(image: &Path, at: &Path) -> Mounted {
        std::fs::create_dir_all(at).unwrap();
        run("mount", &["-o", "loop", image.to_str().unwrap(), at.to_str().unwrap()]);
        Mounted(at.to_str().unwrap().into())
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").args(["-l", &self.0]).output();
    }
}

/// Each program ends once: one that came and went fifty times would be told of as chattering, not raised anew.
fn config() -> String {
    let names: Vec<String> = (0..TURNS).map(|n| format!("\"program.dropper-{n}\"")).collect();
    let mut text = format!("[session]\nchain = [{}]\n", names.join(", "));
    for n in 0..TURNS {
        text += &format!("[program.dropper-{n}]\nexecutable = \"dropper-{n}-under-test\"\n");
    }
    text
}

const TURNS: usize = 50;

#[test]
fn an_alarm_that_was_shown_survives_a_power_cut_fifty_times_of_fifty() {
    let folder = tempfile::tempdir().unwrap();
    let image = folder.path().join("disk.img");
    std::fs::File::create(&image).unwrap().set_len(48 << 20).unwrap();
    run("mkfs.ext4", &["-q", "-F", image.to_str().unwrap()]);
    let disk = Mounted::new(&image, &folder.path().join("disk"));
    let store = Path::new(&disk.0).join("night.db");

    let programs: Vec<Sleeper> =
        (0..TURNS).map(|n| Sleeper::start(folder.path(), &format!("dropper-{n}-under-test"))).collect();
    let mut setting = Setting::new(&config());
    setting.store = Some(store);
    let mut agent = setting.start();
    agent.wait_json("a session with all programs", "/api/v1/summary", BOUND, |v| {
        (!v["session"].is_null()).then_some(())
    });
    let mut lost = Vec::new();
    for (turn, mut program) in programs.into_iter().enumerate() {
        let thing = format!("program.dropper-{turn}");
        let before = agent.json("/api/v1/summary")["seq"].as_i64().unwrap();
        program.end(Signal::KILL);
        let shown = agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
            let a = v["alarms"].as_array()?.iter().find(|a| a["thing"] == thing.as_str() && a["standing"] == true)?;
            (v["seq"].as_i64()? > before).then(|| (a["alarm"].as_i64().unwrap(), a["saved"].as_bool().unwrap()))
        });
        // The power goes now.
        let copy = folder.path().join("copy.img");
        std::fs::copy(&image, &copy).unwrap();
        assert!(shown.1, "turn {turn}: shown as unsaved on a healthy disk");
        let after = Mounted::new(&copy, &folder.path().join("after"));
        let reader = Reader::open(&Path::new(&after.0).join("night.db")).unwrap();
        let raised = reader
            .transitions(0, 100_000)
            .unwrap()
            .into_iter()
            .any(|t| t.alarm.0 == shown.0 && t.change == AlarmChange::Raised);
        drop(reader);
        drop(after);
        wait_for("the copy to be unmounted", BOUND, || {
            let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
            (!mounts.contains(folder.path().join("after").to_str().unwrap())).then_some(())
        });
        std::fs::remove_file(&copy).unwrap();
        if !raised {
            lost.push(turn);
        }
    }
    assert!(lost.is_empty(), "alarms lost at turns {lost:?}");
    agent.stop();
    drop(disk);
}
