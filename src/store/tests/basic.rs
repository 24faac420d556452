//! What goes in comes out.

use super::*;
use crate::clock::Clock;

#[test]
fn a_transition_is_committed_at_once_with_the_readings_before_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("state/a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    assert_eq!((o.last_run, o.in_memory.as_deref(), o.gap), (LastRun::First, None, None));
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "box air"));
    assert!(w.write(write(batch(t(0), vec![Reading::known(id, t(0), 14.6)]))).is_none());
    let gone = Why::new(WhyCode::TimedOut, "no answer");
    let answer =
        w.write(urgent(batch(t(1000), vec![Reading::unavailable(id, t(1000), gone.clone())]), vec![raised(1, t(900))]));
    wait(answer.unwrap()).unwrap();

    let r = Reader::open(&path).unwrap();
    let _still = r.snapshot().unwrap();
    assert_eq!(r.signal_id(&name("temperature.box")).unwrap(), Some(id));
    assert_eq!(r.transitions(0, 10).unwrap(), vec![raised(1, t(900))]);
    assert_eq!(r.alarms(UnixMs(T0), UnixMs(T0 + 5000)).unwrap().len(), 1);
    let fine = r.fine(id, UnixMs(T0), UnixMs(T0 + 60_000)).unwrap();
    assert_eq!(fine, vec![(t(0).wall, Value::Known(14.6)), (t(1000).wall, Value::Unavailable(gone))]);
    let b = r.buckets(id, UnixMs(T0), UnixMs(T0 + 60_000), 2).unwrap();
    assert_eq!((b[0].count, b[0].unavailable, b[0].mean, b[1].count), (1, 1, 14.6, 0));
    assert!(w.health().well);
    w.close(Span::secs(20)).unwrap();

    c.advance(60_000);
    let (w, o) = open_at(&path, &c);
    assert_eq!(o.last_run, LastRun::Clean);
    assert_eq!(o.gap.unwrap().why, "stopped");
    assert_eq!(o.signals.len(), 1);
    assert_eq!(o.latest_seq, 1);
    drop(w);
}

#[test]
fn the_engines_state_is_saved_with_every_transition_each_minute_and_at_the_end() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    assert_eq!(o.engine_state, None);
    assert!(w.wants_engine_state());
    let saved = || -> Option<i64> {
        let db = rusqlite::Connection::open(&path).unwrap();
        let body: Result<Vec<u8>, _> = db.query_row("SELECT value FROM state WHERE key = 'engine'", [], |r| r.get(0));
        serde_json::from_slice::<serde_json::Value>(&body.ok()?).unwrap()["n"].as_i64()
    };
    let mut n = 0;
    let mut cycle = |transition: Option<i64>| {
        n += 1;
        let mut one = urgent(batch(c.now(), vec![]), transition.map(|s| raised(s, c.now())).into_iter().collect());
        one.engine_state = Some(serde_json::json!({ "n": n }));
        let answer = w.write(one);
        if let Some(a) = answer {
            wait(a).unwrap();
        }
        c.advance(1000);
    };
    cycle(None);
    wait(w.flush()).unwrap();
    assert_eq!(saved(), Some(1), "the first one at once");
    cycle(None);
    wait(w.flush()).unwrap();
    assert_eq!(saved(), Some(1), "nothing happened");
    assert!(!w.wants_engine_state());
    cycle(Some(1));
    assert_eq!(saved(), Some(3), "with a transition");
    c.advance(61_000);
    cycle(None);
    wait(w.flush()).unwrap();
    assert_eq!(saved(), Some(4), "a minute later");
    cycle(None);
    w.close(Span::secs(20)).unwrap();
    assert_eq!(saved(), Some(5), "and the last one");
    let (_, o) = open_at(&path, &c);
    assert_eq!(o.engine_state.unwrap()["n"], 5);
    assert_eq!((o.latest_seq, o.latest_alarm, o.latest_session, o.latest_incident), (1, 1, 0, 0));
}

