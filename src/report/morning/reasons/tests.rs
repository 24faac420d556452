use super::super::before::earliest;
use super::super::rows::{Measured, NightRows};
use super::super::sample::{self, at, name, stamp};
use super::super::unusual::unusual;
use super::*;
use crate::model::incident::{Belongs, Member};
use crate::model::rows::{Bucket, ChangeRow, GapRow};
use crate::model::{Event, EventKind, Incident, SignalDef, Span, Unit};
use std::sync::Arc;

/// 01:13:06.
const FAULT: f64 = 25.218_333;

/// The invented night with one fault of one thing, and without what was told of the cascade.
fn night(kind: FaultKind, thing: &str) -> NightRows {
    let mut rows = sample::night();
    rows.events.retain(|e| e.kind == EventKind::FrameArrived);
    rows.incidents.retain(|r| r.incident.id == 3);
    rows.changes.clear();
    rows.gaps.clear();
    // Nothing unusual before: the pull on the processor belongs to another test.
    for (n, calm) in [("pressure.cpu", 3.0), ("load.cpu", 38.0)] {
        for b in &mut rows.signals.get_mut(&name(n)).unwrap().minutes {
            (b.min, b.mean, b.max) = (calm, calm, calm);
        }
    }
    let i = &mut rows.incidents[0].incident;
    i.kind = kind;
    i.members = vec![member(thing, FAULT)];
    rows
}

fn member(thing: &str, hour: f64) -> Member {
    Member {
        thing: name(thing),
        at: stamp(hour),
        within: Span::ZERO,
        until: Some(stamp(26.0)),
        alarm: None,
        event: None,
        belongs: Belongs::First,
        text: format!("{thing} failed"),
    }
}

/// A signal that stands at `before` until ten minutes ahead of the fault and at `during` from then on.
fn put(rows: &mut NightRows, signal: &str, unit: Unit, place: &str, before: f64, during: f64) {
    let minutes = (0..14 * 60)
        .map(|m| {
            let from = at(17.0) + Span::mins(m);
            let v = if from < at(FAULT) - Span::mins(12) { before } else { during };
            Bucket { from, to: from + Span::mins(1), min: v, mean: v, max: v, count: 30, unavailable: 0 }
        })
        .collect();
    let def = Arc::new(SignalDef::new(name(signal), unit, 0.1, signal).at(place));
    rows.signals.insert(name(signal), Measured { def, minutes });
}

fn kernel(hour: f64, class: &str) -> Event {
    Event::new(stamp(hour), name("machine.this"), EventKind::KernelLine, "")
        .with("class", class)
        .with("line", "invented")
}

fn reasons(rows: &NightRows) -> Vec<Reason> {
    let i: &Incident = &rows.incidents[0].incident;
    let at = earliest(i);
    let found = unusual(rows, at);
    likely(&Scene { rows, incident: i, at, unusual: found.as_ref() })
}

fn codes(rows: &NightRows) -> Vec<(&'static str, Weight)> {
    reasons(rows).iter().map(|r| (r.code, r.weight)).collect()
}

/// The only reason, with all its evidence in one text: `for … | against …`.
fn only(rows: &NightRows, code: &str) -> String {
    let all = reasons(rows);
    assert_eq!(all.iter().map(|r| r.code).collect::<Vec<_>>(), [code]);
    for r in &all {
        assert!(!r.evidence_for.is_empty(), "{code} without evidence");
        assert!(!r.look.how.is_empty() && !r.look.place.is_empty());
    }
    format!("{} | {}", all[0].evidence_for.join("; "), all[0].evidence_against.join("; "))
}

#[test]
fn a_fault_alone_is_no_reason() {
    for (kind, thing) in [
        (FaultKind::Program, "program.mount"),
        (FaultKind::Link, "link.house"),
        (FaultKind::Storage, "disk.root"),
        (FaultKind::Power, "machine.this"),
    ] {
        let mut rows = night(kind, thing);
        // A gateway that is well would already tell something of a link.
        rows.signals.retain(|n, _| n.own() != "gateway" && n.kind() != "interface");
        let all = codes(&rows);
        let told: Vec<_> = all.iter().filter(|c| c.0 != "heat").collect();
        assert!(told.is_empty(), "{kind:?}: {told:?}");
    }
}

