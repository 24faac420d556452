use super::*;
use crate::clock::SystemClock;
use crate::model::{EventKind, Name, SignalDef, SignalId, Unit, Value};
use crate::probe::Gauge;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

struct Toy {
    name: Name,
    lane: Lane,
    deadline: Span,
    gauge: Gauge,
    act: Box<dyn FnMut() + Send>,
    under_way: Arc<AtomicU32>,
}

impl Probe for Toy {
    fn name(&self) -> &Name {
        &self.name
    }
    fn period(&self) -> Span {
        Span(20)
    }
    fn deadline(&self) -> Span {
        self.deadline
    }
    fn lane(&self) -> Lane {
        self.lane
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.gauge.id()]
    }
    fn take(&mut self, out: &mut Take<'_>) {
        assert_eq!(self.under_way.fetch_add(1, Ordering::SeqCst), 0, "two runs of one probe at once");
        let end = EndOfRun(self.under_way.clone());
        (self.act)();
        out.known(&self.gauge, 1.0);
        drop(end);
    }
}

struct EndOfRun(Arc<AtomicU32>);
impl Drop for EndOfRun {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::SeqCst);
    }
}

struct Table {
    signals: Signals,
    probes: Vec<Box<dyn Probe>>,
}

impl Table {
    fn new() -> Table {
        Table { signals: Signals::new(), probes: vec![] }
    }
    fn put(&mut self, name: &str, lane: Lane, act: impl FnMut() + Send + 'static) -> SignalId {
        let of = |kind| Name::from_parts(kind, name);
        let gauge = Gauge::new(&self.signals, SignalDef::new(of("load"), Unit::Count, 1.0, "test"));
        let id = gauge.id();
        let (name, act) = (of("probe"), Box::new(act));
        self.probes.push(Box::new(Toy { name, lane, deadline: Span(100), gauge, act, under_way: Arc::default() }));
        id
    }
    fn run(self) -> (Sampler, mpsc::Receiver<Observation>) {
        let (tx, rx) = mpsc::channel(1024);
        (run(self.probes, vec![], self.signals, Arc::new(SystemClock), Outlet::new(tx), quick()), rx)
    }
}

fn quick() -> Pace {
    let ms = Duration::from_millis;
    Pace { back_off: (ms(20), ms(200)), tend: ms(10), tell: ms(50), settled: ms(50) }
}

/// Takes observations until `done` says so; a minute is far more than any of it needs.
async fn until(rx: &mut mpsc::Receiver<Observation>, mut done: impl FnMut(&Observation) -> bool) {
    let wait = async { while !done(&rx.recv().await.expect("the sampler lives")) {} };
    tokio::time::timeout(Duration::from_secs(60), wait).await.expect("what was waited for came");
}

fn is_known(o: &Observation, id: SignalId) -> bool {
    matches!(o, Observation::Readings(r) | Observation::Pass(r) if r.iter().any(|r| r.signal == id && r.value == Value::Known(1.0)))
}

fn is_lost(o: &Observation, id: SignalId, code: WhyCode) -> bool {
    matches!(o, Observation::Readings(r) | Observation::Pass(r) if r.iter().any(|r| r.signal == id && r.value.why().is_some_and(|w| w.code == code)))
}

fn is_state(o: &Observation, state: &str) -> bool {
    matches!(o, Observation::Events(e) if e.iter().any(|e| e.kind == EventKind::ProbeState && e.detail["state"] == state))
}

#[tokio::test]
async fn a_panicking_probe_is_told_of_and_delays_nobody() {
    for lane in [Lane::Shared, Lane::Own] {
        let mut t = Table::new();
        let broken = Arc::new(AtomicBool::new(true));
        let (b, good) = (broken.clone(), t.put("good", lane, || ()));
        let bad = t.put("bad", lane, move || assert!(!b.load(Ordering::SeqCst), "no such luck"));
        let (_sampler, mut rx) = t.run();
        let (mut told, mut lost, mut after) = (false, false, 0);
        until(&mut rx, |o| {
            told |= is_state(o, "panicked");
            lost |= is_lost(o, bad, WhyCode::Failed);
            after += u32::from(told && lost && is_known(o, good));
            after > 3
        })
        .await;
        broken.store(false, Ordering::SeqCst);
        let (mut well, mut known) = (false, false);
        until(&mut rx, |o| {
            well |= is_state(o, "well");
            known |= is_known(o, bad);
            well && known
        })
        .await;
    }
}

