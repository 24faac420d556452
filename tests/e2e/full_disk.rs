//! A small file system filled up under the running agent: it goes on in memory, raises the disk alarm, and writes what it kept
//! once there is room again.

use crate::harness::{BOUND, Setting};
use std::io::Write;
use std::process::Command;
use std::time::Duration;
use tilldawn::model::{Name, UnixMs};
use tilldawn::store::Reader;

struct Tmpfs(std::path::PathBuf);

impl Tmpfs {
    fn new(at: std::path::PathBuf, size: &str) -> Tmpfs {
        std::fs::create_dir_all(&at).unwrap();
        let out = Command::new("mount").args(["-t", "tmpfs", "-o", size, "tmpfs"]).arg(&at).output().unwrap();
        assert!(out.status.success(), "a small tmpfs needs root: {}", String::from_utf8_lossy(&out.stderr));
        Tmpfs(at)
    }
    fn fill(&self) {
        let mut f = std::fs::OpenOptions::new().append(true).create(true).open(self.0.join("ballast")).unwrap();
        let piece = vec![1u8; 4096];
        while f.write_all(&piece).is_ok() {}
        while f.write_all(&piece[..1]).is_ok() {}
    }
}

impl Drop for Tmpfs {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).output();
    }
}

fn config(disk: &std::path::Path) -> String {
    format!(
        "[agent]\nevery = \"200 ms\"\ncommit_every = \"1 s\"\n[disk.small]\npath = \"{}\"\n[rule.disk]\non_delay = \"1 s\"\noff_delay = \"1 s\"\n",
        disk.display()
    )
}

#[test]
fn a_full_disk_stops_neither_sampling_nor_alarms_and_nothing_kept_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let disk = Tmpfs::new(folder.path().join("small"), "size=8m");
    let mut setting = Setting::new(&config(&disk.0));
    setting.folder = Some(folder.path().into());
    setting.store = Some(disk.0.join("night.db"));
    let mut agent = setting.start();
    agent.wait_json("a commit", "/api/v1/summary", BOUND, |v| v["store"]["last_commit"].as_i64());

    disk.fill();
    let full_at = agent.wait_json("trouble said, and the alarm", "/api/v1/summary", BOUND, |v| {
        let alarm = v["alarms"]
            .as_array()?
            .iter()
            .any(|a| a["rule"] == "rule.disk" && a["thing"].as_str().is_some_and(|t| t.starts_with("disk.small")));
        (alarm && v["store"]["well"] == false).then(|| v["at"].as_i64().unwrap())
    });
    let cycle = agent.json("/api/v1/summary")["cycle"].as_i64().unwrap();
    agent
        .wait_json("sampling goes on", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > cycle + 10).then_some(()));

    std::fs::remove_file(disk.0.join("ballast")).unwrap();
    let freed_at = agent.wait_json("well again, with nothing dropped", "/api/v1/summary", BOUND, |v| {
        (v["store"]["well"] == true && v["store"]["dropped"] == 0).then(|| v["at"].as_i64().unwrap())
    });
    agent.stop();

    let reader = Reader::open(&disk.0.join("night.db")).unwrap();
    let id = reader.signal_id(&Name::new("load.cpu").unwrap()).unwrap().expect("the processor was watched");
    let times: Vec<i64> =
        reader.fine(id, UnixMs(full_at - 3000), UnixMs(freed_at)).unwrap().iter().map(|r| r.0.0).collect();
    assert!(times.len() > 10, "{times:?}");
    for pair in times.windows(2) {
        assert!(pair[1] - pair[0] < 2500, "a hole of {} ms while the disk was full", pair[1] - pair[0]);
    }
    let raised = reader.transitions(0, 1000).unwrap();
    assert!(raised.iter().any(|t| t.thing.thing().as_str() == "disk.small"), "{raised:?}");
}

#[test]
fn a_disk_that_is_full_at_the_start_means_memory_until_there_is_room() {
    let folder = tempfile::tempdir().unwrap();
    let disk = Tmpfs::new(folder.path().join("small"), "size=8m");
    let setting = || {
        let mut s = Setting::new(&config(&disk.0));
        s.folder = Some(folder.path().into());
        s.store = Some(disk.0.join("night.db"));
        s
    };
    let mut agent = setting().start();
    agent.wait_json("a commit", "/api/v1/summary", BOUND, |v| v["store"]["last_commit"].as_i64());
    agent.stop();
    disk.fill();
    let mut agent = setting().start();
    let v = agent
        .wait_json("cycles in memory", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 5).then(|| v.clone()));
    assert_eq!(v["store"]["well"], false, "{v:#}");
    std::fs::remove_file(disk.0.join("ballast")).unwrap();
    agent.wait_json("the store is open", "/api/v1/summary", Duration::from_secs(90), |v| {
        (v["store"]["well"] == true).then_some(())
    });
    agent.stop();
    let runs = Reader::open(&disk.0.join("night.db")).unwrap().runs().unwrap();
    assert_eq!(runs.len(), 2, "{runs:?}");
}