#[test]
fn what_was_not_measured_is_listed() {
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.signals.retain(|n, _| !matches!(n.as_str(), "temperature.outside" | "pressure.cpu"));
    let i = &rows.incidents[0].incident;
    let list = not_measured(&Scene { rows: &rows, incident: i, at: earliest(i), unusual: None });
    assert_eq!(list, ["waiting for the processor (pressure stall)", "outside temperature", "the kernel's log"]);
    rows.events.push(kernel(20.0, "other"));
    let i = &rows.incidents[0].incident;
    let list = not_measured(&Scene { rows: &rows, incident: i, at: earliest(i), unusual: None });
    assert!(!list.contains(&"the kernel's log"));
}

#[test]
fn memory_by_the_counter_and_by_what_was_left() {
    let mut rows = night(FaultKind::Program, "program.mount");
    put(&mut rows, "memory.kills", Unit::Count, "", 2.0, 2.0);
    let kills = rows.signals.get_mut(&name("memory.kills")).unwrap();
    for b in kills.minutes.iter_mut().filter(|b| b.from >= super::super::rows::minute_start(at(FAULT))) {
        (b.mean, b.max) = (2.7, 3.0);
        b.min = if b.from.0 == super::super::rows::minute_start(at(FAULT)).0 { 2.0 } else { 3.0 };
    }
    put(&mut rows, "memory.available-share", Unit::Percent, "", 50.0, 2.0);
    assert_eq!(codes(&rows), [("memory", Weight::PointsTo)]);
    let text = only(&rows, "memory");
    assert!(text.contains("rose by 1") && text.contains("2 % of memory was available"), "{text}");
    assert!(text.contains("guiding held 430 MB"), "{text}");
    // Little left, but nothing killed: may be.
    put(&mut rows, "memory.kills", Unit::Count, "", 2.0, 2.0);
    assert_eq!(codes(&rows), [("memory", Weight::MayBe)]);
    assert!(only(&rows, "memory").contains("| the kernel killed no program for memory"));
    // Plenty left: no.
    put(&mut rows, "memory.available-share", Unit::Percent, "", 50.0, 40.0);
    assert_eq!(codes(&rows), []);
}

#[test]
fn a_device_that_left_first_and_one_that_left_last() {
    let mut rows = night(FaultKind::Device, "device.mount-cable");
    rows.incidents[0].incident.members.push(member("program.mount", FAULT + 1.4 / 3600.0));
    rows.events.push(Event::new(stamp(FAULT), name("device.mount-cable"), EventKind::DeviceLeft, ""));
    let text = only(&rows, "contact");
    assert!(text.contains("1.4 s before mount program stopped"), "{text}");
    // The program ended first and the device followed, without a word from the kernel: no contact.
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.incidents[0].incident.members.push(member("device.mount-cable", FAULT + 0.01));
    assert_eq!(codes(&rows), []);
    // Two devices within two seconds: what they share.
    let mut rows = night(FaultKind::Device, "device.mount-cable");
    for (d, h) in [("device.mount-cable", FAULT), ("device.main-camera", FAULT + 0.8 / 3600.0)] {
        rows.events.push(Event::new(stamp(h), name(d), EventKind::DeviceLeft, ""));
    }
    let text = only(&rows, "power");
    assert!(text.contains("2 devices left within 2 s"), "{text}");
    assert_eq!(reasons(&rows)[0].look.caution, Some(caution::MAINS));
    // Over-current in the kernel's log says the same of one.
    let mut rows = night(FaultKind::Device, "device.mount-cable");
    rows.events.push(kernel(FAULT - 0.001, "over_current"));
    assert!(only(&rows, "power").contains("over-current"));
}

#[test]
fn a_starved_processor_and_who_drew_on_it() {
    let mut rows = night(FaultKind::Program, "program.mount");
    put(&mut rows, "pressure.cpu", Unit::Percent, "", 3.0, 64.0);
    put(&mut rows, "program.guiding.software-drawing", Unit::Truth, "", 1.0, 1.0);
    let text = only(&rows, "processor");
    assert!(
        text.contains("64 % of the time") && text.contains("guiding was drawing without graphics hardware"),
        "{text}"
    );
    assert!(text.contains("| the processor was 38 % busy"), "{text}");
    assert_eq!(codes(&rows)[0].1, Weight::PointsTo);
    // The same before a link went down only may be.
    let mut rows = night(FaultKind::Device, "device.mount-cable");
    rows.incidents[0].incident.members[0].thing = name("log.mount");
    put(&mut rows, "pressure.cpu", Unit::Percent, "", 3.0, 64.0);
    assert_eq!(codes(&rows), [("processor", Weight::MayBe)]);
}

