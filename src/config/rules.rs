//! Rules: changes of built-in ones and the person's own.

use super::field::Field;
use super::human;
use super::load::named;
use super::model::*;
use super::refer::{References, Want};
use super::section::Section;
use super::signals;
use crate::model::{Name, Priority, Span, Unit};
use std::collections::BTreeMap;

/// Every test that a rule of the person's own can make.
const TESTS: [&str; 7] = ["below", "above", "outside", "missing", "differs_from", "rate_of_change", "deviation"];

const DAY: Span = Span::hours(24);

/// Reads `[rule.…]` into `c`; everything that rules can judge must be in `c` already.
pub(super) fn read(root: &Section<'_>, c: &mut Config, refer: &mut References) {
    let known = signals::known(c);
    for (own, s) in root.get("rule").map(|f| f.sections()).unwrap_or_default() {
        let Some(name) = named("rule", &own, &s) else {
            continue;
        };
        let built_in = c.rules.iter().position(|r| r.name == name);
        let rule = match built_in.map(|i| (i, c.rules[i].clone())) {
            Some((i, mut rule)) => {
                limit(&s, &mut rule);
                Some((Some(i), rule))
            }
            None => own_rule(&s, &name, &known, refer).map(|r| (None, r)),
        };
        let unit = rule.as_ref().map_or(Unit::None, |(_, r)| unit_of(r, &known));
        let (at, mut rule) = rule.unwrap_or_else(|| (None, Rule::new(name, vec![], Test::Missing)));
        let good = at.is_some() || !rule.on.is_empty();
        common(&s, &mut rule, unit, refer);
        s.finish();
        match at {
            Some(i) => c.rules[i] = rule,
            None if good => c.rules.push(rule),
            None => {}
        }
    }
}

/// The key, unit and possible limits of a built-in rule that has a limit.
pub(super) fn limit_of(b: Builtin) -> Option<(&'static str, Unit, f64, f64)> {
    Some(match b {
        Builtin::BoxTooHot => ("above", Unit::Celsius, 0.0, 100.0),
        Builtin::BoxCold => ("below", Unit::Celsius, -60.0, 40.0),
        Builtin::DewMarginSmall => ("below", Unit::Kelvin, 0.0, 20.0),
        Builtin::ProcessorStarved => ("above", Unit::Percent, 1.0, 99.0),
        Builtin::MemoryShort => ("below", Unit::Percent, 0.1, 90.0),
        Builtin::Disk => ("below", Unit::Percent, 0.1, 90.0),
        Builtin::ClockNotSet => ("above", Unit::Seconds, 0.001, 3600.0),
        _ => return None,
    })
}

/// The unit of the values that a rule judges.
fn unit_of(r: &Rule, known: &BTreeMap<Name, Unit>) -> Unit {
    match r.test {
        Test::Builtin(b) => limit_of(b).map_or(Unit::None, |(_, u, _, _)| u),
        _ => r.on.first().and_then(|n| known.get(n).copied()).unwrap_or(Unit::None),
    }
}

/// The limit of a built-in rule.
fn limit(s: &Section<'_>, rule: &mut Rule) {
    let Test::Builtin(b) = rule.test else {
        return;
    };
    if let Some((key, unit, least, most)) = limit_of(b)
        && let Some(f) = s.get(key)
        && let Some(v) = amount(&f, unit, least, most)
    {
        rule.limit = Some(v);
    }
}

/// A value in `unit` within limits, as a text with its unit, or as a plain number where the unit has no symbol.
pub(super) fn amount(f: &Field<'_>, unit: Unit, least: f64, most: f64) -> Option<f64> {
    let symbol = unit.symbol();
    let example = match symbol {
        "" => format!("{}", least.max(0.0)),
        u => format!("\"{} {u}\"", f.number().unwrap_or(least.clamp(1.0, 10.0))),
    };
    let value = match (f.as_str(), f.number()) {
        (Some(t), _) => human::value(t, unit).map_err(|e| (e.problem, e.expected)),
        (None, Some(v)) if symbol.is_empty() => Ok(v),
        (None, Some(_)) => Err((format!("`{}` has no unit", f.shown()), format!("a number with {symbol}, in quotes"))),
        (None, None) if unit == Unit::Truth => match f.shown().as_str() {
            "true" => Ok(1.0),
            "false" => Ok(0.0),
            t => Err((format!("`{t}` does not fit"), "true or false".into())),
        },
        _ => Err((format!("`{}` does not fit", f.shown()), format!("a number with {symbol}, in quotes"))),
    };
    match value {
        Ok(v) if (least..=most).contains(&v) => Some(v),
        Ok(_) => {
            let range = format!("a value from {} to {} {symbol}", plain(least), plain(most));
            f.wrong(
                format!("`{}` is not possible here", f.shown()),
                range.trim_end(),
                format!("write {} = {example}", f.last()),
            );
            None
        }
        Err((problem, expected)) => {
            f.wrong(problem, expected, format!("write {} = {example}", f.last()));
            None
        }
    }
}

