//! How a run ended, the gap it left, and a board that woke with the wrong year.

use super::*;
use crate::clock::Clock;
use crate::model::incident::{Belongs, Member};
use crate::model::rows::GapRow;

fn again(path: &Path, c: &Arc<ManualClock>, boot_id: &str, cleanly: Option<bool>) -> (Writer, Opened) {
    open(path, Options { boot_id: boot_id.into(), machine_stopped_cleanly: cleanly, ..options(c) }).unwrap()
}

/// Some cycles, then the process is gone without a word.
fn crash_after(w: Writer, o: &Opened, c: &Arc<ManualClock>, seconds: i64) -> UnixMs {
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    for _ in 0..seconds {
        w.write_patiently(write(batch(c.now(), vec![Reading::known(id, c.now(), 1.5)])));
        c.advance(1000);
    }
    wait(w.flush()).unwrap();
    let last = c.now().wall - Span(1000);
    drop(w);
    last
}

#[test]
fn every_start_records_how_the_last_run_ended_and_the_gap() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let mut gaps = vec![];
    let mut step = |w: Writer, o: &Opened, boot: &str, cleanly, want: LastRun, why: &str| {
        let last = crash_after(w, o, &c, 25);
        c.advance(90_000);
        let (w, o) = again(&path, &c, boot, cleanly);
        assert_eq!(o.last_run, want);
        let gap = GapRow { from: last, to: c.now().wall, why: why.into() };
        assert_eq!(o.gap.as_ref(), Some(&gap));
        gaps.push(gap);
        (w, o)
    };
    let (w, o) = again(&path, &c, "boot-1", None);
    assert_eq!((o.last_run, o.gap.clone(), o.machine_restarted), (LastRun::First, None, false));
    let (w, o) = step(w, &o, "boot-1", None, LastRun::Crash, "crash");
    assert!(!o.machine_restarted);
    let (w, o) = step(w, &o, "boot-2", None, LastRun::PowerCut, "power_cut");
    assert!(o.machine_restarted);
    let (w, o) = step(w, &o, "boot-3", Some(false), LastRun::PowerCut, "power_cut");
    let (w, _) = step(w, &o, "boot-4", Some(true), LastRun::MachineRestart, "machine_restart");
    c.advance(5000);
    w.close(Span::secs(20)).unwrap();
    let stopped = c.now().wall;
    c.advance(60_000);
    let (w, o) = again(&path, &c, "boot-5", None);
    assert_eq!((o.last_run, o.machine_restarted), (LastRun::Clean, true));
    gaps.push(GapRow { from: stopped, to: c.now().wall, why: "stopped".into() });
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap(), gaps);
    let ended: Vec<String> = r.runs().unwrap().into_iter().map(|r| r.ended).collect();
    assert_eq!(ended, ["crash", "power_cut", "power_cut", "machine_restart", "clean", "running"]);
    drop(w);
}

#[test]
fn without_a_boot_id_the_time_since_boot_tells() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = again(&path, &c, "", None);
    crash_after(w, &o, &c, 25);
    c.advance(1000);
    let (w, o) = again(&path, &c, "", None);
    assert_eq!(o.last_run, LastRun::Crash, "the machine has been up longer than nobody looked");
    crash_after(w, &o, &c, 25);
    let rebooted = ManualClock::at(Stamp::new(c.now().wall + Span::mins(2), BootMs(20_000)));
    let (_, o) = again(&path, &rebooted, "", None);
    assert_eq!(o.last_run, LastRun::PowerCut);
}

#[test]
fn a_stall_of_the_agent_is_recorded_when_it_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, _) = open_at(&path, &c);
    let gap = GapRow { from: t(0).wall, to: t(30_000).wall, why: "stall".into() };
    wait(w.gap(gap.clone(), t(0).boot, t(30_000).boot)).unwrap();
    assert_eq!(Reader::open(&path).unwrap().gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap(), [gap]);
}