#[test]
fn heat_and_cold() {
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.events.push(kernel(FAULT - 0.1, "throttle"));
    assert!(only(&rows, "heat").contains("slowed the processor for heat"));
    let mut rows = night(FaultKind::Program, "program.mount");
    put(&mut rows, "temperature.box", Unit::Celsius, "box", 30.0, 47.0);
    assert!(only(&rows, "heat").contains("the box reached 47.0 °C, above its limit of 45.0 °C"));

    let mut rows = night(FaultKind::Program, "program.mount");
    put(&mut rows, "temperature.box", Unit::Celsius, "box", 5.0, -0.5);
    let text = only(&rows, "cold");
    assert!(text.contains("below its limit of 1.0 °C"), "{text}");
    // The invented earlier nights were warmer inside: all fourteen are named.
    assert!(text.contains("colder than any of 14 quiet nights"), "{text}");
    assert_eq!(reasons(&rows)[0].look.caution, Some(caution::HEATING));
    // Seven quiet nights say nothing.
    rows.earlier.truncate(7);
    rows.settings.box_cold = None;
    assert_eq!(codes(&rows), []);
    // Eight do, unless one of them was as cold.
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.settings.box_cold = None;
    rows.earlier.truncate(8);
    put(&mut rows, "temperature.box", Unit::Celsius, "box", 5.0, 2.0);
    assert!(only(&rows, "cold").contains("colder than any of 8 quiet nights"));
    rows.earlier[3].extremes.insert(name("temperature.box"), (1.0, 9.0));
    assert_eq!(codes(&rows), []);
    // A night with a fault of its own is not quiet.
    rows.earlier[3].faults = vec![(at(0.0), at(1.0))];
    rows.earlier.push(sample::night().earlier[9].clone());
    assert!(only(&rows, "cold").contains("colder than any of 8 quiet nights"));
}

#[test]
fn radio_router_or_the_house() {
    // The signal fell by 12 dB before.
    let mut rows = night(FaultKind::Link, "link.house");
    put(&mut rows, "interface.wlan0.signal", Unit::Dbm, "", -61.0, -73.0);
    let text = only(&rows, "radio");
    assert!(text.contains("−73 dBm at the least, −61 dBm before"), "{text}");
    // It stayed good, and the gateway went too.
    let mut rows = night(FaultKind::Link, "link.house");
    put(&mut rows, "interface.wlan0.signal", Unit::Dbm, "", -61.0, -61.0);
    put(&mut rows, "link.gateway", Unit::Truth, "", 1.0, 1.0);
    rows.incidents[0].incident.members.push(member("link.gateway", FAULT));
    let text = only(&rows, "router");
    assert!(text.contains("the Wi-Fi signal was good: −61 dBm"), "{text}");
    assert!(reasons(&rows)[0].look.how.contains("at 01:13:05"), "{}", reasons(&rows)[0].look.how);
    // The gateway stayed.
    rows.incidents[0].incident.members.truncate(1);
    assert!(only(&rows, "house_network").contains("the gateway answered all the while"));
}

#[test]
fn what_radio_wire_supply_and_disk_told_of_themselves() {
    let told = |thing: &str, kind, what: &str, text: &str| {
        Event::new(stamp(FAULT - 0.002), name(thing), kind, text).with("what", what)
    };
    let mut rows = night(FaultKind::Link, "link.house");
    put(&mut rows, "interface.wlan0.signal", Unit::Dbm, "", -61.0, -61.0);
    put(&mut rows, "interface.wlan0.power-saving", Unit::Truth, "", 1.0, 1.0);
    let changed = EventKind::LinkChanged;
    rows.events.push(told("interface.wlan0", changed, "disconnected", "Wi-Fi: disconnected (reason 4)"));
    let text = only(&rows, "radio");
    assert!(text.contains("disconnected (reason 4) at 01:12:58") && text.contains("power saving"), "{text}");
    assert!(reasons(&rows)[0].weight == Weight::PointsTo && reasons(&rows)[0].look.how.contains("power saving"));

    let mut rows = night(FaultKind::Link, "link.house");
    rows.events.push(told("interface.eth0", changed, "speed", "eth0: speed changed from 1000 Mbit/s to 100 Mbit/s"));
    assert!(only(&rows, "cable").contains("to 100 Mbit/s"));

    let mut rows = night(FaultKind::Power, "device.main-camera");
    rows.events.push(told("machine.this", EventKind::Changed, "supply voltage", "a supply voltage is too low"));
    assert!(codes(&rows).contains(&("supply", Weight::PointsTo)), "{:?}", codes(&rows));
    assert!(reasons(&rows).iter().any(|r| r.code == "supply" && r.look.caution.is_some()));

    let mut rows = night(FaultKind::Program, "program.camera");
    let text = "frames disk has become read-only: nothing can be stored on it";
    rows.events.push(told("disk.frames", EventKind::Changed, "disk.frames mode", text));
    assert_eq!(codes(&rows), [("storage", Weight::PointsTo)]);
    assert!(only(&rows, "storage").contains("become read-only"));
}