/// A limit for a message, without endless digits.
fn plain(v: f64) -> String {
    if v.abs() >= 1e15 { format!("{v:e}") } else { format!("{v}") }
}

/// The possible values of a signal.
fn possible(name: &Name, unit: Unit) -> (f64, f64) {
    match unit {
        // A program may use several cores.
        Unit::Percent if name.kind() == "program" => (0.0, 102_400.0),
        Unit::Percent => (0.0, 100.0),
        Unit::Celsius => (-273.15, 1000.0),
        Unit::Truth => (0.0, 1.0),
        Unit::Dbm => (-200.0, 100.0),
        Unit::Kelvin | Unit::KelvinPerHour | Unit::None | Unit::Degrees => (-1e6, 1e6),
        Unit::Seconds if name.kind() == "clock" => (-1e9, 1e9),
        _ => (0.0, 1e18),
    }
}

/// The unit of a difference of two values in `unit`.
fn step_unit(unit: Unit) -> Unit {
    if unit == Unit::Celsius { Unit::Kelvin } else { unit }
}

fn own_rule(s: &Section<'_>, name: &Name, known: &BTreeMap<Name, Unit>, refer: &References) -> Option<Rule> {
    let mut on: Vec<Name> = vec![];
    let mut unit: Option<Unit> = None;
    for (signal, at) in s.names("on").unwrap_or_default() {
        let Some(u) = known.get(&signal) else {
            // A thing that is left out for now takes its rules along; one with errors of its own has been told.
            let there = known.keys().any(|k| k.thing() == signal.thing());
            if there || !refer.described(&signal.thing()) {
                unknown_signal(s, &signal, &at, known);
            }
            continue;
        };
        if unit.is_some_and(|first| first != *u) {
            s.source.errors.add(
                &at,
                &s.key("on"),
                format!("`{signal}` has another unit than `{}`", on[0]),
                "signals of one unit",
                "write a rule of its own for it",
            );
            continue;
        }
        unit = Some(*u);
        on.push(signal);
    }
    let built_in: Vec<String> = super::builtin::rules().iter().map(|r| r.name.own().to_owned()).collect();
    if !s.has("on") {
        let remedy = match super::error::nearest(name.own(), built_in.iter().map(String::as_str)) {
            Some(near) => format!("write [rule.{near}] to change the built-in rule"),
            None => "write on = \"temperature.box\" with the signal that is meant".into(),
        };
        s.wrong("nothing says what the rule judges", "on = a signal or a list of signals", remedy);
    }
    let judged = on.first().cloned();
    let u = unit.unwrap_or(Unit::None);
    let (least, most) = judged.as_ref().map_or((f64::MIN, f64::MAX), |n| possible(n, u));
    let step = step_unit(u);
    // Without a known signal there is no unit to hold values against: the keys are only looked at.
    let value = |key: &'static str, unit: Unit, least: f64, most: f64| -> Option<f64> {
        let f = s.get(key)?;
        judged.as_ref().and_then(|_| amount(&f, unit, least, most))
    };
    let below = value("below", u, least, most).map(Test::Below);
    let above = value("above", u, least, most).map(Test::Above);
    let outside = s
        .get("outside")
        .filter(|_| judged.is_some())
        .and_then(|f| super::sensors::range(&f, u))
        .map(|(a, b)| Test::Outside(a, b));
    let missing = s.flag("missing").filter(|m| *m).map(|_| Test::Missing);
    let differs = value("differs_from", u, least, most).map(Test::DiffersFrom);
    let within = s.span("within", Span::secs(10), DAY);
    let rate = s.get("rate_of_change").filter(|_| judged.is_some()).and_then(|f| rate(&f, step));
    let deviation = value("deviation", step, f64::MIN_POSITIVE, 1e18);
    if (s.has("rate_of_change") || s.has("deviation")) != s.has("within") {
        s.wrong(
            "rate_of_change and deviation go together with within",
            "within = the stretch over which it is measured",
            "write within = \"30 min\" beside it, or take within out",
        );
    }
    let stated: Vec<&str> = TESTS.into_iter().filter(|k| s.has(k)).collect();
    if stated.len() != 1 {
        let problem = match stated.len() {
            0 => "nothing says when the rule raises an alarm".to_owned(),
            _ => format!("a rule makes one test, and {} are stated", stated.join(" and ")),
        };
        s.wrong(problem, format!("one of {}", TESTS.join(", ")), "write one rule for each test");
    }
    let within = within.unwrap_or(Span::mins(30));
    let test = below
        .or(above)
        .or(outside)
        .or(missing)
        .or(differs)
        .or_else(|| rate.map(|per_hour| Test::RateOfChange { per_hour, within }))
        .or_else(|| deviation.map(|by| Test::Deviation { by, within }));
    Some(Rule::new(name.clone(), on, test?))
}

