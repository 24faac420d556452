//! What is asked of the agent, and what comes of it.

use crate::http::Ask;
use crate::http::testing::{Answer, Desk, HERE};
use crate::model::command::{CommandAnswer, CommandError};
use crate::model::{AlarmId, Command, MarkKind, Span};
use std::time::Duration;

const JSON: (&str, &str) = ("content-type", "application/json");
const FORM: [(&str, &str); 2] =
    [("content-type", "application/x-www-form-urlencoded"), ("origin", "http://localhost:7417")];

/// Asks, and answers as the agent.
async fn with_agent(
    d: &mut Desk,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &str,
    answer: CommandAnswer,
) -> (Answer, Ask) {
    let mut commands = std::mem::replace(&mut d.commands, tokio::sync::mpsc::channel(1).1);
    let agent = async {
        let ask = tokio::time::timeout(Duration::from_secs(5), commands.recv()).await.expect("a wish comes").unwrap();
        let (tx, _) = tokio::sync::oneshot::channel();
        let kept = Ask { command: ask.command.clone(), by: ask.by.clone(), answer: tx };
        ask.answer.send(answer).unwrap();
        kept
    };
    let out = tokio::join!(d.ask(HERE, method, path, headers, body), agent);
    d.commands = commands;
    out
}

#[tokio::test]
async fn wishes_reach_the_agent_and_its_words_come_back() {
    let mut d = Desk::new(|_| {});
    let cases: [(&str, &str, &str, Command); 8] = [
        ("POST", "/api/v1/session", r#"{"do":"start"}"#, Command::SessionStart),
        ("POST", "/api/v1/session", r#"{"do":"end"}"#, Command::SessionEnd),
        ("POST", "/api/v1/alarms/acknowledge", "", Command::Acknowledge { alarm: None }),
        ("POST", "/api/v1/alarms/7/acknowledge", "{}", Command::Acknowledge { alarm: Some(AlarmId(7)) }),
        (
            "POST",
            "/api/v1/alarms/7/shelve",
            r#"{"lasting_s":3.6e3}"#,
            Command::Shelve { alarm: AlarmId(7), lasting: Span::hours(1) },
        ),
        ("POST", "/api/v1/alarms/7/unshelve", "", Command::Unshelve { alarm: AlarmId(7) }),
        (
            "PUT",
            "/api/v1/incidents/3/mark",
            r#"{"mark":"cloud","words":"fog"}"#,
            Command::Mark { incident: 3, kind: Some(MarkKind::Cloud), words: "fog".into() },
        ),
        ("DELETE", "/api/v1/remedies/2", "", Command::RemedyRemove { remedy: 2 }),
    ];
    for (method, path, body, command) in cases {
        let (a, ask) = with_agent(&mut d, method, path, &[JSON], body, Ok("done".into())).await;
        assert_eq!((a.status.as_u16(), a.json()["said"].as_str()), (200, Some("done")), "{path}");
        assert_eq!((ask.command, ask.by.as_str()), (command, "command line"), "{path}");
    }
    let body = r#"{"name":"heating pad","since":1768000000000,"only_nights":["2026-01-12"],"hard_when":{"signal":"temperature.outside","below":true,"limit":1.0}}"#;
    let (a, ask) = with_agent(&mut d, "POST", "/api/v1/remedies", &[JSON], body, Ok("kept".into())).await;
    assert_eq!(a.status, 201);
    assert!(matches!(ask.command, Command::RemedyAdd(w) if w.name == "heating pad" && w.hard_when.is_some()));
}

#[tokio::test]
async fn refusals_become_problems() {
    let mut d = Desk::new(|_| {});
    for (error, status) in [
        (CommandError::NotFound("alarm 9".into()), 404),
        (CommandError::NotNow("no session goes on".into()), 409),
        (CommandError::Failed("the store refused".into()), 503),
    ] {
        let words = error.to_string();
        let (a, _) = with_agent(&mut d, "POST", "/api/v1/alarms/9/acknowledge", &[JSON], "", Err(error)).await;
        assert_eq!((a.status.as_u16(), a.json()["detail"].as_str()), (status, Some(words.as_str())));
    }
    d.commands.close();
    assert_eq!(d.ask(HERE, "POST", "/api/v1/session", &[JSON], r#"{"do":"end"}"#).await.status, 503);
}

#[tokio::test]
async fn bodies_are_checked() {
    let d = Desk::new(|_| {});
    for (path, body, status) in [
        ("/api/v1/session", "", 400),
        ("/api/v1/session", "{}", 400),
        ("/api/v1/session", r#"{"do":"stop"}"#, 400),
        ("/api/v1/session", r#"{"do":"end","now":true}"#, 400),
        ("/api/v1/session", r#"{"do":"end"} x"#, 400),
        ("/api/v1/alarms/7/shelve", r#"{"lasting_s":0}"#, 400),
        ("/api/v1/alarms/7/shelve", r#"{"lasting_s":86401}"#, 400),
        ("/api/v1/alarms/7/shelve", r#"{"lasting_s":1.5}"#, 400),
        ("/api/v1/alarms/acknowledge", "[]", 400),
        ("/api/v1/remedies", r#"{"name":" ","since":1}"#, 400),
        ("/api/v1/remedies", r#"{"name":"x","since":-1}"#, 400),
        ("/api/v1/remedies", r#"{"name":"x","since":5.5}"#, 400),
        ("/api/v1/remedies", r#"{"name":"x","since":5,"until":5}"#, 409),
        ("/api/v1/remedies", r#"{"name":"x","since":5,"only_nights":["2026-02-30"]}"#, 400),
        ("/api/v1/remedies", r#"{"name":"x","since":5,"hard_when":{"signal":"X","below":true,"limit":1}}"#, 400),
    ] {
        let a = d.ask(HERE, "POST", path, &[JSON], body).await;
        assert_eq!(a.status.as_u16(), status, "{path} {body}: {}", a.text);
        assert_eq!(a.headers["content-type"], "application/problem+json");
    }
    let long = format!(r#"{{"do":"{}"}}"#, "x".repeat(70_000));
    assert_eq!(d.ask(HERE, "POST", "/api/v1/session", &[JSON], &long).await.status, 413);
    assert_eq!(d.ask(HERE, "POST", "/api/v1/session", &[], r#"{"do":"end"}"#).await.status, 415);
}

#[tokio::test]
async fn buttons_work_without_script() {
    let mut d = Desk::new(|_| {});
    for (fields, command) in [
        ("do=acknowledge&alarm=7", Command::Acknowledge { alarm: Some(AlarmId(7)) }),
        ("do=acknowledge-all", Command::Acknowledge { alarm: None }),
        ("do=shelve&alarm=7&lasting=1h", Command::Shelve { alarm: AlarmId(7), lasting: Span::hours(1) }),
        ("do=unshelve&alarm=7", Command::Unshelve { alarm: AlarmId(7) }),
        ("do=session-end", Command::SessionEnd),
    ] {
        let (a, ask) = with_agent(&mut d, "POST", "/act", &FORM, fields, Ok("noted: all is well".into())).await;
        assert_eq!((a.status.as_u16(), a.headers["location"].to_str().unwrap()), (303, "/"));
        assert_eq!((ask.command, ask.by.as_str()), (command, "page"));
        let cookie = a.headers["set-cookie"].to_str().unwrap().split(';').next().unwrap().to_owned();
        let a = d.get(HERE, "/", &[("cookie", &cookie)]).await;
        assert!(a.text.contains("Noted: all is well."), "{}", a.text);
        assert!(a.headers["set-cookie"].to_str().unwrap().starts_with("said=; "), "said once");
    }
    // Each button leads back to its own page, and to no other site.
    let mark = |kind, words: &str| Command::Mark { incident: 3, kind, words: words.into() };
    for (fields, command, back) in [
        (
            "do=mark&incident=3&was=cloud&words=fog+again&back=/nights",
            mark(Some(MarkKind::Cloud), "fog again"),
            "/nights",
        ),
        ("do=mark&incident=3&was=nothing&words=&back=//elsewhere.example", mark(None, ""), "/"),
        ("do=remedy-remove&remedy=2&back=/remedies", Command::RemedyRemove { remedy: 2 }, "/remedies"),
    ] {
        let (a, ask) = with_agent(&mut d, "POST", "/act", &FORM, fields, Ok("noted".into())).await;
        assert_eq!((a.status.as_u16(), a.headers["location"].to_str().unwrap()), (303, back));
        assert_eq!(ask.command, command);
    }
    let fields =
        "do=remedy-add&name=heating+pad&since=2026-01-12T18:00&until=&signal=temperature.outside&side=below&limit=1,5";
    let (_, ask) = with_agent(&mut d, "POST", "/act", &FORM, fields, Ok("noted".into())).await;
    let Command::RemedyAdd(w) = ask.command else { panic!("{:?}", ask.command) };
    let hard = w.hard_when.unwrap();
    assert_eq!(
        (w.name.as_str(), hard.signal.as_str(), hard.below, hard.limit),
        ("heating pad", "temperature.outside", true, 1.5)
    );
    for bad in [
        "do=mark&incident=3&was=sabotage",
        "do=mark&incident=&was=cloud",
        "do=remedy-add&name=&since=2026-01-12T18:00",
        "do=remedy-add&name=pad&since=",
        "do=remedy-add&name=pad&since=2026-02-30T18:00",
        "do=remedy-add&name=pad&since=2026-01-12T18:00&until=2026-01-11T18:00",
        "do=remedy-add&name=pad&since=2026-01-12T18:00&signal=temperature.outside&limit=cold",
        "do=remedy-add&name=pad&since=2026-01-12T18:00&signal=temperature.box&limit=1",
    ] {
        let a = d.ask(HERE, "POST", "/act", &FORM, bad).await;
        assert_eq!(a.status, 303);
        let cookie = a.headers["set-cookie"].to_str().unwrap().split(';').next().unwrap().to_owned();
        assert!(d.get(HERE, "/", &[("cookie", &cookie)]).await.text.contains("It was not done"), "{bad}");
    }
    let a = d.ask(HERE, "POST", "/act", &FORM, "do=acknowledge&alarm=x").await;
    let cookie = a.headers["set-cookie"].to_str().unwrap().split(';').next().unwrap().to_owned();
    assert!(d.get(HERE, "/", &[("cookie", &cookie)]).await.text.contains("It was not done"));
}
