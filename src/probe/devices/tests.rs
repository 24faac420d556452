#![allow(clippy::unwrap_used)]
use super::*;
use crate::model::WhyCode;
use crate::probe::testing::Bench;
use proptest::prelude::*;

fn device(name: &str) -> Device {
    Device {
        name: Name::new(name).unwrap(),
        title: "main camera".into(),
        usb: Some((0x1209, 0x0001)),
        serial: Some("OP-0001".into()),
        port: None,
        node: None,
        speed_at_least: Some(5000.0),
        leans_on: vec![],
    }
}

// File names and contents follow the kernel documents "ABI stable sysfs-bus-usb" and "ABI testing sysfs-bus-usb".
fn plug(b: &Bench, port: &str, speed: &str, node: &str) {
    let f = |n: &str| format!("sys/bus/usb/devices/{port}/{n}");
    for (n, t) in [
        ("idVendor", "1209\n"),
        ("idProduct", "0001\n"),
        ("serial", "OP-0001\n"),
        ("speed", speed),
        ("power/control", "auto\n"),
    ] {
        b.write(&f(n), t);
    }
    b.write(&f(&format!("{port}:1.0/tty/{node}/dev")), "188:0\n");
}

fn unplug(b: &Bench, port: &str) {
    std::fs::remove_dir_all(b.root().join("sys/bus/usb/devices").join(port)).unwrap();
}

fn bench() -> Bench {
    let mut b = Bench::new(&[("sys/bus/usb/devices/usb1/idVendor", "1d6b\n")]);
    b.config.devices = vec![device("device.main-camera")];
    b
}

fn kinds(b: &Bench) -> Vec<String> {
    b.events().iter().map(|e| e.kind.code()).collect()
}

#[test]
fn leaving_and_coming_back_with_speed_and_node() {
    let b = bench();
    plug(&b, "1-1.4", "5000\n", "ttyUSB0");
    let mut p = b.probes(all).probes;
    b.run(&mut p);
    assert_eq!(b.value("device.main-camera"), Some(1.0));
    assert_eq!(kinds(&b), ["device_arrived"]);
    unplug(&b, "1-1.4");
    b.run(&mut p);
    assert_eq!(b.value("device.main-camera"), Some(0.0));
    assert_eq!(kinds(&b), ["device_left"]);
    assert_eq!(b.events()[0].within, Span::secs(1), "read every second: known to within that");
    b.run(&mut p);
    assert!(b.events().is_empty(), "told once");
    plug(&b, "1-1.4", "480\n", "ttyUSB1");
    b.run(&mut p);
    assert_eq!(kinds(&b), ["device_arrived", "device_renamed"]);
    let e = b.events();
    assert_eq!(e[0].detail["away_ms"], 2000);
    assert_eq!(
        (e[0].detail["speed_mbit"].as_f64(), e[0].detail["was_speed_mbit"].as_f64()),
        (Some(480.0), Some(5000.0))
    );
    assert!(e[1].text.contains("came back as ttyUSB1, was ttyUSB0"), "{}", e[1].text);
    assert!(look::found(&b.roots())[0].note.contains("switch it off"));
}

#[test]
fn a_break_between_two_looks_is_known_by_the_new_number() {
    let b = bench();
    plug(&b, "1-1.4", "5000\n", "ttyUSB0");
    b.write("sys/bus/usb/devices/1-1.4/devnum", "7\n");
    let mut p = b.probes(all).probes;
    b.run(&mut p);
    b.run(&mut p);
    assert!(b.events().is_empty());
    b.write("sys/bus/usb/devices/1-1.4/devnum", "8\n");
    b.write("sys/bus/usb/devices/1-1.4/speed", "480\n");
    b.run(&mut p);
    assert_eq!(kinds(&b), ["contact_break", "device_arrived"]);
    let e = b.events();
    assert!(e[0].at.boot < e[1].at.boot && e[0].text.ends_with("lost contact for less than 1 s"), "{}", e[0].text);
    assert_eq!((e[0].detail["away_ms"].as_i64(), e[1].detail["speed_mbit"].as_f64()), (Some(500), Some(480.0)));
    b.run(&mut p);
    assert!(b.events().is_empty(), "told once");
}

#[test]
fn another_serial_number_is_another_device_and_no_bus_is_not_absence() {
    let b = bench();
    plug(&b, "2-1", "5000\n", "ttyUSB0");
    b.write("sys/bus/usb/devices/2-1/serial", "OP-0002\n");
    let mut p = b.probes(all).probes;
    b.run(&mut p);
    assert_eq!(b.value("device.main-camera"), Some(0.0));
    std::fs::remove_dir_all(b.root().join("sys/bus/usb")).unwrap();
    b.run(&mut p);
    assert_eq!(b.why("device.main-camera"), Some(WhyCode::Unsupported));
}

#[test]
fn a_device_known_only_by_its_node() {
    let mut b = bench();
    let mut d = device("device.mount-cable");
    (d.usb, d.serial, d.node) = (None, None, Some("/dev/ttyACM0".into()));
    b.config.devices = vec![d];
    let mut p = b.probes(all).probes;
    b.run(&mut p);
    assert_eq!(b.value("device.mount-cable"), Some(0.0));
    b.write("dev/ttyACM0", "");
    b.run(&mut p);
    assert_eq!(b.value("device.mount-cable"), Some(1.0));
    assert_eq!(kinds(&b), ["device_arrived"]);
}

#[test]
fn a_hot_plug_message_gives_the_event_its_own_time() {
    let (heard, now) = (LastHeard::default(), Stamp::new(crate::model::UnixMs(5), crate::model::BootMs(5)));
    heard.hear(now);
    heard.hear(now.plus(Span(9)));
    assert_eq!(heard.take(), Some(now), "the first one counts");
    assert_eq!(heard.take(), None);
}

proptest! {
    #[test]
    fn no_bytes_panic_or_leave_the_range(junk in proptest::collection::vec(any::<u8>(), 0..200)) {
        let b = bench();
        for f in ["idVendor", "idProduct", "serial", "speed"] {
            b.write_bytes(&format!("sys/bus/usb/devices/1-1/{f}"), &junk);
        }
        let mut p = b.probes(all).probes;
        b.run(&mut p);
        b.all_in_range();
    }
}