#[test]
fn storage_clock_and_machine() {
    let mut rows = night(FaultKind::Program, "program.camera");
    put(&mut rows, "disk.frames.free-share", Unit::Percent, "", 5.0, 0.4);
    assert!(only(&rows, "storage").contains("frames disk had 0.4 % left"));

    let mut rows = night(FaultKind::Program, "program.mount");
    rows.events
        .push(Event::new(stamp(FAULT - 0.01), name("machine.this"), EventKind::ClockStep, "").with("by_ms", 3_600_000));
    assert!(only(&rows, "clock").contains("stepped by 1 h"));
    rows.events.last_mut().unwrap().detail.insert("by_ms".into(), 12.into());
    assert_eq!(codes(&rows), []);

    let gap = GapRow { from: at(FAULT), to: at(25.4), why: "power_cut".into() };
    let started = |clean: Option<bool>| {
        Event::new(stamp(25.4), name("machine.this"), EventKind::MachineStarted, "")
            .with("clean", serde_json::json!(clean))
    };
    for (clean, code) in [(Some(true), "restart"), (Some(false), "power_lost"), (None, "power_lost")] {
        let mut rows = night(FaultKind::Machine, "machine.this");
        rows.gaps = vec![gap.clone()];
        rows.events.push(started(clean));
        let text = only(&rows, code);
        assert!(text.contains("nothing was recorded from 01:13:05 to 01:24:00"), "{text}");
    }
    let mut rows = night(FaultKind::Machine, "machine.this");
    rows.gaps = vec![gap];
    rows.events.push(kernel(FAULT - 0.01, "crash"));
    rows.events.push(started(Some(false)));
    assert!(only(&rows, "machine_crash").contains("the kernel's log has a crash"));
}

#[test]
fn how_a_program_ended() {
    let ended = |key: &str, v: i64| {
        Event::new(stamp(FAULT), name("program.mount"), EventKind::ProgramEnded, "")
            .with(key, v)
            .with("uptime_s", 22_900.0)
    };
    for (key, v, code) in
        [("signal", 11, "program_crashed"), ("signal", 9, "program_killed"), ("code", 1, "program_gave_up")]
    {
        let mut rows = night(FaultKind::Program, "program.mount");
        rows.events.push(ended(key, v));
        let text = only(&rows, code);
        assert!(text.contains("| it had run for 6 h 22 min"), "{text}");
    }
    // An orderly end with code 0, or one of which nothing is known, tells nothing.
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.events.push(ended("code", 0));
    assert_eq!(codes(&rows), []);
    rows.events.push(Event::new(stamp(FAULT + 0.001), name("program.mount"), EventKind::ProgramStopped, ""));
    assert_eq!(codes(&rows), [("stopped", Weight::PointsTo)]);
}

#[test]
fn a_change_shortly_before() {
    let change =
        |what: &str, hour: f64| ChangeRow { at: at(hour), what: what.into(), old: "1.4".into(), new: "1.5".into() };
    let mut rows = night(FaultKind::Program, "program.guiding");
    rows.changes = vec![change("program.guiding version", -10.0), change("program.camera version", 10.0)];
    let text = only(&rows, "changed");
    assert!(text.contains("guiding version: 1.4 became 1.5 on 11 January, 35 h 13 min before the fault"), "{text}");
    assert!(text.contains("| 1 quiet night since then"), "{text}");
    // What it leans on counts; what has nothing to do with it, or is long past, does not.
    rows.changes = vec![change("program.mount version", -10.0)];
    only(&rows, "changed");
    rows.changes = vec![change("program.mount version", -100.0), change("program.guiding2 version", 1.0)];
    assert_eq!(codes(&rows), []);
}

