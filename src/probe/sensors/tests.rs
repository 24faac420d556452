#![allow(clippy::unwrap_used)]
use super::*;
use crate::config::model::SensorSource;
use crate::model::{BootMs, UnixMs, WhyCode};
use crate::probe::testing::Bench;
use proptest::prelude::*;
use std::path::PathBuf;

fn sensor(name: &str, source: SensorSource) -> Sensor {
    Sensor {
        name: Name::new(name).unwrap(),
        title: "test".into(),
        kind: if name.starts_with("hum") { SensorKind::Humidity } else { SensorKind::Temperature },
        place: "box".into(),
        scale: match source {
            SensorSource::Hwmon { .. }
            | SensorSource::Thermal { .. }
            | SensorSource::Iio { .. }
            | SensorSource::OneWire { .. } => 0.001,
            _ => 1.0,
        },
        source,
        fahrenheit: false,
        offset: 0.0,
        plausible: (-60.0, 100.0),
        largest_jump: 15.0,
        frozen_after: Some(Span::mins(10)),
        silent_after: Span::mins(5),
        every: Span::secs(1),
        deadline: Span::secs(2),
    }
}

fn at(s: i64) -> Stamp {
    Stamp::new(UnixMs(s * 1000), BootMs(s * 1000))
}

fn raw(number: f64) -> Result<Raw, Why> {
    Ok(Raw { number, age: Span::ZERO })
}

fn bench(files: &[(&str, &str)], sensors: Vec<Sensor>) -> Bench {
    let mut b = Bench::new(files);
    b.config.sensors = sensors;
    b
}

#[test]
fn fahrenheit_offset_and_range() {
    let mut s = sensor("temperature.box", SensorSource::File { path: "x".into(), pointer: None });
    (s.fahrenheit, s.offset) = (true, -0.5);
    let mut j = Judge::new(&s);
    assert!((j.judge(at(0), raw(50.0)).unwrap() - 9.5).abs() < 1e-12);
    assert_eq!(j.judge(at(1), raw(500.0)).unwrap_err().code, WhyCode::OutOfRange);
    assert_eq!(j.judge(at(2), raw(f64::NAN)).unwrap_err().code, WhyCode::Garbled);
}

#[test]
fn a_jump_is_believed_only_when_it_stays() {
    let mut j = Judge::new(&sensor("temperature.box", SensorSource::File { path: "x".into(), pointer: None }));
    assert!(j.judge(at(0), raw(5.0)).is_ok());
    assert_eq!(j.judge(at(1), raw(60.0)).unwrap_err().code, WhyCode::Jumped);
    assert!(j.judge(at(2), raw(5.1)).is_ok());
    for t in [3, 4] {
        assert_eq!(j.judge(at(t), raw(40.0)).unwrap_err().code, WhyCode::Jumped);
    }
    assert_eq!(j.judge(at(5), raw(40.1)), Ok(40.1));
}

#[test]
fn frozen_and_silent_are_told_apart_from_steady() {
    let mut j = Judge::new(&sensor("temperature.box", SensorSource::File { path: "x".into(), pointer: None }));
    assert!(j.judge(at(0), raw(5.0)).is_ok());
    assert!(j.judge(at(599), raw(5.0)).is_ok());
    assert_eq!(j.judge(at(600), raw(5.0)).unwrap_err().code, WhyCode::Frozen);
    assert!(j.judge(at(601), raw(5.06)).is_ok());
    let old = Ok(Raw { number: 5.1, age: Span::mins(6) });
    assert_eq!(j.judge(at(602), old).unwrap_err().code, WhyCode::Silent);
}

#[test]
fn one_wire_power_on_and_error_values_are_no_temperatures() {
    // 85 °C and −127 °C: common practice, no source (makers' data sheets state them).
    assert_eq!(kernel::one_wire(85_000).unwrap_err().code, WhyCode::OutOfRange);
    assert_eq!(kernel::one_wire(-127_000).unwrap_err().code, WhyCode::OutOfRange);
    assert_eq!(kernel::one_wire(84_937), Ok(84_937.0));
    assert_eq!(kernel::one_wire(-625), Ok(-625.0));
}

