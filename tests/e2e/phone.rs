//! A phone against the agent in a network of their own: pair, open, mark as seen, over TLS and over plain HTTP.

use crate::browser::{Script, pictures};
use crate::harness::{Agent, BOUND, Setting, Sleeper, tilldawn, wait_for};
use crate::page::pier;
use rustix::process::Signal;
use std::process::Command;

/// Two network namespaces joined by a cable: the field PC is 10.77.0.1, the phone 10.77.0.2. Gone when dropped.
pub struct Network {
    pc: String,
    phone: String,
}

fn ip(arguments: &[&str]) {
    let out = Command::new("ip").args(arguments).output().expect("iproute2");
    assert!(out.status.success(), "ip {arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
}

impl Network {
    /// Makes it. Needs to be root, as the network tests do.
    pub fn new(tag: &str) -> Network {
        let id = std::process::id();
        let n = Network { pc: format!("pc-{tag}-{id}"), phone: format!("ph-{tag}-{id}") };
        let (a, b) = (format!("va{tag}{id}"), format!("vb{tag}{id}"));
        ip(&["netns", "add", &n.pc]);
        ip(&["netns", "add", &n.phone]);
        ip(&["link", "add", &a, "type", "veth", "peer", "name", &b]);
        for (ns, dev, address) in [(&n.pc, &a, "10.77.0.1/24"), (&n.phone, &b, "10.77.0.2/24")] {
            ip(&["link", "set", dev, "netns", ns]);
            ip(&["-n", ns, "address", "add", address, "dev", dev]);
            ip(&["-n", ns, "link", "set", dev, "up"]);
            ip(&["-n", ns, "link", "set", "lo", "up"]);
        }
        n
    }
    fn inside(ns: &str) -> Vec<String> {
        ["ip", "netns", "exec", ns].map(String::from).into()
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        for ns in [&self.pc, &self.phone] {
            let _ = Command::new("ip").args(["netns", "delete", ns]).status();
        }
    }
}

/// What `tilldawn pair` told: the code and the fingerprint.
fn pair(agent_folder: &std::path::Path, config: &str) -> (String, String) {
    let out = tilldawn(agent_folder, &["pair", "--config", config]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success(), "{text}{}", String::from_utf8_lossy(&out.stderr));
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    let code = lines.iter().find(|l| l.len() == 9 && l.as_bytes()[4] == b'-').expect("a code").to_string();
    let print: Vec<&str> = lines.iter().filter(|l| l.len() == 47 && l.as_bytes()[2] == b':').copied().collect();
    (code, if print.is_empty() { "none".into() } else { print.join(":") })
}

fn flow(tag: &str, security: &str, scheme: &str) {
    let net = Network::new(tag);
    let folder = tempfile::tempdir().unwrap();
    let mut mount = Sleeper::start(folder.path(), "page-mount");
    let _others = [Sleeper::start(folder.path(), "page-guiding"), Sleeper::start(folder.path(), "page-camera")];
    let config = format!("{}\n[http]\nlisten = \"0.0.0.0:7417\"\n{security}\n", pier(folder.path()));
    let file = folder.path().join("tilldawn.toml");
    std::fs::write(&file, &config).unwrap();
    let file = file.display().to_string();

    // Nobody is let in yet: the agent refuses to be there for all to see, and says what to do.
    let start = || {
        let mut s = Setting::new(&config).listen("0.0.0.0:7417");
        s.before = Network::inside(&net.pc);
        s.folder = Some(folder.path().to_path_buf());
        s.spawn()
    };
    let mut refused = start();
    let status = wait_for("the refusal", BOUND, || refused.child.try_wait().unwrap());
    assert_eq!(status.code(), Some(2), "{}", refused.log());
    assert!(refused.log().contains("tilldawn pair"), "{}", refused.log());

    let (_, fingerprint) = pair(folder.path(), &file);
    let mut agent: Agent = start();
    agent.address = "10.77.0.1:7417".into();
    wait_for("the page", BOUND, || {
        assert!(agent.child.try_wait().unwrap().is_none(), "{}", agent.log());
        agent.log().contains("the page is at").then_some(())
    });
    let out = pictures();
    let inside = Network::inside(&net.phone);
    let before: Vec<&str> = inside.iter().map(String::as_str).collect();
    let base = format!("{scheme}://{}", agent.address);
    // The session has to go on before something can fail in it.
    let local = |path: &str| {
        let o = Command::new("ip")
            .args(["netns", "exec", &net.pc])
            .args(["curl", "-sk", &format!("{scheme}://127.0.0.1:7417{path}")])
            .output()
            .expect("curl");
        serde_json::from_slice::<serde_json::Value>(&o.stdout).unwrap_or_default()
    };
    wait_for("a session", BOUND, || local("/api/v1/summary")["session"].is_object().then_some(()));
    mount.end(Signal::KILL);
    wait_for("the alarm", BOUND, || (local("/api/v1/summary")["condition"] == "failed").then_some(()));

    let mut script = Script::start(&before, "phone.mjs", &[&base, &out.display().to_string()]);
    script.type_in(&fingerprint);
    script.hear("CODE");
    let (code, same) = pair(folder.path(), &file);
    assert_eq!(same, fingerprint, "the certificate stays");
    script.type_in(&code);
    script.hear("SEEN");
    let seen = local("/api/v1/alarms");
    let by = seen["transitions"].as_array().unwrap().iter().find_map(|t| t["by"].as_str());
    assert_eq!(by, Some("browser Ida's phone"), "{seen:#}");
    let list = tilldawn(folder.path(), &["pair", "--list"]);
    assert!(String::from_utf8_lossy(&list.stdout).contains("Ida's phone"));
    assert!(tilldawn(folder.path(), &["pair", "--revoke", "Ida's phone"]).status.success());
    script.type_in("go on");
    script.end();
}

#[test]
fn a_phone_over_tls() {
    flow("t", "tls = true", "https");
}

#[test]
fn a_phone_over_plain_http_by_the_explicit_key() {
    flow("p", "plain_on_home_network = true", "http");
}
