//! What the service manager is told: ready after the first full cycle, the watchdog only while sampling advances, stopping.

use crate::harness::{BOUND, Setting, signal, wait_for};
use rustix::process::Signal;
use std::os::unix::net::UnixDatagram;
use std::time::Duration;

struct Manager {
    socket: UnixDatagram,
    said: Vec<String>,
}

impl Manager {
    fn hear(&mut self) {
        let mut b = [0; 4096];
        while let Ok(n) = self.socket.recv(&mut b) {
            self.said.extend(String::from_utf8_lossy(&b[..n]).lines().map(str::to_string));
        }
    }
    fn until(&mut self, what: &str, word: &str, bound: Duration) {
        wait_for(what, bound, || {
            self.hear();
            self.said.iter().any(|l| l == word).then_some(())
        });
    }
}

#[test]
fn ready_watchdog_reload_and_stop_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_nonblocking(true).unwrap();
    let mut manager = Manager { socket, said: vec![] };
    let mut setting = Setting::new("[agent]\nevery = \"200 ms\"\n");
    setting.env.push(("NOTIFY_SOCKET".into(), path.to_str().unwrap().into()));
    setting.env.push(("WATCHDOG_USEC".into(), "900000".into()));
    let mut agent = setting.start();
    manager.until("READY", "READY=1", BOUND);
    manager.until("a fed watchdog", "WATCHDOG=1", BOUND);

    // A new configuration, and then a bad one, which leaves the old one in force.
    manager.said.clear();
    std::fs::write(&agent.config, "field = \"renamed\"\n[agent]\nevery = \"200 ms\"\n").unwrap();
    signal(agent.child.id(), Signal::HUP);
    manager.until("RELOADING", "RELOADING=1", BOUND);
    manager.until("READY again", "READY=1", BOUND);
    agent.wait_json("the new name", "/api/v1/summary", BOUND, |v| (v["field"] == "renamed").then_some(()));
    std::fs::write(&agent.config, "field = 7\nnonsense = 1\n").unwrap();
    signal(agent.child.id(), Signal::HUP);
    wait_for("the refusal", BOUND, || agent.log().contains("refused").then_some(()));
    assert!(agent.log().contains("nonsense"), "{}", agent.log());
    agent.wait_json("still running under the old one", "/api/v1/summary", BOUND, |v| {
        (v["field"] == "renamed").then_some(())
    });

    // A stopped agent feeds nothing, which is what the watchdog is for.
    signal(agent.child.id(), Signal::STOP);
    std::thread::sleep(Duration::from_millis(300));
    manager.hear();
    manager.said.clear();
    std::thread::sleep(Duration::from_millis(1500));
    manager.hear();
    assert!(!manager.said.iter().any(|l| l == "WATCHDOG=1"), "{:?}", manager.said);
    signal(agent.child.id(), Signal::CONT);
    manager.until("fed again", "WATCHDOG=1", BOUND);
    agent.stop();
    manager.until("STOPPING", "STOPPING=1", BOUND);
}