#[test]
fn the_kernels_sensors_in_a_made_up_tree() {
    let hw = |chip: &str, input: &str| SensorSource::Hwmon { chip: chip.into(), input: input.into() };
    let b = bench(
        &[
            ("sys/class/hwmon/hwmon3/name", "nvme\n"),
            ("sys/class/hwmon/hwmon3/temp1_input", "31850\n"),
            ("sys/class/hwmon/hwmon3/temp1_label", "Composite\n"),
            ("sys/class/hwmon/hwmon4/name", "sht3x\n"),
            ("sys/class/hwmon/hwmon4/humidity1_input", "45700\n"),
            ("sys/class/thermal/thermal_zone0/type", "cpu-thermal\n"),
            ("sys/class/thermal/thermal_zone0/temp", "48312\n"),
            ("sys/bus/iio/devices/iio:device0/name", "bme280\n"),
            ("sys/bus/iio/devices/iio:device0/in_temp_input", "11230\n"),
            ("sys/bus/iio/devices/iio:device1/name", "hdc1080\n"),
            ("sys/bus/iio/devices/iio:device1/in_temp_raw", "23808\n"),
            ("sys/bus/iio/devices/iio:device1/in_temp_offset", "-15887\n"),
            ("sys/bus/iio/devices/iio:device1/in_temp_scale", "2.517700195\n"),
            (
                "sys/bus/w1/devices/28-0000075a1b2c/w1_slave",
                "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
            ),
            ("sys/bus/w1/devices/28-00000bad0000/w1_slave", "ff ff : crc=c9 NO\nff ff t=-127000\n"),
            ("sys/bus/w1/devices/28-000000000085/temperature", "85000\n"),
        ],
        vec![
            sensor("temperature.disk", hw("nvme", "Composite")),
            sensor("temperature.disk-by-input", hw("nvme", "temp1")),
            sensor("temperature.no-chip", hw("absent", "temp1")),
            sensor("temperature.no-input", hw("nvme", "temp9")),
            sensor("humidity.box", hw("sht3x", "humidity1")),
            sensor("temperature.zone", SensorSource::Thermal { zone: "cpu-thermal".into() }),
            sensor("temperature.iio", SensorSource::Iio { device: "bme280".into(), channel: "temp".into() }),
            sensor("temperature.raw", SensorSource::Iio { device: "hdc1080".into(), channel: "temp".into() }),
            sensor("temperature.wire", SensorSource::OneWire { address: "28-0000075a1b2c".into() }),
            sensor("temperature.bad-wire", SensorSource::OneWire { address: "28-00000bad0000".into() }),
            sensor("temperature.power-on", SensorSource::OneWire { address: "28-000000000085".into() }),
        ],
    );
    let mut p = b.probes(probes);
    b.run(&mut p);
    for (name, v) in [
        ("temperature.disk", 31.85),
        ("temperature.disk-by-input", 31.85),
        ("humidity.box", 45.7),
        ("temperature.zone", 48.31),
        ("temperature.iio", 11.23),
        // (23808 − 15887) · 2.517700195 / 1000, the formula of the kernel document "ABI testing sysfs-bus-iio".
        ("temperature.raw", 19.94),
        ("temperature.wire", 23.13),
    ] {
        assert_eq!(b.value(name), Some(v), "{name}: {}", b.why_text(name));
    }
    for (name, code) in [
        ("temperature.no-chip", WhyCode::Absent),
        ("temperature.no-input", WhyCode::Absent),
        ("temperature.bad-wire", WhyCode::Garbled),
        ("temperature.power-on", WhyCode::OutOfRange),
    ] {
        assert_eq!(b.why(name), Some(code), "{name}");
    }
    let found = look::found(&b.roots());
    assert!(found.len() >= 6);
    for f in found {
        // Each on its own, as a person pastes it.
        let text = f.config_lines.join("\n");
        crate::config::parse(&text, None).unwrap_or_else(|e| panic!("{e:#?}\n{text}"));
    }
}

#[test]
fn a_chip_that_changes_its_number_is_found_again() {
    let source = SensorSource::Hwmon { chip: "nvme".into(), input: "temp1".into() };
    let b = bench(
        &[("sys/class/hwmon/hwmon3/name", "nvme"), ("sys/class/hwmon/hwmon3/temp1_input", "31000")],
        vec![sensor("temperature.disk", source)],
    );
    let mut p = b.probes(probes);
    b.run(&mut p);
    assert_eq!(b.value("temperature.disk"), Some(31.0));
    std::fs::remove_dir_all(b.root().join("sys/class/hwmon/hwmon3")).unwrap();
    b.run(&mut p);
    assert_eq!(b.why("temperature.disk"), Some(WhyCode::Absent));
    b.write("sys/class/hwmon/hwmon1/name", "nvme");
    b.write("sys/class/hwmon/hwmon1/temp1_input", "32000");
    b.run(&mut p);
    assert_eq!(b.value("temperature.disk"), Some(32.0));
}

