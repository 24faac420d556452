//! The command line: help by occasion, exit codes, every error of a configuration at once.

use crate::harness::tilldawn;
use std::path::Path;
use std::process::Output;

fn run(arguments: &[&str]) -> (i32, String, String) {
    let state = tempfile::tempdir().unwrap();
    let Output { status, stdout, stderr } = tilldawn(state.path(), arguments);
    let text = |b: Vec<u8>| String::from_utf8(b).unwrap();
    (status.code().unwrap(), text(stdout), text(stderr))
}

fn file(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name).to_str().unwrap().to_owned()
}

#[test]
fn the_help_is_grouped_by_occasion() {
    let (code, out, err) = run(&["--help"]);
    assert_eq!((code, err.as_str()), (0, ""));
    // The form is fixed, with the commands themselves left out: each of them is looked at below.
    let command = |l: &&str| l.starts_with("  ") && !l.trim_start().starts_with('-');
    const OCCASIONS: [&str; 4] = ["Set up", "Tonight", "Morning", "Season"];
    let heading = |l: &&str| l.strip_suffix(':').is_some_and(|h| OCCASIONS.contains(&h));
    let form: Vec<&str> = out.lines().filter(|l| !command(l) && !heading(l)).collect();
    insta::assert_snapshot!("help", form.join("\n").replace("\n\n\n", "\n").replace("\n\n\n", "\n"));
    let headings: Vec<&str> = out.lines().filter(heading).map(|l| l.trim_end_matches(':')).collect();
    assert!(OCCASIONS.iter().filter(|o| headings.contains(o)).eq(headings.iter()), "{headings:?}");
    let under = |occasion: &str| -> Vec<&str> {
        let from = out.split(&format!("\n{occasion}:\n")).nth(1).unwrap_or_default();
        from.lines().take_while(|l| !l.is_empty()).map(|l| l.split_whitespace().next().unwrap()).collect()
    };
    for (occasion, some) in [
        ("Set up", &["look", "check", "pair", "token"][..]),
        ("Tonight", &["watch", "status", "alarms", "session"]),
        ("Morning", &["report"]),
    ] {
        let all = under(occasion);
        assert!(some.iter().all(|c| all.contains(c)), "{occasion}: {all:?}");
    }
    // Every command tells itself, with an example that names it.
    for line in out.lines().filter(|l| l.starts_with("  ") && !l.trim_start().starts_with('-')) {
        let name = line.split_whitespace().next().unwrap();
        let (code, out, _) = run(&[name, "--help"]);
        assert_eq!(code, 0, "{name}");
        assert!(out.contains(&format!("tilldawn {name}")) && out.contains("Example"), "{name}:\n{out}");
    }
}

#[test]
fn what_is_not_understood_is_an_error() {
    for arguments in [&["chekc"][..], &[], &["check", "--no-such"], &["check", "--config"]] {
        let (code, out, err) = run(arguments);
        assert_eq!((code, out.as_str()), (2, ""), "{arguments:?}");
        assert!(!err.is_empty(), "{arguments:?}");
    }
}

#[test]
fn a_sound_configuration_is_told_in_words() {
    for name in ["config/tilldawn.toml", "config/smallest.toml"] {
        let (code, out, err) = run(&["check", "--config", &file(name)]);
        assert_eq!((code, err.as_str()), (0, ""), "{name}");
        for part in ["is in order", "Rules that hold", "must last 10 min", "What would wake somebody", "cannot see"] {
            assert!(out.contains(part), "{name}: {part}\n{out}");
        }
        assert!(out.lines().all(|l| l.chars().count() <= 100 || l.contains("granted by")), "{out}");
    }
    let (_, out, _) = run(&["check", "--config", &file("config/tilldawn.toml"), "--form", "system"]);
    for part in ["licensed electrician", "over-temperature cut-out", "other-users-programs.conf", "clock-state.conf"] {
        assert!(out.contains(part), "{part}\n{out}");
    }
}

#[test]
fn without_a_file_the_defaults_are_told() {
    let (code, out, _) = run(&["check"]);
    assert_eq!(code, 0);
    assert!(out.starts_with("There is no configuration file.") && out.contains("root disk"), "{out}");
}

