//! Sensors over the network, with a real broker (the distribution's mosquitto) in both versions of the protocol (OASIS MQTT 3.1.1 and
//! 5.0), with and without a password, and a real HTTP answer.

use crate::harness::{Agent, BOUND, Setting, wait_for};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex};

/// A broker of the test's own. Ended when dropped.
struct Broker {
    child: Child,
    port: u16,
}

impl Broker {
    /// On this port, asking for the password of the user `pier`.
    fn start(folder: &Path, port: u16) -> Broker {
        let passwords = folder.join("passwords");
        let made = Command::new("mosquitto_passwd")
            .args(["-b", "-c"])
            .arg(&passwords)
            .args(["pier", "under the stars"])
            .status();
        assert!(made.expect("mosquitto_passwd runs (package mosquitto)").success());
        let config = folder.join("broker.conf");
        let text = format!(
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\npersistence false\n",
            passwords.display()
        );
        std::fs::write(&config, text).unwrap();
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto runs (package mosquitto)");
        wait_for("the broker", BOUND, || TcpStream::connect(("127.0.0.1", port)).ok().map(drop));
        Broker { child, port }
    }
    fn publish(&self, topic: &str, message: &str) {
        let port = self.port.to_string();
        let done = Command::new("mosquitto_pub")
            .args([
                "-h",
                "127.0.0.1",
                "-p",
                &port,
                "-u",
                "pier",
                "-P",
                "under the stars",
                "-r",
                "-t",
                topic,
                "-m",
                message,
            ])
            .status()
            .expect("mosquitto_pub runs (package mosquitto-clients)");
        assert!(done.success());
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

fn value(agent: &Agent, name: &str, want: f64) {
    agent.wait_json(name, "/api/v1/signals", BOUND, |v| {
        let s = v["signals"].as_array()?.iter().find(|s| s["name"] == name)?;
        (s["latest"]["value"].as_f64()? == want).then_some(())
    });
}

fn code(agent: &Agent, name: &str, want: &str) -> String {
    agent.wait_json(&format!("{name} {want}"), "/api/v1/signals", BOUND, |v| {
        let s = v["signals"].as_array()?.iter().find(|s| s["name"] == name)?;
        let why = &s["latest"]["unavailable"];
        (why["code"] == want).then(|| why["text"].as_str().unwrap_or("").to_string())
    })
}

#[test]
fn both_versions_of_the_protocol_from_a_real_broker() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let broker = Broker::start(folder.path(), port);
    let password = folder.path().join("password");
    std::fs::write(&password, "under the stars\n").unwrap();
    std::fs::write(folder.path().join("wrong"), "clouds\n").unwrap();
    let mqtt = |topic: &str, version: &str, password: &str| {
        let file = folder.path().join(password);
        format!(
            "mqtt = {{ broker = \"127.0.0.1:{port}\", topic = \"{topic}\", version = \"{version}\", user = \"pier\", \
             password_file = \"{}\" }}\nsilent_after = \"8 s\"\nevery = \"500 ms\"\n",
            file.display()
        )
    };
    let config = format!(
        "[temperature.outside]\n{}pointer = \"/air/temperature\"\n[humidity.outside]\n{}pointer = \"/air/humidity\"\n\
         [temperature.box]\n{}[temperature.shed]\nplace = \"shed\"\n{}",
        mqtt("garden/weather", "3.1.1", "password"),
        mqtt("garden/weather", "5", "password"),
        mqtt("pier/box/+", "5", "password"),
        mqtt("pier/box/lid", "3.1.1", "wrong"),
    );
    broker.publish("garden/weather", r#"{"air":{"temperature":20.0,"humidity":50.0}}"#);
    broker.publish("pier/box/lid", "26.5 °C");
    let mut agent = Setting::new(&config).start();
    value(&agent, "temperature.outside", 20.0);
    value(&agent, "humidity.outside", 50.0);
    value(&agent, "temperature.box", 26.5);
    value(&agent, "temperature.lift", 6.5);
    // WMO-No. 8, Annex 4.B: 20 °C and 50 % have their dew point at 9.3 °C.
    value(&agent, "dew.point", 9.3);
    value(&agent, "dew.margin", 17.2);
    let why = code(&agent, "temperature.shed", "failed");
    assert!(why.contains(&format!("127.0.0.1:{port}")), "{why}");
    assert!(!agent.log().contains("under the stars"), "a password was logged");
    // Nothing comes any more.
    code(&agent, "temperature.outside", "silent");
    code(&agent, "dew.margin", "silent");
    broker.publish("garden/weather", "no JSON at all");
    code(&agent, "humidity.outside", "garbled");
    broker.publish("garden/weather", r#"{"air":{"temperature":-3.25,"humidity":50.0}}"#);
    // From 20 to −3.25 at once is not believed before it has come three times.
    code(&agent, "temperature.outside", "jumped");
    broker.publish("garden/weather", r#"{"air":{"temperature":-3.26,"humidity":50.0}}"#);
    broker.publish("garden/weather", r#"{"air":{"temperature":-3.27,"humidity":50.0}}"#);
    value(&agent, "temperature.outside", -3.27);
    // The broker goes and comes back, and is found again.
    drop(broker);
    let why = code(&agent, "temperature.box", "failed");
    assert!(why.contains("127.0.0.1"), "{why}");
    let broker = Broker::start(folder.path(), port);
    broker.publish("pier/box/lid", "26.25");
    value(&agent, "temperature.box", 26.25);
    assert!(agent.stop().success());
}

#[test]
fn a_real_http_sensor_frozen_silent_and_well_again() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let body = Arc::new(Mutex::new(r#"{"air":["4.5"]}"#.to_string()));
    let asked = Arc::new(AtomicU32::new(0));
    let (shown, count) = (body.clone(), asked.clone());
    std::thread::spawn(move || {
        for c in listener.incoming() {
            let Ok(mut c) = c else { return };
            let mut got = [0; 2048];
            let _ = c.read(&mut got);
            count.fetch_add(1, Ordering::SeqCst);
            let body = shown.lock().unwrap().clone();
            if body.is_empty() {
                continue;
            }
            let _ = write!(
                c,
                "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
                body.len()
            );
        }
    });
    let config = format!(
        "[temperature.tube]\nplace = \"tube\"\nhttp = \"http://{address}/sensor\"\npointer = \"/air/0\"\nevery = \"200 ms\"\n\
         deadline = \"2 s\"\n"
    );
    let mut agent = Setting::new(&config).start();
    value(&agent, "temperature.tube", 4.5);
    // The same number again and again is a number still: frozen only after its limit, which is never by default.
    let before = asked.load(Ordering::SeqCst);
    wait_for("five more questions", BOUND, || (asked.load(Ordering::SeqCst) > before + 5).then_some(()));
    value(&agent, "temperature.tube", 4.5);
    *body.lock().unwrap() = r#"{"air":[]}"#.into();
    assert!(code(&agent, "temperature.tube", "garbled").contains("/air/0"));
    // Accepts and closes without a word.
    *body.lock().unwrap() = String::new();
    code(&agent, "temperature.tube", "failed");
    *body.lock().unwrap() = r#"{"air":[5.25]}"#.into();
    value(&agent, "temperature.tube", 5.25);
    assert!(agent.stop().success());
}
