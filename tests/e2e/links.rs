//! Links and interfaces in network namespaces of the test's own: a cable pulled for ten seconds, and echo with and without
//! rights. Needs root, as the tests of power cuts do.

use crate::harness::{Agent, BINARY, BOUND, Setting, wait_for};
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use tilldawn::model::{Event, EventKind, UnixMs};
use tilldawn::store::Reader;

fn ip(arguments: &str) {
    let done = Command::new("ip").args(arguments.split(' ')).output().expect("ip runs (package iproute2)");
    assert!(done.status.success(), "ip {arguments}: {}", String::from_utf8_lossy(&done.stderr));
}

/// Two namespaces with a cable between them: the field PC and the house.
pub struct Cable {
    pub field: String,
    house: String,
}

impl Cable {
    pub fn new(what: &str) -> Cable {
        let c = Cable {
            field: format!("field-{what}-{}", std::process::id()),
            house: format!("house-{what}-{}", std::process::id()),
        };
        ip(&format!("netns add {}", c.field));
        ip(&format!("netns add {}", c.house));
        // The two ends carry different numbers: ends of one number are not seen by the kernel to belong together, and then it
        // tells of a lost carrier up to a second late (it bundles such news of all interfaces).
        ip(&format!("link add name cable0 index 77 netns {} type veth peer name cable1 netns {}", c.field, c.house));
        for (ns, device, address) in [(&c.field, "cable0", "192.0.2.1/24"), (&c.house, "cable1", "192.0.2.2/24")] {
            ip(&format!("-n {ns} addr add {address} dev {device}"));
            ip(&format!("-n {ns} link set lo up"));
            ip(&format!("-n {ns} link set {device} up"));
        }
        ip(&format!("-n {} route add default via 192.0.2.2", c.field));
        c
    }
    pub fn pull(&self) {
        ip(&format!("-n {} link set cable1 down", self.house));
    }
    pub fn plug(&self) {
        ip(&format!("-n {} link set cable1 up", self.house));
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        for ns in [&self.field, &self.house] {
            let _ = Command::new("ip").args(["netns", "del", ns]).status();
        }
    }
}

const CONFIG: &str = r#"
[interface.cable0]
title = "cable"
[link.gateway]
to = "gateway"
[link.house]
title = "house"
to = "192.0.2.2"
[link.port]
to = "192.0.2.2"
port = 7
"#;

fn events(store: &Path, kind: EventKind, thing: &str) -> Vec<Event> {
    let Ok(reader) = Reader::open(store) else { return vec![] };
    let all = reader.events(UnixMs(0), UnixMs(i64::MAX), &[kind]).unwrap_or_default();
    all.into_iter().filter(|e| e.thing.as_str() == thing).collect()
}

/// Latest known value of a signal in the store.
fn latest(store: &Path, name: &str) -> Option<f64> {
    let reader = Reader::open(store).ok()?;
    let id = reader.signals().ok()?.into_iter().find(|(_, d)| d.name.as_str() == name)?.0;
    reader.fine(id, UnixMs(0), UnixMs(i64::MAX)).ok()?.into_iter().rev().find_map(|(_, v)| v.known())
}

fn start(cable: &Cable, folder: &Path, before: &[&str]) -> Agent {
    let mut setting = Setting::new(CONFIG);
    setting.folder = Some(folder.into());
    setting.before = ["ip", "netns", "exec", &cable.field].iter().chain(before).map(ToString::to_string).collect();
    setting.start()
}