#[test]
fn everything_that_is_written_comes_back() {
    use crate::model::command::HardWhen;
    use crate::model::incident::{Belongs, Member};
    use crate::model::rows::{ChangeRow, RemedyRow};
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, _) = open_at(&path, &c);
    let member = |thing: &str, ms: i64, belongs| Member {
        thing: name(thing),
        at: t(ms),
        within: Span(40),
        until: Some(t(ms + 60_000)),
        alarm: Some(AlarmId(4)),
        event: Some(EventKind::ProgramEnded),
        belongs,
        text: "ended".into(),
    };
    let incident = Incident {
        id: 6,
        session: Some(2),
        opened: t(1000),
        closed: Some(t(90_000)),
        members: vec![member("program.mount", 1000, Belongs::First), member("program.guider", 1300, Belongs::LeansOn)],
        order_certain: false,
        kind: FaultKind::Program,
        harmless: true,
        pause_only: true,
        mark: None,
    };
    let session = Session {
        id: 2,
        started: t(0),
        why: SessionStart::LightFrame,
        ended: Some(t(100_000)),
        end_why: Some(SessionEnd::Dawn),
    };
    let step = |seq: i64, ms: i64, change: AlarmChange| Transition {
        seq,
        alarm: AlarmId(4),
        change,
        incident: Some(6),
        value: Some(1.25),
        ..raised(seq, t(ms))
    };
    let life = vec![
        step(11, 1000, AlarmChange::Raised),
        step(12, 2000, AlarmChange::Acknowledged { by: "page".into() }),
        step(13, 3000, AlarmChange::Shelved { until: t(60_000).wall, by: "command line".into() }),
        step(14, 4000, AlarmChange::Unshelved),
        step(15, 5000, AlarmChange::Stale),
        step(16, 6000, AlarmChange::Chattering),
        step(17, 7000, AlarmChange::Settled),
        step(18, 8000, AlarmChange::Returned),
        step(19, 9000, AlarmChange::Removed),
    ];
    let ended = event(t(1000), "ended").within(Span(250));
    let changed = Event::new(t(2000), name("program.mount"), EventKind::Changed, "newer")
        .with("what", "program.mount version")
        .with("old", "1.2")
        .with("new", "1.3");
    let mark = Mark { at: t(95_000), kind: Some(MarkKind::MyDoing), words: "pulled the cable".into() };
    let batch = Batch { at: t(100_000), readings: vec![], events: vec![ended.clone(), changed.clone()] };
    let outcome = Outcome {
        transitions: life.clone(),
        events: vec![ended.clone()], // handed on by the engine: stored once
        incidents: vec![incident.clone()],
        sessions: vec![session.clone()],
        marks: vec![(6, mark.clone())],
        ..Outcome::default()
    };
    wait(w.write(Write { batch, outcome, engine_state: None }).unwrap()).unwrap();
    wait(w.leadup(6, "before", vec![1, 2, 3])).unwrap();
    let mut remedy = RemedyRow {
        id: 0,
        name: "heating pad, low".into(),
        added: t(5).wall,
        since: t(0).wall,
        until: None,
        only_nights: vec!["2026-01-12".into()],
        hard_when: Some(HardWhen { signal: name("temperature.outside"), below: true, limit: 1.0 }),
        record_before: Span::hours(30),
        hindsight: true,
    };
    remedy.id = wait(w.remedy_add(remedy.clone())).unwrap();
    let other = wait(w.remedy_add(remedy.clone())).unwrap();
    wait(w.remedy_remove(other)).unwrap();
    let e = wait(w.remedy_remove(other)).unwrap_err();
    assert_eq!(e.to_string(), format!("there is no remedy {other} in the store"));

    let r = Reader::open(&path).unwrap();
    let (a, b) = (UnixMs(0), UnixMs(i64::MAX));
    assert_eq!(r.transitions(0, 99).unwrap(), life);
    assert_eq!(r.transitions(17, 1).unwrap(), life[7..8]);
    assert_eq!(r.alarm(AlarmId(4)).unwrap().unwrap().steps, life);
    assert!(r.alarm(AlarmId(5)).unwrap().is_none());
    assert_eq!(r.alarms(t(5000).wall, b).unwrap().len(), 1);
    assert!(r.alarms(a, t(1000).wall).unwrap().is_empty() && r.alarms(t(9001).wall, b).unwrap().is_empty());
    assert_eq!(r.events(a, b, &[]).unwrap(), [ended, changed]);
    assert_eq!(r.events(a, b, &[EventKind::LinkUp]).unwrap(), []);
    assert_eq!(
        r.changes(a, b).unwrap(),
        [ChangeRow { at: t(2000).wall, what: "program.mount version".into(), old: "1.2".into(), new: "1.3".into() }]
    );
    assert_eq!(r.sessions(t(50_000).wall, b).unwrap(), [session]);
    assert!(r.sessions(t(100_000).wall, b).unwrap().is_empty());
    let i = r.incident(6).unwrap().unwrap();
    assert_eq!(i.marks, std::slice::from_ref(&mark));
    assert_eq!(i.incident, Incident { mark: Some(mark), ..incident });
    assert_eq!(r.incidents(a, b).unwrap(), [i]);
    assert_eq!(r.leadup(6, "before").unwrap(), Some(vec![1, 2, 3]));
    assert_eq!(r.leadup(6, "after").unwrap(), None);
    assert_eq!(r.remedies().unwrap(), [remedy]);

    // The same in plain SQL, as somebody with another tool sees it.
    let db = rusqlite::Connection::open(&path).unwrap();
    let row: (String, String, String, String) = db
        .query_row("SELECT raised, acknowledged, acknowledged_by, over_by FROM alarms", [], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?))
        })
        .unwrap();
    assert_eq!(
        row,
        ("2026-01-12T20:00:01.000Z".into(), "2026-01-12T20:00:02.000Z".into(), "page".into(), "removed".into())
    );
    let row: (String, String) =
        db.query_row("SELECT failed_first, mark FROM incident_list", [], |r| Ok((r.get(0)?, r.get(1)?))).unwrap();
    assert_eq!(row, ("program.mount".into(), "my_doing".into()));
}
