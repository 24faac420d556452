//! The examples load, every key is shown, and what they call a default is one.

use super::*;
use std::path::PathBuf;

const FULL: &str = include_str!("../../../config/tilldawn.toml");
const SMALLEST: &str = include_str!("../../../config/smallest.toml");

fn good(text: &str) -> Config {
    parse(text, Some(&PathBuf::from("/home/pier/tilldawn.toml")))
        .unwrap_or_else(|e| panic!("{}", e.iter().map(ConfigError::in_full).collect::<String>()))
}

/// The key, line and problem of each error.
fn errors(text: &str) -> Vec<String> {
    let errors = parse(text, None).unwrap_err();
    errors.iter().map(|e| format!("{}: {}: {}", e.line, e.key, e.problem)).collect()
}

#[test]
fn the_examples_load() {
    let full = good(FULL);
    assert_eq!(full.programs.len(), 3);
    assert_eq!(full.field, "orchard pier");
    assert_eq!(full.links.len(), 2, "the gateway is changed in place, not added");
    assert!(full.sensors.iter().all(|s| s.name.own() != "ground"), "what is not watched is left out");
    assert_eq!(full.actions.len(), 3);
    let smallest = good(SMALLEST);
    assert_eq!(smallest.session.chain.len(), 1);
    assert_eq!(smallest.rules, crate::config::builtin::rules());
}

#[test]
fn an_empty_file_is_the_defaults() {
    let mut c = good("");
    c.file = None;
    assert_eq!(c, Config::default());
}

#[test]
fn what_the_full_example_calls_a_default_is_the_coded_one() {
    let whole = good(FULL);
    let lines: Vec<&str> = FULL.lines().collect();
    let mut checked = 0;
    for (i, line) in lines.iter().enumerate() {
        if !line.contains("# default") {
            continue;
        }
        checked += 1;
        let without: Vec<&str> = lines.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, l)| *l).collect();
        assert_eq!(good(&without.join("\n")), whole, "line {}: {line}", i + 1);
    }
    assert!(checked > 50, "{checked}");
}

#[test]
fn the_full_example_shows_every_key() {
    let (_, asked) = parse_noting(FULL, None);
    let (_, nothing) = parse_noting("", None);
    assert!(asked.len() > nothing.len() + 100);
    // A key is shown when a line begins with it, in a table of its kind or in braces.
    for key in asked {
        let last = key.rsplit('.').next().unwrap();
        let shown = FULL.lines().any(|l| {
            let l = l.trim_start_matches("# ");
            l.starts_with(&format!("{last} = "))
                || l.contains(&format!("{{ {last} = "))
                || l.contains(&format!(", {last} = "))
                || l.starts_with(&format!("[{last}"))
                || (l.starts_with("[[") && l.ends_with(&format!(".{last}]]")))
        });
        assert!(shown, "{key} is not in the annotated example");
    }
}

