use super::*;
use proptest::prelude::*;
use std::os::unix::fs::symlink;

fn put(roots: &Roots, path: &str, text: &str) {
    let p = roots.path(path);
    std::fs::create_dir_all(p.parent().unwrap()).unwrap();
    std::fs::write(p, text).unwrap();
}

/// A process with these open files; an ending `+w` means open for writing.
fn process(roots: &Roots, pid: u32, exe: &str, arguments: &[&str], files: &[&str]) {
    put(roots, &format!("/proc/{pid}/cmdline"), &(arguments.join("\0") + "\0"));
    symlink(exe, roots.path(format!("/proc/{pid}/exe"))).unwrap();
    for (i, f) in files.iter().enumerate() {
        let path = f.trim_end_matches("+w");
        let flags = if f.ends_with("+w") { "0100001" } else { "0100000" };
        put(roots, &format!("/proc/{pid}/fdinfo/{i}"), &format!("pos:\t0\nflags:\t{flags}\n"));
        std::fs::create_dir_all(roots.path(format!("/proc/{pid}/fd"))).unwrap();
        symlink(path, roots.path(format!("/proc/{pid}/fd/{i}"))).unwrap();
    }
}

/// An evening at an invented pier: a mount program on a serial cable, a guiding program that talks to it, a camera program
/// on a USB camera that writes frames and talks to both, a remote desktop from the house, and somebody's editor.
fn evening() -> (tempfile::TempDir, Roots) {
    let dir = tempfile::tempdir().unwrap();
    let roots = Roots::at(dir.path());
    process(
        &roots,
        10,
        "/opt/pier/mount-driver",
        &["/opt/pier/mount-driver"],
        &["/dev/ttyUSB0", "socket:[100]", "socket:[101]", "socket:[102]"],
    );
    process(
        &roots,
        20,
        "/usr/bin/python3.11",
        &["python3", "-u", "/opt/pier/guide-star.py"],
        &["socket:[201]", "socket:[200]", "socket:[203]", "/home/pier/logs/guiding-1.txt+w"],
    );
    process(
        &roots,
        30,
        "/opt/pier/exposures",
        &["exposures"],
        &["/dev/bus/usb/003/007", "socket:[302]", "socket:[303]", "/home/pier/frames/2026-01-12/light_001.fits+w"],
    );
    process(&roots, 40, "/usr/bin/editor", &["editor", "/home/pier/frames/x.fits"], &["/home/pier/frames/old.fits"]);
    process(&roots, 50, "/usr/sbin/desk", &["desk"], &["socket:[500]", "socket:[501]"]);
    let s = |n: u32, local: &str, remote: &str, state: &str, inode: u32| {
        format!(
            "   {n}: {local} {remote} {state} 00000000:00000000 00:00000000 00000000  1000        0 {inode} 1 0 20 4 30 10 -1\n"
        )
    };
    let home = "0100007F";
    let mut t = String::from("  sl  local_address rem_address   st\n");
    t += &s(0, &format!("{home}:1BBD"), "00000000:0000", "0A", 100);
    t += &s(1, &format!("{home}:C001"), &format!("{home}:1BBD"), "01", 201);
    t += &s(2, &format!("{home}:1BBD"), &format!("{home}:C001"), "01", 101);
    t += &s(3, &format!("{home}:C002"), &format!("{home}:1BBD"), "01", 302);
    t += &s(4, &format!("{home}:1BBD"), &format!("{home}:C002"), "01", 102);
    t += &s(5, &format!("{home}:1BBE"), "00000000:0000", "0A", 200);
    t += &s(6, &format!("{home}:C003"), &format!("{home}:1BBE"), "01", 303);
    t += &s(7, &format!("{home}:1BBE"), &format!("{home}:C003"), "01", 203);
    t += &s(8, "0F01A8C0:170C", "00000000:0000", "0A", 500);
    t += &s(9, "0F01A8C0:170C", "1401A8C0:C004", "01", 501);
    put(&roots, "/proc/net/tcp", &t);
    // The camera on bus 3, device 7; the serial cable behind its tty.
    let camera = "/sys/devices/pci/usb3/3-1/3-1.4";
    for (f, v) in [
        ("busnum", "3"),
        ("devnum", "7"),
        ("idVendor", "1209"),
        ("idProduct", "0001"),
        ("serial", "OP-1"),
        ("product", "Pier Cam \"C\""),
    ] {
        put(&roots, &format!("{camera}/{f}"), &format!("{v}\n"));
    }
    std::fs::create_dir_all(roots.path("/sys/bus/usb/devices")).unwrap();
    symlink(roots.path(camera), roots.path("/sys/bus/usb/devices/3-1.4")).unwrap();
    let cable = "/sys/devices/pci/usb3/3-2";
    put(&roots, &format!("{cable}/idVendor"), "1209\n");
    put(&roots, &format!("{cable}/idProduct"), "0002\n");
    std::fs::create_dir_all(roots.path(format!("{cable}/3-2:1.0/ttyUSB0"))).unwrap();
    std::fs::create_dir_all(roots.path("/sys/class/tty/ttyUSB0")).unwrap();
    symlink(roots.path(format!("{cable}/3-2:1.0/ttyUSB0")), roots.path("/sys/class/tty/ttyUSB0/device")).unwrap();
    (dir, roots)
}

fn seen(roots: &Roots) -> Seen {
    let mut g = Gather::default();
    g.look(roots);
    g.look(roots);
    g.finish(roots, Some(Path::new("/home/pier")), std::time::SystemTime::now())
}

fn head() -> Head {
    Head { field: "orchard pier".into(), when: "12 January 2026".into(), ..Head::default() }
}

