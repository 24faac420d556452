//! What goes in comes out.

use super::*;

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