#[test]
fn every_error_comes_at_once_with_file_line_key_and_remedy() {
    let (code, out, err) = run(&["check", "--config", &file("tests/data/config/broken.toml")]);
    assert_eq!((code, out.as_str()), (2, ""));
    let err = err.replace(env!("CARGO_MANIFEST_DIR"), "");
    insta::assert_snapshot!("errors", err);
}

#[test]
fn a_reader_that_leaves_is_no_panic() {
    use std::process::{Command, Stdio};
    let mut child = Command::new(crate::harness::BINARY)
        .args(["check", "--config", &file("config/tilldawn.toml")])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let ended = child.wait_with_output().unwrap();
    assert_eq!(String::from_utf8_lossy(&ended.stderr), "");
    assert_eq!(ended.status.code(), Some(0));
}

#[test]
fn status_tells_how_things_stand_and_never_shows_unknown_as_good() {
    use crate::harness::Setting;
    // Nobody is there: an error, and what to do.
    let (code, out, err) = run(&["status", "--at", "http://127.0.0.1:9"]);
    assert_eq!((code, out.as_str()), (2, ""));
    assert!(err.contains("cannot be reached") && err.contains("tilldawn watch"), "{err}");
    let agent = Setting::new("field = \"orchard pier\"\n").start();
    let at = format!("http://{}", agent.address);
    agent.wait_json("a first look", "/api/v1/summary", crate::harness::BOUND, |v| {
        (v["cycle"].as_i64()? > 0).then_some(())
    });
    // The first looks change how things stand: what is told is judged where that was the same before and after.
    let condition = || agent.json("/api/v1/summary")["condition"].as_str().unwrap().to_owned();
    let (before, (code, out, err)) = crate::harness::wait_for("two equal conditions", crate::harness::BOUND, || {
        let before = condition();
        let told = run(&["status", "--at", &at]);
        (before == condition()).then_some((before, told))
    });
    assert_eq!(err, "");
    assert!(out.contains("orchard pier, seen ") && out.contains("What is watched"), "{out}");
    let well = matches!(before.as_str(), "working" | "not_in_use");
    assert_eq!(code, i32::from(!well), "{before}: {out}");
}

/// A process that the agent is told to keep an eye on.
fn sleeper(folder: &Path, name: &str) -> std::process::Child {
    let path = folder.join(name);
    std::fs::copy("/bin/sleep", &path).unwrap();
    std::process::Command::new(&path).arg("120").spawn().unwrap()
}