#[test]
#[cfg(target_endian = "little")]
fn an_evening_is_seen_and_proposed() {
    let (_dir, roots) = evening();
    let seen = seen(&roots);
    assert_eq!(seen.programs.len(), 3, "{:#?}", seen.programs);
    let text = propose(&seen, &head());
    insta::assert_snapshot!(text);
    let c = crate::config::parse(&text, None).unwrap();
    let leans = |n: &str| -> Vec<String> {
        c.leans_on(&crate::model::Name::new(n).unwrap()).iter().map(ToString::to_string).collect()
    };
    assert_eq!(leans("program.guide-star"), ["program.mount-driver"]);
    assert_eq!(leans("program.exposures"), ["device.pier-cam-c", "program.guide-star", "program.mount-driver"]);
    assert_eq!(leans("program.mount-driver"), ["device.ttyusb0"]);
    assert_eq!(leans("frames.main"), ["program.exposures"]);
    let chain: Vec<&str> = c.session.chain.iter().map(|n| n.own()).collect();
    assert_eq!(chain, ["mount-driver", "guide-star", "exposures"]);
    assert!(c.links.iter().any(|l| l.to == crate::config::model::Target::Host("192.168.1.20".into())));
    // Every leaning is marked as a guess.
    for l in text.lines().filter(|l| l.starts_with("  \"") || l.starts_with("leans_on = [\"") || l.starts_with("holds"))
    {
        assert!(l.contains("a guess"), "{l}");
    }
}

#[test]
fn programs_that_talk_in_a_circle_still_load() {
    let p = |name: &str, talks: &[(usize, u16)]| Running {
        executable: name.into(),
        nodes: ["/dev/ttyUSB0".into()].into(),
        talks_to: talks.iter().copied().collect(),
        ..Running::default()
    };
    let seen = Seen { programs: vec![p("a", &[(1, 1)]), p("b", &[(2, 2)]), p("c", &[(0, 3)])], ..Seen::default() };
    let text = propose(&seen, &head());
    crate::config::parse(&text, None).unwrap_or_else(|e| panic!("{e:#?}\n{text}"));
    assert!(text.contains("would make a circle"), "{text}");
}

#[test]
fn nothing_running_is_said_and_loads() {
    let text = propose(&Seen { closed: 3, ..Seen::default() }, &head());
    crate::config::parse(&text, None).unwrap();
    assert!(
        text.contains("run this again while the chain is up") && text.contains("3 processes of other users"),
        "{text}"
    );
}

#[test]
fn lines_that_do_not_load_become_comments() {
    let more = vec![
        ("good".to_owned(), vec!["[disk.a]".to_owned(), "path = \"/\"".into()]),
        ("bad".into(), vec!["[disk.b]".into(), "paht = \"/\"".into()]),
    ];
    let text = propose(&Seen::default(), &Head { more, ..head() });
    let c = crate::config::parse(&text, None).unwrap();
    assert!(c.disks.iter().any(|d| d.name.own() == "a") && text.contains("# paht"), "{text}");
}

#[test]
fn tonights_devices_are_the_expected_ones() {
    let one = |serial: &str| {
        let mut lines = vec!["[device.pier-cam]".to_owned(), "usb = \"1209:0001\"".into()];
        if !serial.is_empty() {
            lines.push(format!("serial = \"{serial}\""));
        }
        ("Pier Cam".to_owned(), "in port 1-1.4".to_owned(), lines)
    };
    let text = propose_devices(&[one("A"), one("B")], "12 January");
    let c = crate::config::parse(&text, None).unwrap();
    // They are called alike by their maker, so the second is told apart by its name.
    assert_eq!(c.devices.iter().map(|d| d.name.as_str()).collect::<Vec<_>>(), ["device.pier-cam", "device.pier-cam-2"]);
    assert!(text.contains("in port 1-1.4"), "{text}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever programs, devices and files are called: the written file loads.
    #[test]
    fn any_machine_gives_a_file_that_loads(
        names in prop::collection::vec(("\\PC{1,20}", prop::option::of("[\\PC\\\\\"']{1,30}"), prop::option::of("\\PC{1,12}")), 0..5),
        talks in prop::collection::vec((0usize..5, 0usize..5, any::<u16>()), 0..8),
        field in "[\\PC\n\"\\\\]{1,20}",
        folder in "/\\PC{1,20}",
    ) {
        let n = names.len();
        let mut programs: Vec<Running> = names.iter().enumerate().map(|(i, (exe, script, unit))| Running {
            executable: exe.clone(),
            script: script.clone(),
            unit: unit.clone(),
            nodes: [format!("/dev/ttyUSB{i}")].into(),
            frames: [PathBuf::from(&folder).join("a.fits")].into(),
            logs: [PathBuf::from(&folder).join("a.log")].into(),
            ports: [7u16].into(),
            ..Running::default()
        }).collect();
        for (a, b, port) in talks {
            if a < n && b < n && a != b {
                programs[a].talks_to.insert((b, port));
            }
        }
        let equipment = programs.iter().flat_map(|p| p.nodes.clone()).map(|node| {
            let product = names.first().map(|n| n.0.clone());
            (node, Equipment { product, serial: Some("a\"b".into()), ..Equipment::default() })
        }).collect();
        let seen = Seen { programs, equipment, frames: Some((PathBuf::from(&folder), "x\ny".into())), ..Seen::default() };
        let text = propose(&seen, &Head { field, ..head() });
        let loaded = crate::config::parse(&text, None);
        // What the configuration itself cannot hold (a control character in a text) is told by it, and nothing else.
        if let Err(e) = loaded {
            prop_assert!(e.iter().all(|e| e.problem.contains("control character") || e.problem.contains("text is empty")), "{e:#?}\n{text}");
        }
    }
}