/// A change per hour: `-2 K/h`, or a plain number.
fn rate(f: &Field<'_>, step: Unit) -> Option<f64> {
    let unit = if step == Unit::Kelvin { Unit::KelvinPerHour } else { step };
    let read = |t: &str| match unit {
        Unit::KelvinPerHour => human::value(t, unit).ok(),
        _ => {
            let (sign, t) = t.trim().strip_prefix(['-', '−']).map_or((1.0, t.trim()), |rest| (-1.0, rest));
            human::value(t.strip_suffix("/h").unwrap_or(t).trim_end(), unit).ok().map(|v| sign * v)
        }
    };
    let symbol = if step == Unit::Kelvin { "K/h".to_owned() } else { format!("{}/h", step.symbol()) };
    let v = match (f.as_str(), f.number()) {
        (Some(t), _) => read(t),
        (None, n) if step.symbol().is_empty() => n,
        _ => None,
    };
    match v.filter(|v| *v != 0.0 && v.abs() < 1e18) {
        Some(v) => Some(v),
        None => {
            f.wrong(
                format!("`{}` is no rate of change", f.shown()),
                format!("a number with {symbol}, not 0; negative where it falls"),
                format!("write {} = \"-2 {symbol}\"", f.last()),
            );
            None
        }
    }
}

fn unknown_signal(s: &Section<'_>, signal: &Name, at: &std::ops::Range<usize>, known: &BTreeMap<Name, Unit>) {
    let thing = signal.thing();
    let of_thing: Vec<&str> = known.keys().filter(|k| k.thing() == thing).map(Name::as_str).collect();
    let remedy = match super::error::nearest(signal.as_str(), known.keys().map(Name::as_str)) {
        Some(near) => format!("write `{near}`"),
        None if matches!(signal.kind(), "temperature" | "humidity") => {
            format!("describe the sensor under [{thing}]; `tilldawn look` lists those of this machine")
        }
        None => format!("describe the thing under [{thing}]"),
    };
    let expected = match &of_thing[..] {
        [] => "a signal of something that is watched".into(),
        some => format!("one of {}", some.join(", ")),
    };
    s.source.errors.add(at, &s.key("on"), format!("there is no signal `{signal}`"), expected, remedy);
}

/// `low`, `medium` or `high`.
pub(super) fn priority(f: &Field<'_>) -> Option<Priority> {
    let all = [Priority::Low, Priority::Medium, Priority::High];
    let found = f.as_str().and_then(|t| all.into_iter().find(|p| p.word() == t));
    if found.is_none() {
        f.wrong(
            format!("`{}` is no priority", f.shown()),
            "low, medium or high",
            format!("write {} = \"medium\"", f.last()),
        );
    }
    found
}

/// What every rule has.
fn common(s: &Section<'_>, r: &mut Rule, unit: Unit, refer: &mut References) {
    if let Some(t) = s.text("title") {
        r.title = t;
    }
    r.enabled = s.flag("enabled").unwrap_or(r.enabled);
    r.on_delay = s.span("on_delay", Span::ZERO, DAY).unwrap_or(r.on_delay);
    r.off_delay = s.span("off_delay", Span::ZERO, DAY).unwrap_or(r.off_delay);
    if !matches!(r.test, Test::Builtin(b) if limit_of(b).is_none())
        && let Some(f) = s.get("deadband")
    {
        r.deadband = amount(&f, step_unit(unit), 0.0, 1e18).unwrap_or(r.deadband);
    }
    if let Some(f) = s.get("priority") {
        r.priority = priority(&f).unwrap_or(r.priority);
    }
    if let Some(f) = s.get("during")
        && let Some(t) = f.text("session, always, dark or two clock times")
    {
        r.during = match t.as_str() {
            "session" => During::Session,
            "always" => During::Always,
            "dark" => During::Dark,
            other => match human::clock_range(other) {
                Ok((from_min, to_min)) => During::Clock { from_min, to_min },
                Err(_) => {
                    f.wrong(
                        format!("`{t}` is no time in which a rule can hold"),
                        "session, always, dark or two local clock times such as \"20:00-06:00\"",
                        "write during = \"session\"",
                    );
                    r.during.clone()
                }
            },
        };
    }
    if let Some(f) = s.get("wakes_after") {
        r.wakes_after = match f.as_str() {
            Some("never") => None,
            _ => f.span(Span::ZERO, DAY).or(r.wakes_after),
        };
        if r.wakes_after.is_none() {
            r.wakes_always = false;
        }
    }
    r.wakes_always = s.flag("wakes_always").unwrap_or(r.wakes_always);
    if r.wakes_always && r.wakes_after.is_none() {
        s.wrong(
            "a rule that always wakes must also say after how long",
            "wakes_after beside wakes_always",
            "write wakes_after = \"0 s\"",
        );
    }
    if let Some(f) = s.get("action") {
        for (name, at) in f.names().unwrap_or_default() {
            refer.add(s.key("action"), at, name.clone(), Want::Action, None);
            r.action = Some(name);
        }
    }
}
