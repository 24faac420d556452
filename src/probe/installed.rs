//! What is installed and how it is set: versions of the watched programs, the kernel, drivers, the port of each device, settings
//! that save power. Looked at when the agent and when a session starts; what differs from the last time is a change, and a
//! change is a rival of every other cause.
//!
//! Nothing is run to ask it for its version: a file is told by its size and the digest of its content.

use super::Roots;
use crate::config::Config;
use std::collections::BTreeMap;

/// Facts by name: `program.mount version`, `device.main-camera port`, `kernel`.
pub type Facts = BTreeMap<String, String>;

/// What can be found out now. What is not there now (a program that does not run, a device that is not plugged in) is left out.
#[cfg(target_os = "linux")]
pub fn facts(c: &Config, roots: &Roots) -> Facts {
    linux::facts(c, roots)
}

/// Nothing is looked at on other systems yet.
#[cfg(not(target_os = "linux"))]
pub fn facts(_: &Config, _: &Roots) -> Facts {
    Facts::new()
}

/// What differs: name, old, new. A fact that is seen for the first time is no change; one that is not seen now has not gone.
/// `known` takes the new ones.
pub fn differences(known: &mut Facts, now: Facts) -> Vec<(String, String, String)> {
    let mut out = vec![];
    for (what, new) in now {
        match known.insert(what.clone(), new.clone()) {
            Some(old) if old != new => out.push((what, old, new)),
            _ => {}
        }
    }
    out
}

#[cfg(target_os = "linux")]
mod linux {
    use super::Facts;
    use crate::config::Config;
    use crate::config::model::Program;
    use crate::probe::devices::bus::Bus;
    use crate::probe::devices::fits;
    use crate::probe::programs::procs::{self, Names};
    use crate::probe::{Roots, parse};
    use sha2::{Digest, Sha256};
    use std::fmt::Write;
    use std::io::Read;
    use std::path::{Path, PathBuf};

    /// A larger file is told by its size and time alone.
    const HASHED: u64 = 64 << 20;

    pub fn facts(c: &Config, roots: &Roots) -> Facts {
        let mut all = Facts::new();
        let mut put = |what: String, value: Option<String>| {
            if let Some(v) = value.filter(|v| !v.is_empty()) {
                all.insert(what, v);
            }
        };
        let text = |p: &str| roots.text(p);
        let kernel = text("/proc/sys/kernel/osrelease").map(|r| match text("/proc/sys/kernel/version") {
            Some(v) => format!("{r} ({v})"),
            None => r,
        });
        put("kernel".into(), kernel);
        put("processor governor".into(), text("/sys/devices/system/cpu/cpu0/cpufreq/scaling_governor"));
        put("USB power saving after, s".into(), text("/sys/module/usbcore/parameters/autosuspend"));
        let pids = processes(roots);
        for p in &c.programs {
            let Some((file, script)) = files(roots, p, &pids) else { continue };
            put(format!("{} version", p.name), file.and_then(|f| version(&f)));
            put(format!("{} script", p.name), script.and_then(|f| version(&f)));
        }
        let on_bus = Bus::new(roots.clone()).read().unwrap_or_default();
        for d in &c.devices {
            let Some(b) = on_bus.iter().find(|b| fits(d, b)) else { continue };
            put(format!("{} port", d.name), Some(b.port.clone()));
            let sleeps = if b.may_sleep { "allowed" } else { "off" };
            put(format!("{} power saving", d.name), Some(sleeps.into()));
            put(format!("{} driver", d.name), usb_driver(roots, &b.port));
        }
        for i in &c.interfaces {
            let base = format!("/sys/class/net/{}/device", i.device);
            put(format!("{} driver", i.name), driver(roots, &roots.path(&base)));
            put(format!("{} power saving", i.name), text(&format!("{base}/power/control")));
        }
        all
    }

    fn processes(roots: &Roots) -> Vec<u32> {
        let mut all: Vec<u32> = std::fs::read_dir(roots.path("proc"))
            .into_iter()
            .flatten()
            .flatten()
            .filter_map(|e| u32::try_from(parse::unsigned(e.file_name().as_encoded_bytes())?).ok())
            .collect();
        all.sort_unstable();
        all
    }

