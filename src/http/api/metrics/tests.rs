//! A parser written from the OpenMetrics specification 1.0.0 (its ABNF in section "Overall structure" and the rules on
//! metric types), and strict: what it takes, any reader takes.

use super::*;
use crate::http::testing::{broken_night, signals};
use std::collections::{BTreeMap, HashSet};

#[derive(Debug, Default)]
struct Parsed {
    kind: String,
    unit: String,
    samples: Vec<(String, BTreeMap<String, String>, f64)>,
}

fn is_name(s: &str, colon: bool) -> bool {
    let ok = |c: char, first: bool| {
        c.is_ascii_alphabetic() || c == '_' || (colon && c == ':') || (!first && c.is_ascii_digit())
    };
    !s.is_empty() && s.chars().enumerate().all(|(i, c)| ok(c, i == 0))
}

/// `name="escaped",…` up to the closing brace; what is behind it is returned.
fn labels(mut s: &str) -> Result<(BTreeMap<String, String>, &str), String> {
    let mut out = BTreeMap::new();
    if let Some(rest) = s.strip_prefix('}') {
        return Ok((out, rest));
    }
    loop {
        let (name, rest) = s.split_once("=\"").ok_or("a label without value")?;
        if !is_name(name, false) || name.starts_with("__") {
            return Err(format!("`{name}` is no label name"));
        }
        let mut value = String::new();
        let mut chars = rest.char_indices();
        let end = loop {
            match chars.next().ok_or("an open label value")? {
                (_, '\\') => match chars.next().ok_or("an open escape")?.1 {
                    'n' => value.push('\n'),
                    '"' => value.push('"'),
                    '\\' => value.push('\\'),
                    c => return Err(format!("`\\{c}` is no escape")),
                },
                (i, '"') => break i,
                (_, '\n') => return Err("a line feed in a label value".into()),
                (_, c) => value.push(c),
            }
        };
        if out.insert(name.to_string(), value).is_some() {
            return Err(format!("label `{name}` stands twice"));
        }
        s = &rest[end + 1..];
        match s.chars().next() {
            Some(',') => s = &s[1..],
            Some('}') => return Ok((out, &s[1..])),
            c => return Err(format!("`{c:?}` after a label")),
        }
    }
}

fn parse(text: &str) -> Result<BTreeMap<String, Parsed>, String> {
    let body = text.strip_suffix("# EOF\n").ok_or("the text must end with `# EOF` and a line feed")?;
    let mut families: BTreeMap<String, Parsed> = BTreeMap::new();
    let mut present = String::new();
    let mut told: HashSet<(String, &str)> = HashSet::new();
    for line in body.split_terminator('\n') {
        if let Some(rest) = line.strip_prefix("# ") {
            let mut w = rest.splitn(3, ' ');
            let (what, name) = (w.next().unwrap_or(""), w.next().ok_or("a descriptor without a name")?);
            let value = w.next().unwrap_or("");
            if !is_name(name, true) {
                return Err(format!("`{name}` is no metric name"));
            }
            if name != present {
                if families.contains_key(name) {
                    return Err(format!("the family `{name}` is broken into two"));
                }
                present = name.to_string();
                families.insert(present.clone(), Parsed::default());
            }
            if !told.insert((present.clone(), what)) {
                return Err(format!("two of `{what}` for `{name}`"));
            }
            let f = families.get_mut(&present).unwrap();
            if !f.samples.is_empty() {
                return Err(format!("a descriptor of `{name}` after its samples"));
            }
            match what {
                "TYPE" => {
                    let kinds =
                        ["gauge", "counter", "stateset", "info", "unknown", "histogram", "gaugehistogram", "summary"];
                    if !kinds.contains(&value) {
                        return Err(format!("`{value}` is no type"));
                    }
                    f.kind = value.into();
                }
                "UNIT" => {
                    if !name.ends_with(&format!("_{value}")) {
                        return Err(format!("`{name}` does not end with its unit `{value}`"));
                    }
                    f.unit = value.into();
                }
                "HELP" => {}
                _ => return Err(format!("`{what}` is no descriptor")),
            }
            continue;
        }
        if line.is_empty() || line.starts_with('#') {
            return Err(format!("`{line}` is no line of this format"));
        }
        let cut = line.find(['{', ' ']).ok_or("a sample without value")?;
        let name = &line[..cut];
        let (labels, rest) =
            if line[cut..].starts_with('{') { labels(&line[cut + 1..])? } else { (BTreeMap::new(), &line[cut..]) };
        let value = rest.strip_prefix(' ').ok_or("a blank must stand before the value")?;
        let value: f64 = match value {
            "NaN" => f64::NAN,
            "+Inf" => f64::INFINITY,
            "-Inf" => f64::NEG_INFINITY,
            v if v.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b)) => {
                v.parse().map_err(|_| format!("`{v}`"))?
            }
            v => return Err(format!("`{v}` is no number")),
        };
        let f = families.get_mut(&present).ok_or("a sample before any family")?;
        let suffix =
            name.strip_prefix(present.as_str()).ok_or_else(|| format!("`{name}` in the family `{present}`"))?;
        let good = match f.kind.as_str() {
            "gauge" => suffix.is_empty(),
            "counter" => suffix == "_total" && value >= 0.0,
            "info" => suffix == "_info" && value == 1.0,
            "stateset" => suffix.is_empty() && labels.contains_key(&present) && (value == 0.0 || value == 1.0),
            _ => false,
        };
        if !good || (matches!(f.kind.as_str(), "info" | "stateset") && !f.unit.is_empty()) {
            return Err(format!("`{line}` is no sample of the type `{}`", f.kind));
        }
        if f.samples.iter().any(|(n, l, _)| n == name && *l == labels) {
            return Err(format!("the series of `{line}` stands twice"));
        }
        f.samples.push((name.into(), labels, value));
    }
    // A family's name must not be another's name with a suffix that a type gives to samples.
    for n in families.keys() {
        for s in ["_total", "_created", "_info", "_count", "_sum", "_bucket"] {
            if n.strip_suffix(s).is_some_and(|b| families.contains_key(b))
                || (n.ends_with(s) && families[n].kind == "counter")
            {
                return Err(format!("`{n}` clashes with another family"));
            }
        }
    }
    Ok(families)
}

