//! The built binary over made-up trees of the kernel's files, in a mount namespace of its own: hardware that no test machine has
//! (sensors, thermal zones, graphics, batteries, worn storage). These are fixtures after the kernel's documents, no live hardware:
//! "Naming and data format standards for sysfs files" (hwmon), "Generic Thermal Sysfs driver How To", "ABI testing sysfs-bus-iio",
//! "ABI testing sysfs-class-power", "DRM Internals". Needs root.

use crate::harness::{BINARY, BOUND, Setting, wait_for};
use std::path::PathBuf;
use std::process::Command;

/// A tree whose `sys`, and `run` if it has one, lie over the real ones.
pub struct Tree(tempfile::TempDir);

impl Tree {
    pub fn new() -> Tree {
        let t = Tree(tempfile::tempdir().unwrap());
        std::fs::create_dir_all(t.path("sys")).unwrap();
        t
    }
    pub fn path(&self, p: &str) -> PathBuf {
        self.0.path().join(p)
    }
    pub fn write(&self, p: &str, text: &str) {
        let path = self.path(p);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    pub fn link(&self, p: &str, to: &str) {
        let path = self.path(p);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::os::unix::fs::symlink(to, path).unwrap();
    }
    /// What is put in front of the binary.
    pub fn before(&self) -> Vec<String> {
        let root = self.0.path().display();
        let mut script = format!("mount --make-rprivate / && mount --bind {root}/sys /sys && ");
        for d in ["run", "dev/dri"] {
            if self.path(d).exists() {
                // `/dev/dri` may not be there to be covered: then another `/dev` is needed altogether.
                script += &match d {
                    "run" => format!("mount --bind {root}/run /run && "),
                    _ => format!(
                        "mkdir {root}/devs && mount -t tmpfs -o mode=755 tmpfs {root}/devs && cp -a /dev/null /dev/zero /dev/random \
                         /dev/urandom {root}/devs/ && cp -a {root}/dev/dri {root}/devs/ && mount --bind {root}/devs /dev && "
                    ),
                };
            }
        }
        script += "exec \"$@\"";
        ["unshare", "-m", "sh", "-c", &script, "sh"].map(String::from).to_vec()
    }
    /// Runs the binary to its end; what it printed.
    pub fn tilldawn(&self, arguments: &[&str]) -> String {
        let before = self.before();
        let out = Command::new(&before[0])
            .args(&before[1..])
            .arg(BINARY)
            .args(arguments)
            .env("HOME", self.0.path())
            .env("XDG_STATE_HOME", self.0.path())
            .output()
            .unwrap();
        assert!(out.status.success(), "{out:?}");
        String::from_utf8(out.stdout).unwrap()
    }
}

fn pier() -> Tree {
    let t = Tree::new();
    for (f, text) in [
        ("class/hwmon/hwmon0/name", "drivetemp\n"),
        ("class/hwmon/hwmon0/temp1_input", "24000\n"),
        ("class/hwmon/hwmon1/name", "board_volt\n"),
        ("class/hwmon/hwmon1/in0_lcrit_alarm", "0\n"),
        ("class/hwmon/hwmon2/name", "sht3x\n"),
        ("class/hwmon/hwmon2/temp1_input", "10000\n"),
        ("class/hwmon/hwmon2/humidity1_input", "80000\n"),
        ("class/thermal/thermal_zone0/type", "cpu-thermal\n"),
        ("class/thermal/thermal_zone0/temp", "51234\n"),
        ("bus/iio/devices/iio:device0/name", "outside-air\n"),
        ("bus/iio/devices/iio:device0/in_temp_input", "3500\n"),
        ("class/power_supply/AC/type", "Mains\n"),
        ("class/power_supply/AC/online", "1\n"),
        ("class/power_supply/BAT0/type", "Battery\n"),
        ("class/power_supply/BAT0/capacity", "93\n"),
        ("class/power_supply/BAT0/status", "Full\n"),
        ("class/drm/renderD128/device/x", ""),
    ] {
        t.write(&format!("sys/{f}"), text);
    }
    t.link("sys/class/drm/renderD128/device/driver", "../../../../bus/pci/drivers/i915");
    t.write("dev/dri/renderD128", "");
    t
}

const CONFIG: &str = r#"
[temperature.box]
hwmon = "sht3x/temp1"
every = "1 s"
[humidity.box]
hwmon = "sht3x/humidity1"
every = "1 s"
[temperature.outside]
iio = "outside-air/temp"
every = "1 s"
"#;

#[test]
fn sensors_supplies_and_graphics_of_a_made_up_pier() {
    let t = pier();
    let mut setting = Setting::new(CONFIG);
    setting.before = t.before();
    let mut agent = setting.start();
    let value = |name: &str| {
        agent.wait_json(name, "/api/v1/signals", BOUND, |v| {
            let s = v["signals"].as_array()?.iter().find(|s| s["name"] == name)?;
            s["latest"]["value"].as_f64()
        })
    };
    for (name, want) in [
        ("temperature.box", 10.0),
        ("humidity.box", 80.0),
        ("temperature.outside", 3.5),
        ("temperature.drivetemp", 24.0),
        ("temperature.cpu-thermal", 51.2),
        ("power.mains", 1.0),
        ("power.charge", 93.0),
        ("power.undervoltage", 0.0),
        ("graphics.hardware", 1.0),
        ("temperature.lift", 6.5),
        // WMO-No. 8, Annex 4.B: 10 °C and 80 % have their dew point at 6.7 °C.
        ("dew.point", 6.7),
        ("dew.margin", 3.3),
    ] {
        assert_eq!(value(name), want, "{name}");
    }
    // The mains plug is pulled and the voltage sags.
    t.write("sys/class/power_supply/AC/online", "0\n");
    t.write("sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n");
    let told = wait_for("both told", BOUND, || {
        let v = agent.json("/api/v1/events?kind=changed");
        let all: Vec<String> =
            v["events"].as_array()?.iter().filter_map(|e| Some(e["detail"]["what"].as_str()?.to_string())).collect();
        (all.len() >= 2).then_some(all)
    });
    assert!(told.contains(&"supply".into()) && told.contains(&"supply voltage".into()), "{told:?}");
    // A sensor that is pulled out takes with it what was worked out from it, and says why.
    std::fs::remove_dir_all(t.path("sys/class/hwmon/hwmon2")).unwrap();
    let why = agent.wait_json("the reason", "/api/v1/signals", BOUND, |v| {
        let s = v["signals"].as_array()?.iter().find(|s| s["name"] == "dew.margin")?;
        s["latest"]["unavailable"]["text"].as_str().map(str::to_string)
    });
    assert!(why.starts_with("box temperature:") || why.starts_with("box humidity:"), "{why}");
    assert!(agent.stop().success());
}

#[test]
fn look_lists_what_is_there_with_lines_that_load() {
    let t = pier();
    let told = t.tilldawn(&["look"]);
    for part in [
        "hwmon = \"sht3x/humidity1\"",
        "thermal = \"cpu-thermal\"",
        "iio = \"outside-air/temp\"",
        "hardware renderD128 (i915)",
        "on = \"power.mains\"",
        "battery BAT0: charge 93 %",
        "the clock",
    ] {
        assert!(told.contains(part), "{part}:\n{told}");
    }
    // The lines that are set in are the ones to paste.
    let lines: Vec<&str> =
        told.lines().filter_map(|l| l.strip_prefix("      ")).filter(|l| !l.starts_with(' ')).collect();
    let text: String = lines.iter().filter(|l| !l.starts_with("granted by")).map(|l| format!("{l}\n")).collect();
    // Each table on its own, since two sensors may be offered under one name.
    for table in text.split("\n[").map(|t| if t.starts_with('[') { t.to_string() } else { format!("[{t}") }) {
        // What else runs on the machine that tests this is not of the tree.
        if ["[temperature", "[humidity", "[rule"].iter().any(|k| table.starts_with(k)) {
            tilldawn::config::parse(&table, None).unwrap_or_else(|e| panic!("{e:#?}\n{table}"));
        }
    }
}

#[test]
fn torn_empty_and_endless_files_are_said_to_be_unreadable() {
    let t = pier();
    // The kernel hands out at most a page; longer lines are nobody's number.
    t.write("sys/class/hwmon/hwmon2/temp1_input", &"9".repeat(4096));
    t.write("sys/class/hwmon/hwmon2/humidity1_input", "");
    t.write("sys/bus/iio/devices/iio:device0/in_temp_input", "3\0\u{fffd}7");
    let mut setting = Setting::new(CONFIG);
    setting.before = t.before();
    let mut agent = setting.start();
    for name in ["temperature.box", "humidity.box", "temperature.outside", "temperature.lift", "dew.margin"] {
        agent.wait_json(name, "/api/v1/signals", BOUND, |v| {
            let s = v["signals"].as_array()?.iter().find(|s| s["name"] == name)?;
            let code = s["latest"]["unavailable"]["code"].as_str()?;
            assert!(s["latest"]["value"].is_null());
            (code == "garbled").then_some(())
        });
    }
    assert!(agent.stop().success());
}

/// Sets a filter of system calls as the service manager does for `ProtectClock=yes` (refused with EPERM), then becomes the command.
const FILTER: &str = r#"
import ctypes, os, platform, struct, sys
numbers = {"x86_64": (159, 305), "aarch64": (171, 266)}[platform.machine()]
code = [(0x20, 0, 0, 0)]
for i, n in enumerate(numbers):
    code.append((0x15, len(numbers) - i, 0, n))
code += [(0x06, 0, 0, 0x7FFF0000), (0x06, 0, 0, 0x00050001)]
program = ctypes.create_string_buffer(b"".join(struct.pack("HBBI", *c) for c in code))
filter = ctypes.create_string_buffer(struct.pack("HxxxxxxQ", len(code), ctypes.addressof(program)))
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0 and libc.prctl(22, 2, filter, 0, 0) == 0, os.strerror(ctypes.get_errno())
os.execv(sys.argv[1], sys.argv[1:])
"#;

#[test]
fn a_filter_that_leaves_the_clock_out_is_named_with_its_grant() {
    let before = ["python3", "-c", FILTER].map(String::from).to_vec();
    let mut setting = Setting::new("");
    setting.before = before.clone();
    let mut agent = setting.start();
    let why = agent.wait_json("the reason", "/api/v1/signals", BOUND, |v| {
        let s = v["signals"].as_array()?.iter().find(|s| s["name"] == "clock.synchronised")?;
        assert!(s["latest"]["value"].is_null());
        s["latest"]["unavailable"]["text"].as_str().map(str::to_string)
    });
    assert!(why.contains("clock-state.conf"), "{why}");
    assert!(agent.stop().success());
    let folder = tempfile::tempdir().unwrap();
    let look = |words: &[String]| {
        let out = Command::new(&words[0]).args(&words[1..]).arg("look").env("HOME", folder.path()).output().unwrap();
        String::from_utf8(out.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let closed = look(&[&before[..], &[BINARY.to_string()]].concat());
    assert!(closed.contains("Whether the clock is synchronised: the filter of system calls"), "{closed}");
    let open = look(&[BINARY.to_string()]);
    assert!(!open.contains("Whether the clock is synchronised:"), "{open}");
}

/// No fixture: a real tmpfs that is remounted read-only under the running agent.
#[test]
fn a_real_disk_that_turns_read_only_is_an_alarm() {
    let folder = tempfile::tempdir().unwrap();
    let disk = folder.path().join("disk");
    std::fs::create_dir(&disk).unwrap();
    let disk = disk.display();
    let script = format!("mount --make-rprivate / && mount -t tmpfs tmpfs {disk} && exec \"$@\"");
    let config = format!(
        "[disk.frames]\ntitle = \"disk for frames\"\npath = \"{disk}\"\n[rule.disk-read-only]\non_delay = \"0 s\"\n"
    );
    let mut setting = Setting::new(&config);
    setting.before = ["unshare", "-m", "sh", "-c", &script, "sh"].map(String::from).to_vec();
    let mut agent = setting.start();
    let writable = |want: f64| {
        agent.wait_json("whether it can be written", "/api/v1/signals", BOUND, |v| {
            let s = v["signals"].as_array()?.iter().find(|s| s["name"] == "disk.frames.writable")?;
            (s["latest"]["value"].as_f64()? == want).then_some(())
        });
    };
    let modes = || {
        let v = agent.json("/api/v1/events?kind=changed");
        let all = v["events"].as_array().unwrap().iter();
        let of = all.filter(|e| e["detail"]["what"] == "disk.frames mode");
        of.map(|e| e["detail"]["new"].as_str().unwrap().to_string()).collect::<Vec<_>>()
    };
    let remount = |how: &str| {
        let pid = agent.child.id().to_string();
        let done = Command::new("nsenter")
            .args(["-t", &pid, "-m", "mount", "-o", &format!("remount,{how}"), &disk.to_string()])
            .status();
        assert!(done.unwrap().success());
    };
    writable(1.0);
    // The storage probe has looked once, too, when it has said something of the disk's writing.
    agent.wait_json("a look at its health", "/api/v1/signals", BOUND, |v| {
        let s = v["signals"].as_array()?.iter().find(|s| s["name"] == "disk.frames.written")?;
        (!s["latest"].is_null()).then_some(())
    });
    remount("ro");
    let text = agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
        let a = v["alarms"].as_array()?.iter().find(|a| a["rule"] == "rule.disk-read-only")?;
        a["text"].as_str().map(str::to_string)
    });
    assert!(text.contains("disk for frames"), "{text}");
    wait_for("the change", BOUND, || (modes() == ["read-only"]).then_some(()));
    remount("rw");
    writable(1.0);
    wait_for("the change back", BOUND, || (modes() == ["read-only", "writable"]).then_some(()));
    assert!(agent.stop().success());
}