#[test]
fn a_usb_line_about_another_port_is_no_evidence() {
    let with = |port: &str| {
        let mut rows = night(FaultKind::Program, "program.mount");
        rows.incidents[0].incident.members.push(member("device.mount-cable", FAULT + 0.001));
        let left = Event::new(stamp(FAULT + 0.001), name("device.mount-cable"), EventKind::DeviceLeft, "");
        rows.events.push(left.with("port", "1-1.4"));
        rows.events.push(kernel(FAULT - 0.0005, "usb").with("port", port));
        codes(&rows)
    };
    assert_eq!(with("2-3"), []);
    assert_eq!(with("1-1.41"), []);
    assert_eq!(with("1-1.4"), [("contact", Weight::MayBe)]);
    assert_eq!(with("1-1"), [("contact", Weight::MayBe)], "the hub on the way to it");
}

#[test]
fn a_crash_of_another_process_is_no_evidence() {
    let with = |pid: u32| {
        let mut rows = night(FaultKind::Program, "program.mount");
        let end = Event::new(stamp(FAULT), name("program.mount"), EventKind::ProgramEnded, "");
        rows.events.push(end.with("pid", 70).with("signal", 11).with("how", "crashed"));
        rows.events.push(kernel(FAULT - 0.0001, "crash").with("pid", pid));
        codes(&rows)
    };
    assert_eq!(with(70), [("program_crashed", Weight::PointsTo)]);
    assert_eq!(with(71), [("program_crashed", Weight::MayBe)], "by its signal alone");
}

#[test]
fn a_dead_talk_with_a_device() {
    let mut rows = night(FaultKind::Program, "program.mount");
    let line = |hour: f64, broken: bool| {
        Event::new(stamp(hour), name("program.mount"), EventKind::LogLine, "device lost (device ttyUSB0)")
            .with("broken", broken)
            .with("line", "01:13 no answer from ttyUSB0")
    };
    rows.events.push(line(FAULT - 0.01, false));
    assert_eq!(codes(&rows), [], "a line that says that all is well");
    rows.events.push(line(FAULT - 0.001, true));
    let text = only(&rows, "talk");
    assert!(text.contains("device lost") && text.contains("\"01:13 no answer from ttyUSB0\""), "{text}");
    assert_eq!(codes(&rows), [("talk", Weight::PointsTo)]);
    // A node deleted under the program, and the device back under another name.
    let mut rows = night(FaultKind::Program, "program.mount");
    let closed = Event::new(
        stamp(FAULT - 0.001),
        name("program.mount"),
        EventKind::DeviceClosed,
        "/dev/ttyUSB0 was deleted under mount program",
    );
    rows.events.push(closed.with("deleted", true));
    let text = "mount cable came back as ttyUSB1, was ttyUSB0";
    rows.events.push(Event::new(stamp(FAULT + 0.001), name("device.mount-cable"), EventKind::DeviceRenamed, text));
    let said = only(&rows, "talk");
    assert!(said.contains("was deleted under mount program") && said.contains("came back as ttyUSB1"), "{said}");
    // One that happened to another program.
    let mut rows = night(FaultKind::Program, "program.mount");
    rows.events.push(Event::new(stamp(FAULT - 0.001), name("program.sky"), EventKind::DeviceClosed, "x"));
    assert_eq!(codes(&rows), []);
}

#[test]
fn a_change_since_the_last_quiet_night_counts_however_long_ago() {
    let mut rows = night(FaultKind::Program, "program.mount");
    let old = ChangeRow { at: at(-100.0), what: "program.mount version".into(), old: "a".into(), new: "b".into() };
    rows.changes = vec![old];
    assert_eq!(codes(&rows), []);
    rows.quiet = Some(("2026-01-05".into(), at(-120.0)));
    assert!(only(&rows, "changed").contains("the last quiet night, 5 January, was before it"));
    rows.quiet = Some(("2026-01-10".into(), at(-50.0)));
    assert_eq!(codes(&rows), [], "a quiet night since then");
}
