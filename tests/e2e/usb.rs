//! USB end to end: the built binary in a mount namespace of its own, with a made-up tree over `/sys`, and device events sent in the
//! device manager's own form, so that the real USB library sees a device leave and return. Files follow the kernel documents "ABI
//! stable sysfs-bus-usb" and "ABI testing sysfs-bus-usb". Needs root.

use crate::fixtures::Tree;
use crate::harness::{Agent, BOUND, Setting, wait_for};
use rustix::net::netlink::{self, SocketAddrNetlink};
use rustix::net::{AddressFamily, SendFlags, SocketFlags, SocketType, bind, sendto, socket_with};
use serde_json::Value;

const CAMERA: &str = "sys/devices/usb1/1-1";

/// A tree with a camera in port 1-1, and the folder of a device manager that is told to be there.
fn tree() -> Tree {
    let t = Tree::new();
    t.write("run/udev/control", "");
    t.write("sys/devices/usb1/idVendor", "1d6b\n");
    std::fs::create_dir_all(t.path("sys/bus/usb/devices")).unwrap();
    t.link("sys/bus/usb/devices/usb1", "../../../devices/usb1");
    plug(&t, 5, 5000);
    t
}

fn plug(t: &Tree, number: u32, speed: u32) {
    let (number, speed) = (format!("{number}\n"), format!("{speed}\n"));
    // Built aside and moved in whole, as the kernel shows a device.
    for (f, text) in [
        ("busnum", "1\n"),
        ("devnum", &number),
        ("devpath", "1\n"),
        ("idVendor", "1209\n"),
        ("idProduct", "0001\n"),
        ("bcdDevice", "0100\n"),
        ("version", " 3.20\n"),
        ("bDeviceClass", "00\n"),
        ("bDeviceSubClass", "00\n"),
        ("bDeviceProtocol", "00\n"),
        ("speed", &speed),
        ("serial", "OP-0001\n"),
        ("manufacturer", "Orchard\n"),
        ("product", "Main Camera\n"),
        ("power/control", "auto\n"),
        ("1-1:1.0/tty/ttyUSB0/dev", "188:0\n"),
    ] {
        t.write(&format!("made/1-1/{f}"), text);
    }
    std::fs::rename(t.path("made/1-1"), t.path(CAMERA)).unwrap();
    t.link("sys/bus/usb/devices/1-1", "../../../devices/usb1/1-1");
}

fn unplug(t: &Tree) {
    std::fs::remove_file(t.path("sys/bus/usb/devices/1-1")).unwrap();
    std::fs::remove_dir_all(t.path(CAMERA)).unwrap();
}

/// What the device manager tells its listeners: a header with a magic number, then properties (its own wire form).
fn tell(action: &str, number: u32) {
    let properties = [
        format!("ACTION={action}"),
        "DEVPATH=/devices/usb1/1-1".into(),
        "SUBSYSTEM=usb".into(),
        "DEVTYPE=usb_device".into(),
        "BUSNUM=001".into(),
        format!("DEVNUM={number:03}"),
    ]
    .map(|p| p + "\0")
    .concat();
    let mut packet = b"libudev\0".to_vec();
    packet.extend(0xfeed_cafe_u32.to_be_bytes());
    packet.extend(40_u32.to_ne_bytes());
    packet.extend(40_u32.to_ne_bytes());
    packet.extend(u32::try_from(properties.len()).unwrap().to_ne_bytes());
    packet.extend([0; 16]);
    packet.extend(properties.as_bytes());
    let s = socket_with(AddressFamily::NETLINK, SocketType::RAW, SocketFlags::CLOEXEC, Some(netlink::KOBJECT_UEVENT))
        .unwrap();
    bind(&s, &SocketAddrNetlink::new(0, 0)).unwrap();
    sendto(&s, &packet, SendFlags::empty(), &SocketAddrNetlink::new(0, 2)).expect("sending needs root");
}

const CONFIG: &str = r#"
[device.main-camera]
usb = "1209:0001"
serial = "OP-0001"
speed_at_least = "5000 Mbit/s"
"#;