/// A night on a board that woke in 1970, or with the time at which it was switched off.
fn wrong_clock(wrong: i64, says: impl Fn(&mut Batch, SignalId, bool), event_tells: bool) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    // The evening before, with the right time.
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let last = crash_after(w, &o, &c, 25);

    let c = ManualClock::at(Stamp::new(UnixMs(wrong), BootMs(15_000)));
    let (w, o) = again(&path, &c, "boot-b", None);
    assert_eq!(o.last_run, LastRun::PowerCut);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    let sync = o.signals.register(SignalDef::new(name("clock.synchronised"), Unit::Truth, 1.0, "test"));
    let mut paper = vec![];
    let cycle = |paper: &mut Vec<(BootMs, f64)>, known: bool, out: Outcome| {
        let v = (paper.len() % 70) as f64 / 10.0;
        let mut b = batch(c.now(), vec![Reading::known(id, c.now(), v)]);
        says(&mut b, sync, known);
        paper.push((c.now().boot, v));
        w.write_patiently(Write { batch: b, outcome: out, engine_state: None });
        c.advance(1000);
    };
    let opened = c.now();
    let mut incident = Incident {
        id: 1,
        session: Some(1),
        opened,
        closed: None,
        members: vec![Member {
            thing: name("program.mount"),
            at: opened,
            within: Span::ZERO,
            until: None,
            alarm: Some(AlarmId(1)),
            event: Some(EventKind::ProgramEnded),
            belongs: Belongs::First,
            text: "ended".into(),
        }],
        order_certain: true,
        kind: FaultKind::Program,
        harmless: false,
        pause_only: false,
        mark: None,
    };
    let session = Session { id: 1, started: opened, why: SessionStart::Person, ended: None, end_why: None };
    cycle(
        &mut paper,
        false,
        Outcome {
            transitions: vec![raised(1, opened)],
            events: vec![event(opened, "ended")],
            incidents: vec![incident.clone()],
            sessions: vec![session],
            marks: vec![(1, Mark { at: opened, kind: None, words: "mine".into() })],
            ..Outcome::default()
        },
    );
    // Longer than sealing usually waits, across several windows.
    for _ in 0..3000 {
        cycle(&mut paper, false, Outcome::default());
    }
    wait(w.flush()).unwrap();
    let r = Reader::open(&path).unwrap();
    assert_eq!(r.transitions(1, 9).unwrap().len(), 0);
    assert_eq!(r.transitions(0, 9).unwrap()[0].at, opened, "shown as the clock says, until it is known better");

    // The network comes up: the right time is two days after the evening before.
    let right = T0 + 2 * 86_400_000;
    c.step_wall(right - c.now().wall.0);
    let offset = c.now().wall.0 - c.now().boot.0;
    if event_tells {
        let e = Event::new(c.now(), name("clock.this"), EventKind::ClockSynchronised, "synchronised");
        w.write(Write { batch: Batch { at: c.now(), readings: vec![], events: vec![e] }, ..Write::default() });
    }
    for _ in 0..100 {
        cycle(&mut paper, true, Outcome::default());
    }
    // An incident that began under the old clock is handed over once more.
    incident.closed = Some(c.now());
    incident.members[0].until = Some(c.now());
    cycle(&mut paper, true, Outcome { incidents: vec![incident], ..Outcome::default() });
    wait(w.flush()).unwrap();
    let check = || {
        let r = Reader::open(&path).unwrap();
        let dated = |b: BootMs| UnixMs(b.0 + offset);
        let got = r.fine(id, UnixMs(last.0 + 1), UnixMs(i64::MAX)).unwrap();
        assert_eq!(got.len(), paper.len());
        assert!(got.iter().zip(&paper).all(|(g, p)| g.0 == dated(p.0) && g.1 == Value::Known(p.1)));
        let tr = &r.transitions(0, 9).unwrap()[0];
        assert_eq!((tr.at.wall, tr.announced.wall, tr.at.boot), (dated(opened.boot), dated(opened.boot), opened.boot));
        let all = (UnixMs(0), UnixMs(i64::MAX));
        assert_eq!(r.events(all.0, all.1, &[EventKind::ProgramEnded]).unwrap()[0].at.wall, dated(opened.boot));
        assert_eq!(r.sessions(all.0, all.1).unwrap()[0].started.wall, dated(opened.boot));
        let i = r.incident(1).unwrap().unwrap();
        assert_eq!((i.incident.opened.wall, i.incident.members[0].at.wall), (dated(opened.boot), dated(opened.boot)));
        assert_eq!(i.incident.closed.unwrap(), i.incident.members[0].until.unwrap());
        assert!(i.incident.closed.unwrap().wall > dated(opened.boot));
        assert_eq!(i.marks[0].at.wall, dated(opened.boot));
        let run = &r.runs().unwrap()[1];
        assert_eq!(run.started, dated(BootMs(15_000)));
        assert_eq!(run.last_seen, dated(paper.last().unwrap().0));
        let gaps = r.gaps(all.0, all.1).unwrap();
        assert_eq!(gaps, [GapRow { from: last, to: dated(BootMs(15_000)), why: "power_cut".into() }]);
    };
    check();
    // And after everything is sealed.
    until("sealed", || {
        c.advance(60_000);
        wait(w.flush()).unwrap();
        let db = rusqlite::Connection::open(&path).unwrap();
        db.query_row("SELECT count(*) FROM journal", [], |r| r.get::<_, i64>(0)).unwrap() <= 1
    });
    let r = Reader::open(&path).unwrap();
    let got = r.fine(id, UnixMs(last.0 + 1), UnixMs(i64::MAX)).unwrap();
    assert!(got.len() == paper.len() && got.iter().zip(&paper).all(|(g, p)| g.0.0 == p.0.0 + offset));
    assert!(r.minutes(id, UnixMs(0), UnixMs(T0 - 86_400_000)).unwrap().is_empty(), "nothing is left in the wrong year");
}