#[test]
fn the_parser_takes_the_examples_of_the_specification() {
    // From the specification: "acme_http_router_request_seconds"-like counters, a state set and an info.
    let good = "# TYPE foo_seconds counter\n# UNIT foo_seconds seconds\n# HELP foo_seconds Some text and \\n some \\\" escaping\n\
        foo_seconds_total 17.0\n# TYPE bar stateset\nbar{entity=\"controller\",bar=\"a\"} 1.0\nbar{entity=\"controller\",bar=\"bb\"} 0.0\n\
        # TYPE build info\nbuild_info{entity=\"controller\",name=\"prettyname\",version=\"8.2.7\"} 1.0\n# EOF\n";
    let p = parse(good).unwrap();
    assert_eq!(p["foo_seconds"].samples[0].2, 17.0);
    for bad in [
        "foo 1\n# EOF\n",
        "# TYPE foo gauge\nfoo 1\n",
        "# TYPE foo gauge\nfoo 1\n# EOF",
        "# TYPE foo gauge\nfoo_total 1\n# EOF\n",
        "# TYPE foo counter\nfoo 1\n# EOF\n",
        "# TYPE foo gauge\nfoo{a=\"b\"} 1\nfoo{a=\"b\"} 2\n# EOF\n",
        "# TYPE foo gauge\n# UNIT foo seconds\nfoo 1\n# EOF\n",
        "# TYPE foo gauge\nfoo  1\n# EOF\n",
        "# TYPE foo gauge\nfoo{a=\"b} 1\n# EOF\n",
        "# TYPE foo gauge\n\nfoo 1\n# EOF\n",
        "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\n# EOF\n",
    ] {
        assert!(parse(bad).is_err(), "{bad}");
    }
}

#[test]
fn what_is_exposed_is_well_formed_and_in_base_units() {
    let s = signals();
    let mut live = broken_night(&s);
    live.field = "orchard \"pier\" \\ one\n".into();
    let p = parse(&expose(&live, &s, Some(400))).unwrap();
    let find = |family: &str, label: &str, value: &str| {
        let hit = p[family].samples.iter().find(|(_, l, _)| l.get(label).is_some_and(|v| v == value));
        hit.unwrap_or_else(|| panic!("{family} {value}")).2
    };
    assert_eq!(find("tilldawn_reading_celsius", "signal", "temperature.box"), 14.6);
    assert_eq!(find("tilldawn_reading_seconds", "signal", "link.house.round-trip"), 0.0042);
    assert_eq!(find("tilldawn_reading_ratio", "signal", "load.cpu"), 0.38);
    assert_eq!(find("tilldawn_readable", "signal", "humidity.box"), 0.0);
    assert_eq!(find("tilldawn_condition", "tilldawn_condition", "failed"), 1.0);
    assert_eq!(find("tilldawn_condition", "tilldawn_condition", "working"), 0.0);
    assert_eq!(find("tilldawn_agent", "field", "orchard \"pier\" \\ one\n"), 1.0);
    assert_eq!(find("tilldawn_alarms", "priority", "high"), 1.0);
}

#[test]
fn before_the_first_cycle_nothing_is_claimed() {
    let p = parse(&expose(&Live::default(), &signals(), None)).unwrap();
    assert!(!p.contains_key("tilldawn_condition"));
    assert!(p.contains_key("tilldawn_agent"));
}

#[test]
fn every_unit_is_told_in_a_base_unit() {
    for u in Unit::ALL {
        assert!(base(u).0.is_empty() || is_name(base(u).0, false), "{u:?}");
    }
}
