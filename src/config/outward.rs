//! Actions and notices: what goes out of the program. Their tables.

use super::human;
use super::model::*;
use super::net::{address, web};
use super::rules::priority;
use super::section::Section;
use super::things::titled;
use crate::model::{Name, Span};

pub(super) fn action(s: &Section<'_>, name: &Name) -> Option<Action> {
    let run = s.get("run").and_then(|f| f.command());
    if !s.has("run") {
        s.wrong("`run` is missing", "a list of the program and its arguments", "write run = [\"/usr/bin/…\", \"…\"]");
    }
    let mut a = titled(s, Action::new(name.clone(), run.unwrap_or_default()), |t| &mut t.title);
    a.off = s.get("off").and_then(|f| f.command());
    a.at_most = s.span("at_most", Span::secs(1), Span::hours(24));
    a.time_limit = s.span("time_limit", Span::secs(1), Span::hours(1)).unwrap_or(a.time_limit);
    a.per_night = s.whole("per_night", 1, 100).map_or(a.per_night, |v| v as u32);
    a.cool_down = s.span("cool_down", Span::ZERO, Span::hours(24)).unwrap_or(a.cool_down);
    match (s.has("off"), s.has("at_most")) {
        (true, false) => s.wrong(
            "`off` without `at_most`",
            "the longest time that it stays on",
            "write at_most = \"2 h\" beside off",
        ),
        (false, true) => s.wrong(
            "`at_most` without `off`",
            "the command that switches it off again",
            "write off = [\"…\"] beside at_most",
        ),
        _ => {}
    }
    let hours = s.get("hours").and_then(|f| {
        let t = f.text("two clock times")?;
        human::clock_range(&t).map_err(|e| f.bad(e, "20:00-23:30")).ok()
    });
    match (s.flag("may_move"), s.has("hours")) {
        (Some(true), false) => s.wrong(
            "an action that may move equipment has no hours",
            "the local clock times in which it may run",
            "write hours = \"20:00-23:30\", hours in which you are about",
        ),
        (Some(true), true) => a.may_move = hours,
        (_, true) => s.wrong(
            "`hours` without `may_move`",
            "may_move = true beside it",
            "write may_move = true, or take hours out",
        ),
        _ => {}
    }
    Some(a)
}

pub(super) fn notice(s: &Section<'_>, name: &Name) -> Option<Notice> {
    let command = s.get("command").and_then(|f| f.command()).map(NoticeBy::Command);
    let webhook = s.get("webhook").and_then(|f| web(&f, &["http://", "https://"])).map(NoticeBy::Webhook);
    let mqtt = s.get("mqtt").and_then(|f| f.section()).and_then(|m| {
        let broker = m.get("broker").and_then(|f| address(&f, "192.168.1.20:1883"));
        let topic = m.text("topic");
        if topic.as_deref().is_some_and(|t| t.contains(['#', '+'])) {
            m.wrong("a topic to publish on has no wildcards", "a plain topic", "write topic = \"orchard-pier/alarms\"");
        }
        if !m.has("broker") || !m.has("topic") {
            m.wrong(
                "broker or topic is missing",
                "both",
                "write mqtt = { broker = \"192.168.1.20:1883\", topic = \"pier/alarms\" }",
            );
        }
        m.finish();
        Some(NoticeBy::Mqtt { broker: broker?, topic: topic? })
    });
    let stated = ["command", "webhook", "mqtt"].iter().filter(|k| s.has(k)).count();
    if stated != 1 {
        s.wrong(
            format!("a notice goes one way, and {stated} are stated"),
            "one of command, webhook or mqtt",
            "write one [notice.NAME] for each way",
        );
    }
    let at_least = s.get("at_least").and_then(|f| priority(&f));
    let only_wakes = s.flag("only_wakes");
    let mut n = Notice::new(name.clone(), command.or(webhook).or(mqtt)?);
    n.at_least = at_least.unwrap_or(n.at_least);
    n.only_wakes = only_wakes.unwrap_or(n.only_wakes);
    Some(n)
}