#[cfg(target_os = "linux")]
#[tokio::test]
async fn a_probe_that_hangs_in_open_is_handed_past() {
    for lane in [Lane::Shared, Lane::Own] {
        let dir = tempfile::tempdir().unwrap();
        let fifo = dir.path().join("fifo");
        rustix::fs::mknodat(rustix::fs::CWD, &fifo, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
        let mut t = Table::new();
        let before = t.put("before", lane, || ());
        let path = fifo.clone();
        // Opening a FIFO for reading blocks until somebody opens it for writing: a real hang in the kernel.
        let hung = t.put("hung", lane, move || drop(std::fs::File::open(&path).unwrap()));
        let after = t.put("after", lane, || ());
        let (mut sampler, mut rx) = t.run();
        let (mut stuck, mut lost, mut b, mut a) = (0, 0, 0, 0);
        until(&mut rx, |o| {
            stuck += u32::from(is_state(o, "stuck"));
            lost += u32::from(is_lost(o, hung, WhyCode::TimedOut));
            b += u32::from(stuck > 0 && is_known(o, before));
            a += u32::from(stuck > 0 && is_known(o, after));
            b > 3 && a > 3 && lost > 1
        })
        .await;
        assert_eq!(stuck, 1, "told once");
        // Somebody opens the other end: the run comes back too late, and the next try finds the FIFO gone and a file there.
        std::fs::rename(&fifo, dir.path().join("old")).unwrap();
        std::fs::write(&fifo, "").unwrap();
        drop(std::fs::File::options().write(true).open(dir.path().join("old")).unwrap());
        let (mut well, mut known) = (false, false);
        until(&mut rx, |o| {
            well |= is_state(o, "well");
            known |= is_known(o, hung);
            well && known
        })
        .await;
        sampler.stop();
    }
}

#[tokio::test]
async fn stopping_waits_for_nobody() {
    let mut t = Table::new();
    let (go, gate) = std::sync::mpsc::channel::<()>();
    let (began, running) = std::sync::mpsc::channel();
    let began = Mutex::new(began);
    let gate = Mutex::new(gate);
    t.put("hung", Lane::Own, move || {
        began.lock().unwrap().send(()).unwrap();
        let _ = gate.lock().unwrap().recv();
    });
    let (mut sampler, mut rx) = t.run();
    running.recv_timeout(Duration::from_secs(60)).unwrap();
    // The run cannot end before `go` is dropped, so coming back from here at all is the proof.
    sampler.stop();
    drop(go);
    drop(sampler);
    // Nothing of the late run arrives; the queue ends once its thread has let go.
    let late = async {
        while let Some(o) = rx.recv().await {
            assert!(!matches!(o, Observation::Readings(_) | Observation::Pass(_)), "{o:?}");
        }
    };
    tokio::time::timeout(Duration::from_secs(60), late).await.unwrap();
}

struct ToySource(Name, Arc<AtomicU32>, SignalId);
impl Source for ToySource {
    fn name(&self) -> &Name {
        &self.0
    }
    fn signals(&self) -> Vec<SignalId> {
        vec![self.2]
    }
    fn run(&mut self, out: Outlet) -> probe::Running<'_> {
        Box::pin(async move {
            match self.1.fetch_add(1, Ordering::SeqCst) {
                0 => panic!("no such luck"),
                1 => Why::new(WhyCode::Unsupported, "not here"),
                _ => {
                    out.readings(vec![Reading::known(self.2, crate::model::Stamp::default(), 1.0)]);
                    std::future::pending().await
                }
            }
        })
    }
}

#[tokio::test]
async fn a_source_that_fails_is_run_again() {
    let (tx, mut rx) = mpsc::channel(1024);
    let id = SignalId(1);
    let source = ToySource(Name::from_parts("probe", "toy"), Arc::default(), id);
    let _sampler = run(vec![], vec![Box::new(source)], Signals::new(), Arc::new(SystemClock), Outlet::new(tx), quick());
    let (mut panicked, mut codes, mut known, mut well) = (0, vec![], false, false);
    until(&mut rx, |o| {
        panicked += u32::from(is_state(o, "panicked"));
        for c in [WhyCode::Failed, WhyCode::Unsupported] {
            if is_lost(o, id, c) && codes.last() != Some(&c) {
                codes.push(c);
            }
        }
        known |= is_known(o, id);
        well |= is_state(o, "well");
        known && well
    })
    .await;
    assert_eq!((panicked, codes), (1, vec![WhyCode::Failed, WhyCode::Unsupported]));
}

#[test]
fn back_off_grows_between_its_bounds() {
    let s = Duration::from_secs;
    let between = (s(1), s(300));
    assert_eq!(back_off(between, s(1), 1), s(2));
    assert_eq!(back_off(between, s(1), 5), s(32));
    assert_eq!(back_off(between, s(1), 1000), s(300));
    assert_eq!(back_off(between, s(600), 3), s(600));
    assert_eq!(back_off(between, Duration::from_millis(20), 1), s(1));
}
