//! A server for tests, fed with invented values.

use super::app::App;
use super::gate::Peer;
use super::{Ask, Door, Serving, router};
use crate::clock::{ManualClock, SharedClock};
use crate::config::Config;
use crate::model::incident::{Belongs, Member};
use crate::model::live::{AlarmNow, DarkNow, StoreNow, ThingNow};
use crate::model::{
    AlarmChange, AlarmId, Batch, BootMs, Condition, Event, EventKind, FaultKind, Incident, Live, Name, Outcome,
    Priority, Reading, Session, SessionStart, SignalDef, Signals, Span, Stamp, Transition, Unit, UnixMs, Value, Why,
    WhyCode,
};
use crate::store;
use axum::body::Body;
use axum::http::{HeaderMap, Request, StatusCode};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, oneshot, watch};
use tower::ServiceExt;

/// 2026-01-13 01:13:20 in central Europe.
pub const NOW: Stamp = Stamp::new(UnixMs(1_768_263_200_000), BootMs(40_000_000));

pub fn name(n: &str) -> Name {
    Name::new(n).unwrap()
}

/// Signals of an invented pier.
pub fn signals() -> Signals {
    let s = Signals::new();
    add_signals(&s);
    s
}

fn add_signals(s: &Signals) {
    s.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "box").at("box"));
    s.register(SignalDef::new(name("temperature.outside"), Unit::Celsius, 0.1, "outside").at("outside"));
    s.register(SignalDef::new(name("load.cpu"), Unit::Percent, 0.1, "processor"));
    s.register(SignalDef::new(name("link.house.round-trip"), Unit::Milliseconds, 0.01, "round trip to the house"));
    s.register(SignalDef::new(name("humidity.box"), Unit::Percent, 0.1, "box humidity").at("box"));
}

/// The present of an invented night that has just gone wrong.
pub fn broken_night(signals: &Signals) -> Live {
    let now = NOW;
    let known = |n: &str, v: f64| (signals.id(&name(n)).unwrap(), now.wall, Value::Known(v));
    Live {
        cycle: 4321,
        at: now,
        field: "orchard pier".into(),
        invented: true,
        condition: Condition::Failed,
        sentence: "The mount program ended at 01:13.".into(),
        try_this: vec!["Start the mount program again.".into()],
        things: vec![ThingNow {
            thing: name("program.mount"),
            title: "mount program".into(),
            condition: Condition::Failed,
            since: Some(now.wall),
            because: "it ended (signal 9)".into(),
        }]
        .into(),
        alarms: vec![AlarmNow {
            alarm: AlarmId(7),
            rule: name("rule.program-ended"),
            thing: name("program.mount"),
            priority: Priority::High,
            since: now,
            standing: true,
            acknowledged: false,
            shelved_until: None,
            chattering: false,
            stale: false,
            saved: true,
            text: "the mount program ended (signal 9)".into(),
            incident: Some(3),
        }],
        latest: vec![
            known("temperature.box", 14.6),
            known("temperature.outside", -3.2),
            known("load.cpu", 38.0),
            known("link.house.round-trip", 4.2),
            (
                signals.id(&name("humidity.box")).unwrap(),
                now.wall,
                Value::Unavailable(Why::new(WhyCode::TimedOut, "the sensor did not answer in 2 s")),
            ),
        ],
        session: None,
        dark: DarkNow { known: true, dark: true, from: Some(UnixMs(now.wall.0 - 25_000_000)), to: None },
        wakes: ["A program of the chain gone for 5 min.".to_owned()].into(),
        probes: vec![],
        store: StoreNow { well: true, ..StoreNow::default() },
        seq: 12,
        agent_started: now,
        last_light_frame: None,
    }
}

/// A store with the invented night up to `NOW`: an hour of temperature, one alarm, an event with a command line.
pub fn store_with_night(path: &Path) -> store::Writer {
    let start = NOW.plus(Span(-3_600_000));
    let clock: SharedClock = ManualClock::at(NOW);
    let (writer, opened) = store::open(path, store::Options::new(clock, "boot")).unwrap();
    add_signals(&opened.signals);
    let id = opened.signals.id(&name("temperature.box")).unwrap();
    let readings = (0..3600).map(|s| Reading::known(id, start.plus(Span::secs(s)), f64::from(s as i32 % 60) / 10.0));
    let transition = |seq, at, change| Transition {
        seq,
        at,
        announced: at,
        alarm: AlarmId(7),
        rule: name("rule.program-ended"),
        thing: name("program.mount"),
        priority: Priority::High,
        change,
        wakes: true,
        text: "the mount program ended (signal 9)".into(),
        value: None,
        incident: Some(3),
        saved: true,
    };
    let end = NOW.plus(Span(-1000));
    let write = store::Write {
        batch: Batch {
            at: NOW,
            readings: readings.collect(),
            events: vec![
                Event::new(end, name("program.mount"), EventKind::ProgramStarted, "")
                    .with("command", "mount --password secret")
                    .with("pid", 7),
            ],
        },
        outcome: Outcome {
            transitions: vec![
                transition(11, end, AlarmChange::Raised),
                transition(12, NOW, AlarmChange::Acknowledged { by: "page".into() }),
            ],
            incidents: vec![Incident {
                id: 3,
                session: Some(1),
                opened: end,
                closed: None,
                members: vec![Member {
                    thing: name("program.mount"),
                    at: end,
                    within: Span::ZERO,
                    until: None,
                    alarm: Some(AlarmId(7)),
                    event: None,
                    belongs: Belongs::First,
                    text: "the mount program ended (signal 9)".into(),
                }],
                order_certain: true,
                kind: FaultKind::Program,
                harmless: false,
                pause_only: false,
                mark: None,
            }],
            sessions: vec![Session { id: 1, started: start, why: SessionStart::ChainUp, ended: None, end_why: None }],
            ..Outcome::default()
        },
        engine_state: None,
    };
    writer.write(write).unwrap().blocking_recv().unwrap().unwrap();
    writer
}