fn events(agent: &Agent, kind: &str) -> Vec<Value> {
    let all = agent.json(&format!("/api/v1/events?kind={kind}"));
    all["events"].as_array().unwrap().iter().filter(|e| e["thing"] == "device.main-camera").cloned().collect()
}

#[test]
fn a_device_that_leaves_and_returns_is_one_contact_break_with_its_length() {
    let t = tree();
    let mut setting = Setting::new(CONFIG);
    setting.before = t.before();
    let mut agent = setting.start();
    let there = |agent: &Agent, want: f64| {
        agent.wait_json("the device's state", "/api/v1/signals", BOUND, |v| {
            let s = v["signals"].as_array()?.iter().find(|s| s["name"] == "device.main-camera")?;
            (s["latest"]["value"].as_f64()? == want).then_some(())
        });
    };
    there(&agent, 1.0);
    assert!(events(&agent, "contact_break").is_empty());
    // The device's files go a moment before the message comes, and the reading of every second may fall between: then
    // it is known to within that second. So it is done a few times, and each time is one break.
    let (mut at_once, mut number) = (false, 5);
    for n in 1..=5 {
        let gone = crate::harness::now_ms();
        unplug(&t);
        tell("remove", number);
        there(&agent, 0.0);
        number += 1;
        plug(&t, number, if n == 1 { 480 } else { 5000 });
        tell("add", number);
        let back = crate::harness::now_ms();
        let breaks = wait_for("the break", BOUND, || Some(events(&agent, "contact_break")).filter(|b| b.len() == n));
        let away = breaks[n - 1]["detail"]["away_ms"].as_i64().unwrap();
        assert!(away > 0 && away <= back - gone + 1500, "{away} ms told, {} ms at the most", back - gone + 1500);
        assert!(breaks[n - 1]["text"].as_str().unwrap().contains("lost contact for"));
        if n == 1 {
            // Back on a slower bus: there, and not well.
            let because = agent.wait_json("the slower bus", "/api/v1/summary", BOUND, |v| {
                let t = v["things"].as_array()?.iter().find(|t| t["thing"] == "device.main-camera")?;
                t["because"].as_str().filter(|b| b.contains("480")).map(str::to_string)
            });
            assert!(because.contains("instead of 5000"), "{because}");
        }
        let left = events(&agent, "device_left");
        assert_eq!(left.len(), n);
        at_once |= left[n - 1]["within_ms"] == 0;
        if at_once && n > 1 {
            break;
        }
    }
    assert!(at_once, "no message of the device manager was ever heard: {}", agent.log());
    assert!(agent.stop().success());
}

#[test]
fn without_messages_the_new_number_tells_of_a_break_between_two_looks() {
    let t = tree();
    std::fs::remove_file(t.path("run/udev/control")).unwrap();
    let mut setting = Setting::new(CONFIG);
    setting.before = t.before();
    let mut agent = setting.start();
    wait_for("the device", BOUND, || Some(()).filter(|()| events(&agent, "device_arrived").len() == 1));
    // In one piece, so that no look falls between: it has been recognised anew.
    t.write(&format!("{CAMERA}/devnum"), "6\n");
    let e = wait_for("the break", BOUND, || events(&agent, "contact_break").pop());
    assert!(e["within_ms"].as_i64().unwrap() > 0, "{e}");
    assert!(agent.stop().success());
}

#[test]
fn look_lists_the_device_says_that_it_may_be_switched_off_and_keeps_the_set() {
    let t = tree();
    let told = t.tilldawn(&["look"]);
    for part in ["Orchard Main Camera", "usb = \"1209:0001\"", "speed_at_least = \"5000 Mbit/s\"", "power/control"] {
        assert!(told.contains(part), "{part}:\n{told}");
    }
    let out = t.path("devices.toml");
    t.tilldawn(&["look", "--keep", "devices", "--out", out.to_str().unwrap()]);
    let kept = std::fs::read_to_string(&out).unwrap();
    let c = tilldawn::config::parse(&kept, None).unwrap_or_else(|e| panic!("{e:#?}\n{kept}"));
    assert_eq!((c.devices.len(), c.devices[0].usb), (1, Some((0x1209, 1))));
    assert_eq!(c.devices[0].serial.as_deref(), Some("OP-0001"));
}