#[test]
fn all_errors_come_in_one_go_with_line_and_key() {
    let text = "\
feild = \"x\"
[program.mount]
executable = \"m\"
leans_on = [\"device.cabel\"]
[device.cable]
node = \"/dev/ttyUSB0\"
leans_on = [\"program.mount\"]
[link.house]
to = \"house\"
every = \"5 parsecs\"
deadline = 3
[rule.hot]
on = \"temperature.bux\"
above = \"45\"
[temperature.box]
file = \"/x\"
every = \"1 ms\"
";
    let found = errors(text);
    assert_eq!(
        found,
        [
            "1: feild: `feild` is not known at the top",
            "4: program.mount.leans_on: there is no watched thing `device.cabel`",
            "10: link.house.every: `5 parsecs` is no length of time",
            "11: link.house.deadline: `3` is a number",
            "13: rule.hot.on: there is no signal `temperature.bux`",
            "17: temperature.box.every: `1 ms` is not possible here",
        ]
    );
    let full = parse(text, None).unwrap_err();
    assert!(full[0].remedy.contains("field"), "{}", full[0].remedy);
    assert!(full[1].remedy.contains("device.cable"));
    assert!(full[4].remedy.contains("temperature.box"), "{}", full[4].remedy);
    assert!(full.iter().all(|e| !e.expected.is_empty() && !e.remedy.is_empty()));
}

#[test]
fn circles_are_printed_whole_and_once() {
    let t = "\
[program.a]
executable = \"a\"
leans_on = [\"program.b\"]
[program.b]
executable = \"b\"
leans_on = [\"program.c\"]
[program.c]
executable = \"c\"
leans_on = [\"program.a\", \"program.c\"]
";
    let found = errors(t);
    assert_eq!(found.len(), 2, "{found:#?}");
    assert!(found[0].contains("program.a → program.b → program.c → program.a"), "{found:#?}");
    assert!(found[1].contains("program.c → program.c"), "{found:#?}");
}

#[test]
fn two_things_of_one_name() {
    let found = errors("[link.a]\nto = \"x\"\n[link.a]\nto = \"y\"\n");
    assert!(
        found.len() == 1 && found.iter().any(|e| e.starts_with("3: link.a: `link.a` is there twice")),
        "{found:#?}"
    );
    let found =
        errors("[device.cam]\nport = \"1-1\"\ntitle = \"Camera\"\n[disk.cam]\npath = \"/\"\ntitle = \"camera\"\n");
    assert!(found.len() == 1 && found[0].contains("both called"), "{found:#?}");
}

#[test]
fn what_cannot_be() {
    for (text, problem) in [
        ("[http]\nlisten = \"0.0.0.0:7417\"", "other machines"),
        ("[agent]\nevery = \"20 s\"", "cannot be more often"),
        ("[site]\nlatitude = 91\nlongitude = 0\nzone = \"Europe/Berlin\"", "not possible"),
        ("[site]\nlatitude = 9\nlongitude = 0\nzone = \"Europe/Belrin\"", "no known time zone"),
        ("[session]\nchain = [\"program.x\"]", "no program or device"),
        ("[session]\nchain = [\"disk.root\"]", "no program or device"),
        ("[action.a]\nrun = [\"x\"]\noff = [\"y\"]", "`off` without"),
        ("[action.a]\nrun = [\"x\"]\nmay_move = true", "no hours"),
        ("[action.a]\nrun = \"rm -rf\"", "is a text"),
        ("[rule.disk]\nbelow = \"500 MB\"", "does not fit"),
        ("[rule.disk]\nbelow = 5", "no unit"),
        ("[rule.disk]\nbelow = \"500 %\"", "not possible"),
        ("[rule.program-ended]\nabove = 3", "not known"),
        ("[rule.x]\non = \"load.cpu\"\nabove = \"5 %\"\nbelow = \"1 %\"", "one test"),
        ("[rule.x]\non = \"load.cpu\"\nabove = \"5 K\"", "does not fit"),
        ("[rule.x]\non = [\"load.cpu\", \"memory.used\"]\nabove = \"5 %\"", "another unit"),
        ("[rule.x]\non = \"load.cpu\"\nrate_of_change = \"5 %/h\"", "go together"),
        ("[program.x]\nexecutable = \"x\"\nalive = [{ tcp = \"house\" }]", "no host with a port"),
        (
            "[program.x]\nexecutable = \"x\"\nalive = [{ cpu = \"1 ms\", within = \"1 s\", every = \"5 s\" }]",
            "cannot find",
        ),
        ("[program.\"X y\"]\nexecutable = \"x\"", "cannot be a name"),
        ("[program]\nexecutable = \"x\"", "no table of its own"),
        ("[temperature.x]\nfile = \"/a\"\nhttp = \"http://b\"", "one source only"),
        ("[temperature.x]\none_wire = \"28-1\"", "no address of a 1-Wire"),
        ("[temperature.x]\nfile = \"/a\"\npointer = \"$.b\"", "no JSON pointer"),
        ("[log.x]\npath = \"/a\"\npattern = [{ regex = \"(\", means = \"x\" }]", "no regular expression"),
        ("[log.x]\npath = \"/a*/b\"", "a * in a folder"),
        ("temperatures = \"K\"", "no temperature scale"),
        ("x = ", "not TOML"),
    ] {
        let found = errors(text);
        assert!(found.iter().any(|e| e.contains(problem)), "{text}\n{found:#?}");
    }
}

#[test]
fn what_is_not_watched_for_now_leaves_no_trace() {
    let t = SMALLEST.replace("executable", "watch = false\nexecutable")
        + "leans_on = [\"program.mount\"]\n[link.gateway]\nwatch = false\n";
    let c = good(&t);
    assert!(c.programs.is_empty() && c.session.chain.is_empty());
    let with_rule = good(&format!("{t}[rule.x]\non = \"program.mount.cpu\"\nabove = \"90 %\"\n"));
    assert_eq!(with_rule.rules, c.rules);
    assert!(c.links.len() == 1 && c.links[0].leans_on.is_empty());
    // It is checked all the same.
    assert!(errors(&t.replace("mount-driver", "")).len() == 1);
}

#[test]
fn rates_and_limits_take_the_signals_unit() {
    let c = good(
        "[temperature.box]\nfile = \"/x\"\n[rule.a]\non = \"temperature.box\"\nrate_of_change = \"-3.6 °F/h\"\nwithin = \"1 h\"\n[rule.b]\non = \"memory.used\"\nabove = \"2 GiB\"\n[rule.c]\non = \"load.one\"\nabove = 2.5\n[rule.d]\non = \"disk.root.free\"\nrate_of_change = \"-2 GB/h\"\nwithin = \"10 min\"",
    );
    let test = |n: &str| c.rules.iter().find(|r| r.name.as_str() == n).unwrap().test.clone();
    assert_eq!(test("rule.a"), Test::RateOfChange { per_hour: -2.0, within: Span::hours(1) });
    assert_eq!(test("rule.b"), Test::Above(2147483648.0));
    assert_eq!(test("rule.c"), Test::Above(2.5));
    assert_eq!(test("rule.d"), Test::RateOfChange { per_hour: -2e9, within: Span::mins(10) });
}

#[test]
fn files_that_cannot_be_read_say_so() {
    let dir = tempfile::tempdir().unwrap();
    let missing = load(&dir.path().join("none.toml")).unwrap_err();
    assert!(missing.len() == 1 && missing[0].remedy.contains("look"), "{missing:?}");
    assert!(load(dir.path()).unwrap_err()[0].problem.contains("no plain file"));
    let utf16 = dir.path().join("utf16.toml");
    std::fs::write(&utf16, b"\xff\xfef\0i\0").unwrap();
    assert!(load(&utf16).unwrap_err()[0].problem.contains("not UTF-8"));
}

mod mutated {
    use super::*;
    use proptest::prelude::*;

    /// One way of spoiling a text.
    #[derive(Clone, Debug)]
    enum Spoil {
        DropLine(usize),
        DoubleLine(usize),
        SwapLines(usize, usize),
        Cut(usize, usize),
        Put(usize, String),
        Value(usize, String),
    }

    fn spoil() -> impl Strategy<Value = Spoil> {
        let nasty = prop_oneof![
            Just("\"\"".to_owned()),
            Just("-1".into()),
            Just("9223372036854775808".into()),
            Just("1e999".into()),
            Just("nan".into()),
            Just("[]".into()),
            Just("[[], {}]".into()),
            Just("{}".into()),
            Just("{ a = 1 }".into()),
            Just("true".into()),
            Just("2026-01-12T18:00:00Z".into()),
            Just("\"9999999999999999999 d\"".into()),
            Just("\"−0 °C\"".into()),
            Just("\"program.mount\"".into()),
            Just("[\"program.camera\", \"program.camera\"]".into()),
            Just("\"(((((((((((((((((a{9}){9}){9}){9}){9}\"".into()),
            "\"\\PC{0,20}\"",
        ];
        prop_oneof![
            any::<usize>().prop_map(Spoil::DropLine),
            any::<usize>().prop_map(Spoil::DoubleLine),
            (any::<usize>(), any::<usize>()).prop_map(|(a, b)| Spoil::SwapLines(a, b)),
            (any::<usize>(), 0usize..40).prop_map(|(a, n)| Spoil::Cut(a, n)),
            (any::<usize>(), "[\\PC\\x00-\\x1f\\[\\]{}=\"'.,#]{1,8}").prop_map(|(a, t)| Spoil::Put(a, t)),
            (any::<usize>(), nasty).prop_map(|(a, t)| Spoil::Value(a, t)),
        ]
    }

    fn boundary(text: &str, at: usize) -> usize {
        let mut at = at % (text.len() + 1);
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    }

    fn apply(text: String, s: &Spoil) -> String {
        let mut lines: Vec<String> = text.lines().map(String::from).collect();
        if lines.is_empty() {
            return text;
        }
        let n = lines.len();
        match s {
            Spoil::DropLine(i) => drop(lines.remove(i % n)),
            Spoil::DoubleLine(i) => lines.insert(i % n, lines[i % n].clone()),
            Spoil::SwapLines(a, b) => lines.swap(a % n, b % n),
            Spoil::Value(i, v) => {
                let line = &mut lines[i % n];
                *line = format!("{} = {v}", line.split('=').next().unwrap_or("x"));
            }
            Spoil::Cut(a, len) => {
                let from = boundary(&text, *a);
                let to = boundary(&text, from.saturating_add(*len).min(text.len()));
                return format!("{}{}", &text[..from], &text[to.max(from)..]);
            }
            Spoil::Put(a, t) => {
                let at = boundary(&text, *a);
                return format!("{}{t}{}", &text[..at], &text[at..]);
            }
        }
        lines.join("\n")
    }

    /// The examples without their comments: whole, or a few tables of it.
    fn base() -> impl Strategy<Value = String> {
        let bare: Vec<&str> = FULL.lines().filter(|l| !l.starts_with('#') && !l.is_empty()).collect();
        let mut tables: Vec<String> = vec![String::new()];
        for l in bare {
            if l.starts_with('[') && !l.starts_with("[[") {
                tables.push(String::new());
            }
            let last = tables.last_mut().unwrap();
            last.push_str(l.split("  #").next().unwrap());
            last.push('\n');
        }
        prop_oneof![
            1 => Just(tables.concat()),
            30 => prop::sample::subsequence(tables, 1..6).prop_map(|t| t.concat()),
            5 => Just(SMALLEST.to_owned()),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 5000, failure_persistence: None, ..ProptestConfig::default() })]

        /// Whatever is done to a configuration: no panic, no hang, and each error says where, what and how to mend it.
        #[test]
        fn configurations_never_panic_and_always_explain(text in base(), spoils in prop::collection::vec(spoil(), 1..5)) {
            let text = spoils.iter().fold(text, apply);
            let lines = text.lines().count() + 1;
            match parse(&text, None) {
                Ok(c) => {
                    // What loads is fit for the other rooms: names refer to things, times are positive.
                    let things: Vec<_> = c.things().iter().map(|(n, _)| (*n).clone()).collect();
                    prop_assert!(c.session.chain.iter().all(|n| things.contains(n)), "{text}");
                    prop_assert!(c.agent.every > Span::ZERO && c.agent.commit_every >= c.agent.every);
                    prop_assert!(c.sensors.iter().all(|s| s.plausible.0 < s.plausible.1 && s.scale != 0.0));
                    let _ = crate::config::words::whole(&c);
                }
                Err(errors) => {
                    prop_assert!(!errors.is_empty());
                    for e in errors {
                        prop_assert!(e.line >= 1 && e.line <= lines, "{e:?}\n{text}");
                        prop_assert!(!e.problem.is_empty() && !e.expected.is_empty() && !e.remedy.is_empty(), "{e:?}");
                    }
                }
            }
        }
    }
}

#[test]
fn a_probe_that_cannot_be_left_out_is_an_error_with_the_nearest_name() {
    assert_eq!(good("[agent]\nleave_out = [\"graphics\", \"wired\"]\n").agent.leave_out, ["graphics", "wired"]);
    let e = parse("[agent]\nleave_out = [\"grafics\", \"processor\"]\n", None).unwrap_err();
    let text: String = e.iter().map(ConfigError::in_full).collect();
    assert!(text.contains("did you mean `graphics`?") && text.contains("watch = false there"), "{text}");
}