    /// The executable of a running program, and the script that it runs if it is one.
    fn files(roots: &Roots, p: &Program, pids: &[u32]) -> Option<(Option<PathBuf>, Option<PathBuf>)> {
        let me = std::process::id();
        let pid = *pids.iter().filter(|n| **n != me).find(|n| procs::fits(&p.find, &Names::new(roots, **n)))?;
        let exe = std::fs::read_link(roots.path(format!("proc/{pid}/exe"))).ok();
        let exe = exe.map(|e| match e.to_str().and_then(|t| t.strip_suffix(" (deleted)")) {
            // The program was replaced while it runs: the link itself still leads to what runs.
            Some(_) => roots.path(format!("proc/{pid}/exe")),
            None => roots.path(e),
        });
        let arguments = roots.read(format!("proc/{pid}/cmdline")).unwrap_or_default();
        let mut arguments = arguments.split(|b| *b == 0).filter_map(|a| std::str::from_utf8(a).ok());
        let first = arguments.next().unwrap_or("");
        let exe = exe.or_else(|| first.starts_with('/').then(|| roots.path(first)));
        // An argument that is a file with the first line of a script, or of a runner's kind.
        let script = arguments
            .filter(|a| a.starts_with('/') && !a.contains("/dev/"))
            .find(|a| [".py", ".pl", ".rb", ".sh", ".jar", ".js", ".exe"].iter().any(|e| a.ends_with(e)))
            .map(|a| roots.path(a));
        Some((exe, script))
    }

    /// "sha256 3fa9c1d2e4b5, 2 103 400 bytes"; by time where it is too large to be read through.
    pub fn version(file: &Path) -> Option<String> {
        let mut f = std::fs::File::open(file).ok()?;
        let meta = f.metadata().ok().filter(std::fs::Metadata::is_file)?;
        if meta.len() > HASHED {
            let time = meta.modified().ok()?.duration_since(std::time::UNIX_EPOCH).ok()?.as_secs();
            return Some(format!("{} bytes, written at {time}", meta.len()));
        }
        let mut hash = Sha256::new();
        let mut buf = vec![0; 64 * 1024];
        let mut left = HASHED;
        loop {
            let n = f.read(&mut buf).ok()?;
            if n == 0 || left == 0 {
                break;
            }
            left = left.saturating_sub(n as u64);
            hash.update(&buf[..n]);
        }
        let mut out = String::from("sha256 ");
        for b in hash.finalize().iter().take(6) {
            let _ = write!(out, "{b:02x}");
        }
        let _ = write!(out, ", {} bytes", meta.len());
        Some(out)
    }

    /// The driver behind a device's folder, with its version where it has one of its own.
    fn driver(roots: &Roots, device: &Path) -> Option<String> {
        let link = std::fs::read_link(device.join("driver")).ok()?;
        let name = link.file_name()?.to_str()?.to_owned();
        let module = std::fs::read_link(device.join("driver/module"))
            .ok()
            .and_then(|m| Some(m.file_name()?.to_str()?.to_owned()))
            .unwrap_or_else(|| name.clone());
        let version = ["version", "srcversion"]
            .iter()
            .find_map(|f| roots.text(format!("/sys/module/{module}/{f}")).filter(|t| !t.is_empty()));
        Some(version.map_or_else(|| name.clone(), |v| format!("{name} {v}")))
    }