fn flag(b: &mut Batch, sync: SignalId, known: bool) {
    b.readings.push(Reading::known(sync, b.at, f64::from(known)));
}

#[test]
fn a_board_that_wakes_in_1970_is_dated_by_its_clock_signal() {
    wrong_clock(5_000, flag, false);
}

#[test]
fn a_board_that_wakes_in_1970_is_dated_by_the_step_where_nothing_else_tells() {
    wrong_clock(5_000, |_, _, _| {}, false);
}

#[test]
fn a_board_that_wakes_with_a_stale_but_plausible_time_is_dated_by_the_event() {
    // An hour after it was switched off, as clocks kept in a file do; the readings say that it is not synchronised.
    wrong_clock(
        T0 + 3_600_000,
        |b, s, known| {
            if !known {
                flag(b, s, false)
            }
        },
        true,
    );
}

#[test]
fn a_step_of_a_clock_that_was_right_moves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = clock();
    let (w, o) = open_at(&path, &c);
    let id = o.signals.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "test"));
    let sync = o.signals.register(SignalDef::new(name("clock.synchronised"), Unit::Truth, 1.0, "test"));
    let mut paper = vec![];
    for i in 0..600 {
        if i == 200 {
            c.step_wall(3_600_000);
        }
        if i == 400 {
            c.step_wall(-3_600_000);
        }
        let mut b = batch(c.now(), vec![Reading::known(id, c.now(), f64::from(i))]);
        flag(&mut b, sync, true);
        paper.push((c.now().wall, Value::Known(f64::from(i))));
        w.write_patiently(Write { batch: b, ..Write::default() });
        c.advance(1000);
    }
    wait(w.flush()).unwrap();
    let mut got = Reader::open(&path).unwrap().fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
    let key = |x: &(UnixMs, Value)| (x.0, x.1.known().map(f64::to_bits));
    got.sort_by_key(key);
    paper.sort_by_key(key);
    assert_eq!(got, paper);
}

#[test]
fn a_second_run_in_the_same_boot_dates_the_first_one_too() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.db");
    let c = ManualClock::at(Stamp::new(UnixMs(5_000), BootMs(15_000)));
    let (w, o) = again(&path, &c, "boot-b", None);
    crash_after(w, &o, &c, 30);
    let (w, o) = again(&path, &c, "boot-b", None);
    assert_eq!(o.last_run, LastRun::Crash);
    let id = o.signals.id(&name("temperature.box")).unwrap();
    c.advance(5000);
    c.step_wall(T0);
    w.write(write(batch(c.now(), vec![Reading::known(id, c.now(), 2.5)])));
    wait(w.flush()).unwrap();
    let r = Reader::open(&path).unwrap();
    let fine = r.fine(id, UnixMs(0), UnixMs(i64::MAX)).unwrap();
    assert_eq!((fine.len(), fine[0].0), (31, UnixMs(T0 + 5_000)));
    let runs = r.runs().unwrap();
    assert_eq!(runs[0].started, UnixMs(T0 + 5_000));
    assert_eq!(runs[0].last_seen, UnixMs(T0 + 34_000));
    assert_eq!(r.gaps(UnixMs(0), UnixMs(i64::MAX)).unwrap()[0].from, runs[0].last_seen);
}