#[test]
fn numbers_in_text_and_at_json_pointers() {
    for (text, v) in [("12.5\n", 12.5), (" −3,5 °C", -3.5), ("12.5C", 12.5), ("\u{feff}7", 7.0), ("1e1", 10.0)] {
        assert_eq!(number::number_in(text.as_bytes(), None).unwrap(), v, "{text}");
    }
    for text in ["", "warm", "12.5 13.5", "nan", "--", "inf", "1.2.3"] {
        assert_eq!(number::number_in(text.as_bytes(), None).unwrap_err().code, WhyCode::Garbled, "{text}");
    }
    // The example document of RFC 6901, section 5.
    let rfc = br#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
    for (pointer, v) in [("/", 0.0), ("/a~1b", 1.0), ("/c%d", 2.0), ("/e^f", 3.0), ("/g|h", 4.0), ("/m~0n", 8.0)] {
        assert_eq!(number::number_in(rfc, Some(pointer)).unwrap(), v, "{pointer}");
    }
    assert!(number::number_in(rfc, Some("/foo/0")).is_err());
    assert!(number::number_in(rfc, Some("/nothing")).unwrap_err().text.contains("nothing at"));
    assert_eq!(number::number_in(r#"{"t":{"value":"4.25 °C"}}"#.as_bytes(), Some("/t/value")).unwrap(), 4.25);
}

#[test]
fn a_file_that_is_not_written_any_more_is_silent() {
    let b = bench(&[("s", "4.5")], vec![]);
    let path = b.root().join("s");
    let mut f = number::File::new(path.clone(), None);
    let written = std::time::UNIX_EPOCH + std::time::Duration::from_secs(10_000);
    std::fs::File::options().append(true).open(&path).unwrap().set_modified(written).unwrap();
    assert_eq!(f.read(at(10_000)).unwrap().age, Span::ZERO);
    assert_eq!(f.read(at(13_600)).unwrap().age, Span::hours(1));
    assert_eq!(number::File::new(PathBuf::from("/nonexistent/x"), None).read(at(0)).unwrap_err().code, WhyCode::Absent);
}

#[cfg(unix)]
#[test]
fn commands_have_a_limit_and_no_shell() {
    let run = |a: &[&str]| command::Output::new(a.iter().map(|s| s.to_string()).collect(), None, Span(400)).read(at(0));
    assert_eq!(run(&["/bin/echo", "7.25 °C"]).unwrap().number, 7.25);
    assert_eq!(run(&["/bin/sleep", "600"]).unwrap_err().code, WhyCode::TimedOut);
    assert_eq!(run(&["/bin/false"]).unwrap_err().code, WhyCode::Failed);
    assert_eq!(run(&["/nonexistent/reader"]).unwrap_err().code, WhyCode::Absent);
    assert_eq!(run(&["/bin/echo", "$(id -u)"]).unwrap_err().code, WhyCode::Garbled);
    assert_eq!(run(&["/bin/cat", "/dev/zero"]).unwrap_err().code, WhyCode::TimedOut);
}

#[test]
fn a_real_http_sensor() {
    use std::io::{Read, Write};
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let serving = std::thread::spawn(move || {
        for body in ["{\"t\": -2.75}", "oops"] {
            let (mut c, _) = listener.accept().unwrap();
            let mut got = [0; 1024];
            let n = c.read(&mut got).unwrap();
            assert!(got[..n].starts_with(b"GET /air?x=1 HTTP/1.1\r\n"));
            write!(c, "HTTP/1.1 200 OK\r\ncontent-length: {}\r\n\r\n{body}", body.len()).unwrap();
        }
        // The third is accepted and never answered.
        let (c, _) = listener.accept().unwrap();
        std::thread::sleep(std::time::Duration::from_millis(900));
        drop(c);
    });
    let mut a = http::Answer::new(format!("http://{address}/air?x=1"), Some("/t".into()), Span(500));
    assert_eq!(a.read(at(0)).unwrap().number, -2.75);
    assert_eq!(a.read(at(1)).unwrap_err().code, WhyCode::Garbled);
    assert_eq!(a.read(at(2)).unwrap_err().code, WhyCode::TimedOut);
    serving.join().unwrap();
    assert!(a.read(at(3)).is_err());
}

proptest! {
    #[test]
    fn no_bytes_panic_or_leave_the_range(junk in proptest::collection::vec(any::<u8>(), 0..300), pointer in proptest::option::of("(/[a-z~0-9]{0,4}){0,3}")) {
        let _ = number::number_in(&junk, pointer.as_deref());
        let b = bench(&[("sys/bus/w1/devices/28-1/x", ""), ("sys/class/thermal/thermal_zone0/type", "z")], vec![
            sensor("temperature.a", SensorSource::OneWire { address: "28-1".into() }),
            sensor("temperature.b", SensorSource::Thermal { zone: "z".into() }),
            sensor("temperature.c", SensorSource::File { path: "f".into(), pointer: None }),
        ]);
        for f in ["sys/bus/w1/devices/28-1/w1_slave", "sys/class/thermal/thermal_zone0/temp", "f"] {
            b.write_bytes(f, &junk);
        }
        let mut p = b.probes(probes);
        b.run(&mut p);
        b.all_in_range();
    }

    #[test]
    fn whatever_the_judge_lets_through_is_plausible(numbers in proptest::collection::vec(any::<f64>(), 1..40)) {
        let mut j = Judge::new(&sensor("temperature.box", SensorSource::File { path: "x".into(), pointer: None }));
        for (i, n) in numbers.iter().enumerate() {
            if let Ok(v) = j.judge(at(i as i64), raw(*n)) {
                prop_assert!((-60.0..=100.0).contains(&v));
            }
        }
    }
}