#[test]
fn a_cable_pulled_for_ten_seconds_is_an_outage_of_ten_seconds() {
    let cable = Cable::new("pull");
    let folder = tempfile::tempdir().unwrap();
    let mut agent = start(&cable, folder.path(), &[]);
    let store = agent.store.clone();
    for link in ["link.gateway", "link.house", "link.port", "interface.cable0"] {
        wait_for(&format!("{link} is up"), BOUND, || latest(&store, link).filter(|v| *v == 1.0));
    }
    let pulled = crate::harness::now_ms();
    cable.pull();
    // On a busy machine the command itself takes its time; the kernel's instant lies within it.
    let pulled_by = crate::harness::now_ms();
    // The length of the outage is what is tested, so this is a real ten seconds.
    std::thread::sleep(Duration::from_secs(10));
    let plugged = crate::harness::now_ms();
    cable.plug();
    let plugged_by = crate::harness::now_ms();
    let pair = |thing: &str| {
        let down = wait_for(&format!("{thing} told down"), BOUND, || {
            events(&store, EventKind::LinkDown, thing).first().cloned()
        });
        let up =
            wait_for(&format!("{thing} told up"), BOUND, || events(&store, EventKind::LinkUp, thing).first().cloned());
        (down, up)
    };
    let (down, up) = pair("interface.cable0");
    // The commands themselves take a few milliseconds on either side.
    let during = |t: i64, from: i64, to: i64| (from - 500..=to + 500).contains(&t);
    assert!(during(down.at.wall.0, pulled, pulled_by) && down.within.0 == 0, "at once: {pulled}..{pulled_by} {down:?}");
    assert!(during(up.at.wall.0, plugged, plugged_by), "at once: {plugged}..{plugged_by} {up:?}");
    for link in ["link.gateway", "link.house", "link.port"] {
        let (down, up) = pair(link);
        let period = 1_000;
        let slack = 300;
        let outage = (up.at.boot - down.at.boot).0;
        assert!((outage - (plugged - pulled)).abs() <= period + slack, "{link}: {outage} ms");
        assert_eq!(up.detail["down_ms"].as_i64(), Some(outage));
        assert!((down.at.wall.0 - pulled).abs() <= period + slack, "{link}: {down:?}");
    }
    assert_eq!(events(&store, EventKind::LinkDown, "link.house").len(), 1);
    // An address taken away and another one given are told.
    ip(&format!("-n {} addr add 192.0.2.9/24 dev cable0", cable.field));
    let e = wait_for("the address", BOUND, || {
        events(&store, EventKind::AddressChanged, "interface.cable0")
            .into_iter()
            .find(|e| e.detail["added"].as_array().is_some_and(|a| a.iter().any(|x| x == "192.0.2.9/24")))
    });
    assert_eq!(e.detail["removed"].as_array().map(Vec::len), Some(0));
    agent.stop();
}

/// As another user, in a namespace where echo is forbidden (the kernel's default) or allowed.
#[test]
fn without_rights_for_echo_the_first_minute_shows_no_false_unknown() {
    for (what, range) in [("no", "1 0"), ("yes", "0 2147483647")] {
        let cable = Cable::new(what);
        let set = format!("netns exec {} sysctl -qw", cable.field);
        let mut words: Vec<String> = set.split(' ').map(Into::into).collect();
        words.push(format!("net.ipv4.ping_group_range={range}"));
        assert!(Command::new("ip").args(&words).status().unwrap().success());
        let folder = tempfile::tempdir().unwrap();
        // The other user must be able to reach the binary and to write its store.
        std::os::unix::fs::chown(folder.path(), Some(65534), Some(65534)).unwrap();
        let binary = folder.path().join("tilldawn");
        std::fs::copy(BINARY, &binary).unwrap();
        let script = format!("shift; exec {} \"$@\"", binary.display());
        let as_nobody = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "sh", "-c", &script, "x"];
        let mut agent = start(&cable, folder.path(), &as_nobody);
        let store = agent.store.clone();
        wait_for("the house is up", BOUND, || latest(&store, "link.house").filter(|v| *v == 1.0));
        wait_for("a round trip", BOUND, || latest(&store, "link.house.round-trip"));
        let reader = Reader::open(&store).unwrap();
        let id = reader.signals().unwrap().into_iter().find(|(_, d)| d.name.as_str() == "link.house").unwrap().0;
        let unknown =
            reader.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap().into_iter().filter(|(_, v)| v.why().is_some());
        assert_eq!(unknown.count(), 0, "echo allowed: {what}");
        agent.stop();
    }
}