    /// The drivers of a USB device's interfaces.
    fn usb_driver(roots: &Roots, port: &str) -> Option<String> {
        let folder = roots.path("/sys/bus/usb/devices");
        let mut all: Vec<String> = std::fs::read_dir(&folder)
            .ok()?
            .flatten()
            .filter(|e| {
                e.file_name().to_str().is_some_and(|n| n.strip_prefix(port).is_some_and(|r| r.starts_with(':')))
            })
            .filter_map(|e| driver(roots, &e.path()))
            .collect();
        all.sort();
        all.dedup();
        (!all.is_empty()).then(|| all.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_was_known_and_differs_is_a_change() {
        let facts = |all: &[(&str, &str)]| all.iter().map(|(a, b)| ((*a).into(), (*b).into())).collect::<Facts>();
        let mut known = Facts::new();
        assert!(differences(&mut known, facts(&[("kernel", "6.1"), ("a port", "1-1")])).is_empty(), "the first time");
        assert!(differences(&mut known, facts(&[("kernel", "6.1")])).is_empty(), "not plugged in now");
        let d = differences(&mut known, facts(&[("kernel", "6.2"), ("a port", "1-2"), ("b port", "1-3")]));
        let want = [("a port", "1-1", "1-2"), ("kernel", "6.1", "6.2")];
        assert_eq!(d, want.map(|(a, b, c)| (a.to_string(), b.to_string(), c.to_string())));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn facts_of_a_made_up_machine() {
        use crate::config::model::{Device, FindBy, Interface, Program};
        use crate::model::Name;
        use crate::probe::testing::Bench;
        use std::os::unix::fs::symlink;
        let name = |n: &str| Name::new(n).unwrap();
        let mut b = Bench::new(&[
            ("proc/sys/kernel/osrelease", "6.18.0\n"),
            ("proc/sys/kernel/version", "#1 SMP\n"),
            ("sys/module/usbcore/parameters/autosuspend", "2\n"),
            ("proc/500/cmdline", "/usr/bin/python3\0/opt/pier/mountlink.py\0"),
            ("proc/500/comm", "mountlink.py\n"),
            ("usr/bin/python3", "the interpreter"),
            ("opt/pier/mountlink.py", "print(1)\n"),
            ("sys/bus/usb/devices/1-1.4/idVendor", "1209\n"),
            ("sys/bus/usb/devices/1-1.4/idProduct", "0001\n"),
            ("sys/bus/usb/devices/1-1.4/power/control", "auto\n"),
            ("sys/bus/usb/devices/1-1.4:1.0/bInterfaceNumber", "00\n"),
            ("sys/bus/usb/drivers/cdc_acm/x", ""),
            ("sys/module/cdc_acm/srcversion", "ABC123\n"),
            ("sys/class/net/wlan0/device/power/control", "on\n"),
        ]);
        symlink("../../../bus/usb/drivers/cdc_acm", b.root().join("sys/bus/usb/devices/1-1.4:1.0/driver")).unwrap();
        b.config.programs = vec![Program {
            name: name("program.mount"),
            title: "mount program".into(),
            find: FindBy { executable: Some("mountlink.py".into()), ..FindBy::default() },
            leans_on: vec![],
            alive: vec![],
            holds: vec![],
        }];
        b.config.devices = vec![Device { usb: Some((0x1209, 1)), ..Device::new(name("device.camera")) }];
        b.config.interfaces =
            vec![Interface { name: name("interface.wlan0"), title: "Wi-Fi".into(), device: "wlan0".into() }];
        let all = facts(&b.config, &b.roots());
        let get = |k: &str| all.get(k).map(String::as_str);
        assert_eq!(get("kernel"), Some("6.18.0 (#1 SMP)"));
        assert_eq!(get("device.camera port"), Some("1-1.4"));
        assert_eq!(get("device.camera power saving"), Some("allowed"));
        assert_eq!(get("device.camera driver"), Some("cdc_acm ABC123"));
        assert_eq!(get("interface.wlan0 power saving"), Some("on"));
        // SHA-256 of "print(1)\n", by sha256sum(1).
        assert!(get("program.mount script").unwrap().ends_with(", 9 bytes"));
        let before = get("program.mount version").unwrap().to_string();
        assert!(before.starts_with("sha256 ") && before.ends_with(", 15 bytes"), "{before}");
        // The same content written anew is no other version.
        b.write("usr/bin/python3", "the interpreter");
        assert_eq!(facts(&b.config, &b.roots())["program.mount version"], before);
        b.write("usr/bin/python3", "the Interpreter");
        assert_ne!(facts(&b.config, &b.roots())["program.mount version"], before);
    }
}