#[test]
fn a_session_is_begun_and_an_alarm_seen_and_held_back_from_the_command_line() {
    use crate::harness::{BOUND, Setting};
    let folder = tempfile::tempdir().unwrap();
    let agent = Setting::new(
        "field = \"orchard pier\"\n[session]\nchain = [\"program.mount\"]\n[program.mount]\nexecutable = \"cli-mount-driver\"\n",
    )
    .start();
    let at = format!("http://{}", agent.address);
    let ask = |arguments: &[&str]| {
        let mut all = arguments.to_vec();
        all.extend(["--at", &at]);
        run(&all)
    };
    // Before the chain is up: later a session would have begun by itself.
    let (code, out, err) = ask(&["session", "start"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    let (code, _, err) = ask(&["session", "start"]);
    assert!(code == 2 && err.contains("a session"), "{err}");
    let mut child = sleeper(folder.path(), "cli-mount-driver");
    agent.wait_json("the session", "/api/v1/summary", BOUND, |v| v["session"].is_object().then_some(()));
    let (code, out, _) = ask(&["session", "show"]);
    assert!(code == 0 && out.starts_with("In session since"), "{out}");
    agent.wait_json("the program to be seen", "/api/v1/summary", BOUND, |v| {
        v["things"]
            .as_array()?
            .iter()
            .any(|t| t["thing"] == "program.mount" && t["condition"] == "working")
            .then_some(())
    });
    child.kill().unwrap();
    child.wait().unwrap();
    let alarm = agent.wait_json("the alarm", "/api/v1/summary", BOUND, |v| {
        v["alarms"].as_array()?.iter().find(|a| a["thing"] == "program.mount")?["alarm"].as_i64()
    });
    let (code, out, _) = ask(&["status"]);
    assert_eq!(code, 1, "{out}");
    assert!(out.contains("mount program") && out.contains("not yet seen"), "{out}");
    let (code, out, _) = ask(&["alarms", "list"]);
    assert!(code == 1 && out.contains(&format!("{alarm}: ")), "{out}");
    let number = alarm.to_string();
    let (code, out, err) = ask(&["alarms", "acknowledge", &number]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    let (code, out, err) = ask(&["alarms", "shelve", &number, "--for", "2 h"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    agent.wait_json("the alarm to be held back", "/api/v1/summary", BOUND, |v| {
        v["alarms"].as_array()?.iter().any(|a| a["alarm"] == alarm && a["shelved_until"].is_i64()).then_some(())
    });
    let (_, out, _) = ask(&["alarms", "list"]);
    let words: Vec<&str> = out.split_whitespace().collect();
    assert!(words.join(" ").contains("stands, seen, held back until"), "{out}");
    assert_eq!(ask(&["alarms", "unshelve", &number]).0, 0);
    let (code, _, err) = ask(&["alarms", "acknowledge", "999999"]);
    assert!(code == 2 && err.contains("there is no"), "{err}");
    let (code, _, err) = ask(&["alarms", "shelve", &number, "--for", "3 d"]);
    assert!(code == 2 && !err.is_empty(), "{err}");
    let (code, out, err) = ask(&["session", "end"]);
    assert_eq!((code, err.as_str()), (0, ""), "{out}");
    agent.wait_json("the end of the session", "/api/v1/summary", BOUND, |v| v["session"].is_null().then_some(()));
    let (_, out, _) = ask(&["session", "show"]);
    assert!(out.contains("No session goes on.") && out.contains("somebody ended it"), "{out}");
}

#[test]
fn with_tls_the_agents_own_certificate_is_found_or_named() {
    use crate::harness::Setting;
    let agent = Setting::new("field = \"orchard pier\"\n[http]\ntls = true\n").start();
    let at = format!("https://{}", agent.address);
    // From elsewhere: the fingerprint that it shows is told, to be compared; with it the answer comes.
    let (code, _, err) = run(&["status", "--at", &at]);
    assert!(code == 2 && err.contains("--fingerprint"), "{err}");
    let print = err.split("--fingerprint ").nth(1).unwrap().trim().to_owned();
    // The first look comes within a moment of the page.
    let (code, out, err) = crate::harness::wait_for("a first look", crate::harness::BOUND, || {
        let said = run(&["status", "--at", &at, "--fingerprint", &print]);
        (!said.1.contains("only just started")).then_some(said)
    });
    assert!(code < 2 && out.contains("orchard pier"), "{out}{err}");
    let wrong = print.replace(&print[..2], if print.starts_with("00") { "01" } else { "00" });
    assert_eq!(run(&["status", "--at", &at, "--fingerprint", &wrong]).0, 2);
}

#[test]
fn a_new_configuration_takes_force_on_sighup_and_a_bad_one_does_not() {
    use crate::harness::{BOUND, Setting};
    let agent = Setting::new("field = \"orchard pier\"\n").start();
    agent.wait_json("a first look", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 0).then_some(()));
    let hup = || {
        let done = std::process::Command::new("kill").args(["-HUP", &agent.child.id().to_string()]).status().unwrap();
        assert!(done.success());
    };
    let event = |kind: &str, part: &str| {
        agent.wait_json(kind, "/api/v1/events", BOUND, |v| {
            v["events"].as_array()?.iter().find(|e| e["kind"] == kind && e.to_string().contains(part)).cloned()
        })
    };
    std::fs::write(&agent.config, "field = \"orchard pier\"\n[link.house]\nto = \"127.0.0.1\"\n").unwrap();
    hup();
    let loaded = event("config_loaded", "link.house");
    assert!(loaded.to_string().contains("link to house (link.house) is new"), "{loaded}");
    // A bad file leaves the old one in force, and each error is told with its line.
    std::fs::write(&agent.config, "field = \"orchard pier\"\n[link.house]\nto = 5\nevry = \"1 s\"\n").unwrap();
    hup();
    let refused = event("config_refused", "link.house");
    assert!(refused.to_string().contains("line 3, link.house.to") && refused.to_string().contains("evry"), "{refused}");
    let summary = agent.json("/api/v1/summary");
    assert!(summary["things"].to_string().contains("link.house"), "{summary}");
}

#[test]
fn rules_know_every_signal_that_the_probes_bring() {
    use crate::harness::{BOUND, Setting};
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("box"), "21.5\n").unwrap();
    let at = folder.path().display();
    let text = format!(
        "[program.mount]\nexecutable = \"no-such-program\"\nalive = [{{ cpu = \"1 ms\" }}]\n[link.house]\nto = \"127.0.0.1\"\n\
         [interface.lo]\n[frames]\nfolder = \"{at}\"\n[temperature.box]\nfile = \"{at}/box\"\n[humidity.box]\nfile = \"{at}/box\"\n\
         [temperature.outside]\nfile = \"{at}/box\"\n"
    );
    let config = tilldawn::config::parse(&text, None).unwrap();
    let known = tilldawn::config::signals::known(&config);
    let agent = Setting::new(&text).start();
    // The page answers a moment before all probes are made.
    agent.wait_json("a first cycle", "/api/v1/summary", BOUND, |v| (v["cycle"].as_i64()? > 0).then_some(()));
    let there = agent.wait_json("signals", "/api/v1/signals", BOUND, |v| {
        let all: Vec<(String, String)> = v["signals"]
            .as_array()?
            .iter()
            .map(|s| (s["name"].as_str().unwrap().to_owned(), s["unit"].as_str().unwrap().to_owned()))
            .collect();
        all.iter().any(|(n, _)| n == "load.cpu").then_some(all)
    });
    for (name, unit) in &there {
        // One for each core, each component and each reason of the kernel: their names differ from machine to machine.
        let varies = name.starts_with("load.cpu-core-")
            || name.starts_with("battery.")
            // Whatever else on this machine draws in software.
            || (name.starts_with("program.") && !name.starts_with("program.mount."))
            || (name.starts_with("temperature.")
                && !name.ends_with(".rate")
                && !["temperature.box", "temperature.outside", "temperature.lift"].contains(&name.as_str()));
        let listed = known.iter().find(|(n, _)| n.as_str() == name);
        assert!(
            varies || listed.is_some_and(|(_, u)| u.code() == unit),
            "`{name}` in {unit} is measured, but src/config/signals.rs has {listed:?}: no rule could use it"
        );
    }
    // What a machine tells only if it has it: radio and wired speed, supplies, counters of errors and wear of a disk.
    let later = |n: &str| {
        n.starts_with("power.")
            || (n.starts_with("interface.lo.")
                && ![".received", ".sent", ".errors", ".drops"].iter().any(|q| n.ends_with(q)))
            || ["file-system-errors", "device-errors", "life-used"].iter().any(|q| n.ends_with(q))
    };
    for name in known.keys().map(|n| n.as_str()).filter(|n| !later(n)) {
        assert!(there.iter().any(|(t, _)| t == name), "a rule could judge `{name}`, which nothing measures");
    }
}

#[test]
fn under_the_journal_each_line_of_the_log_is_one_json_object() {
    let state = tempfile::tempdir().unwrap();
    let out = std::process::Command::new(crate::harness::BINARY)
        .args(["watch", "--for", "300 ms", "--listen", "127.0.0.1:0", "--store"])
        .arg(state.path().join("tilldawn.db"))
        .env("HOME", state.path())
        .env("XDG_STATE_HOME", state.path())
        .env("JOURNAL_STREAM", "8:1234")
        .output()
        .unwrap();
    assert!(out.status.success(), "{out:?}");
    let log = String::from_utf8(out.stderr).unwrap();
    assert!(log.lines().count() >= 2, "{log}");
    for line in log.lines() {
        let v: serde_json::Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}"));
        assert!(v["level"].is_string() && v["message"].is_string(), "{line}");
    }
}