/// Everything that an agent would hold, and the router without sockets.
pub struct Desk {
    router: axum::Router,
    pub live: watch::Sender<Arc<Live>>,
    pub config: watch::Sender<Arc<Config>>,
    pub clock: Arc<ManualClock>,
    pub commands: mpsc::Receiver<Ask>,
    pub state: tempfile::TempDir,
    _stop: watch::Sender<bool>,
}

/// An answer, read to its end.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: HeaderMap,
    pub text: String,
}

impl Answer {
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }
}

/// Where a request comes from.
pub const HERE: &str = "127.0.0.1:5000";
pub const PHONE: &str = "192.168.7.20:5000";

fn serving(state: &tempfile::TempDir) -> (Serving, Held) {
    let signals = signals();
    let (live_tx, live) = watch::channel(Arc::new(broken_night(&signals)));
    let (config_tx, config) = watch::channel(Arc::new(Config::default()));
    let (tx, commands) = mpsc::channel(4);
    let clock = ManualClock::at(NOW);
    let shared: SharedClock = clock.clone();
    let serving = Serving {
        live,
        config,
        signals,
        store: None,
        commands: tx,
        program: None,
        state_dir: state.path().into(),
        clock: shared,
    };
    (serving, Held { live: live_tx, config: config_tx, clock, commands })
}

struct Held {
    live: watch::Sender<Arc<Live>>,
    config: watch::Sender<Arc<Config>>,
    clock: Arc<ManualClock>,
    commands: mpsc::Receiver<Ask>,
}

impl Desk {
    pub fn new(change: impl FnOnce(&mut Serving)) -> Desk {
        let state = tempfile::tempdir().unwrap();
        let (mut serving, h) = serving(&state);
        change(&mut serving);
        let (stop, stopped) = watch::channel(false);
        let app = App::new(serving, stopped);
        Desk {
            router: router::router(app),
            live: h.live,
            config: h.config,
            clock: h.clock,
            commands: h.commands,
            state,
            _stop: stop,
        }
    }

    /// One request from an address, with header lines and a body.
    pub async fn ask(&self, from: &str, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        let mut r = Request::builder().method(method).uri(path);
        if !headers.iter().any(|(n, _)| *n == "host") {
            r = r.header("host", "localhost:7417");
        }
        for (n, v) in headers {
            r = r.header(*n, *v);
        }
        let mut r = r.body(Body::from(body.to_owned())).unwrap();
        r.extensions_mut().insert(Peer { address: from.parse().unwrap(), tls: false });
        let a = self.router.clone().oneshot(r).await.unwrap();
        let (parts, body) = a.into_parts();
        let text = axum::body::to_bytes(body, 1 << 24).await.unwrap();
        Answer { status: parts.status, headers: parts.headers, text: String::from_utf8_lossy(&text).into_owned() }
    }

    /// One GET.
    pub async fn get(&self, from: &str, path: &str, headers: &[(&str, &str)]) -> Answer {
        self.ask(from, "GET", path, headers, "").await
    }
}

/// A running server.
pub struct Served {
    pub address: SocketAddr,
    pub clock: Arc<ManualClock>,
    stop: Option<oneshot::Sender<()>>,
    task: tokio::task::JoinHandle<()>,
    _state: tempfile::TempDir,
    _senders: (watch::Sender<Arc<Live>>, watch::Sender<Arc<Config>>),
    _commands: mpsc::Receiver<Ask>,
}

impl Served {
    /// Starts a server on a free port of loopback.
    pub async fn start() -> Served {
        Served::start_with(|_| {}).await
    }

    /// The same with changed settings.
    pub async fn start_with(change: impl FnOnce(&mut crate::config::model::HttpSettings)) -> Served {
        let state = tempfile::tempdir().unwrap();
        let (serving, h) = serving(&state);
        let mut settings = serving.config.borrow().http.clone();
        settings.listen.set_port(0);
        change(&mut settings);
        let door = Door::open(&settings, &serving.state_dir, &serving.clock).unwrap();
        let address = door.address();
        let (stop, stopped) = oneshot::channel();
        let task = tokio::spawn(async move {
            let stopped = async {
                let _ = stopped.await;
            };
            door.serve(serving, stopped).await.unwrap();
        });
        Served {
            address,
            clock: h.clock,
            stop: Some(stop),
            task,
            _state: state,
            _senders: (h.live, h.config),
            _commands: h.commands,
        }
    }

    /// Sends raw bytes and reads until the server closes the connection.
    pub async fn raw(&self, request: &str) -> String {
        let mut s = TcpStream::connect(self.address).await.unwrap();
        s.write_all(request.as_bytes()).await.unwrap();
        let mut out = Vec::new();
        let _ = s.read_to_end(&mut out).await;
        String::from_utf8_lossy(&out).into_owned()
    }

    /// One GET on a connection of its own.
    pub async fn get(&self, path: &str) -> String {
        self.raw(&format!("GET {path} HTTP/1.1\r\nhost: {}\r\nconnection: close\r\n\r\n", self.address)).await
    }

    /// Gives the stop signal and waits for the end.
    pub async fn stop(mut self) {
        let _ = self.stop.take().unwrap().send(());
        self.task.await.unwrap();
    }
}

/// The body of a raw answer.
pub fn body(answer: &str) -> &str {
    answer.split_once("\r\n\r\n").map_or("", |(_, b)| b)
}
