//! A server for tests, fed with invented values.

use super::{Ask, Door, Serving};
use crate::clock::{ManualClock, SharedClock};
use crate::config::Config;
use crate::model::live::{AlarmNow, DarkNow, StoreNow, ThingNow};
use crate::model::{
    AlarmId, BootMs, Condition, Live, Name, Priority, SignalDef, Signals, Stamp, Unit, UnixMs, Value, Why, WhyCode,
};
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{mpsc, oneshot, watch};

/// 2026-01-13 01:13:20 in central Europe.
pub const NOW: Stamp = Stamp::new(UnixMs(1_768_263_200_000), BootMs(40_000_000));

/// A running server with everything that an agent would hold.
pub struct Served {
    pub address: SocketAddr,
    pub live: watch::Sender<Arc<Live>>,
    #[allow(dead_code)]
    pub config: watch::Sender<Arc<Config>>,
    pub clock: Arc<ManualClock>,
    #[allow(dead_code)]
    pub commands: mpsc::Receiver<Ask>,
    stop: Option<oneshot::Sender<()>>,
    task: tokio::task::JoinHandle<()>,
    #[allow(dead_code)]
    pub state: tempfile::TempDir,
}

pub fn name(n: &str) -> Name {
    Name::new(n).unwrap()
}

/// Signals of an invented pier.
pub fn signals() -> Signals {
    let s = Signals::new();
    s.register(SignalDef::new(name("temperature.box"), Unit::Celsius, 0.1, "box").at("box"));
    s.register(SignalDef::new(name("temperature.outside"), Unit::Celsius, 0.1, "outside").at("outside"));
    s.register(SignalDef::new(name("load.cpu"), Unit::Percent, 0.1, "processor"));
    s.register(SignalDef::new(name("link.house.round-trip"), Unit::Milliseconds, 0.01, "round trip to the house"));
    s.register(SignalDef::new(name("humidity.box"), Unit::Percent, 0.1, "box humidity").at("box"));
    s
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
        }],
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
        wakes: vec!["A program of the chain gone for 5 min.".into()],
        probes: vec![],
        store: StoreNow { well: true, ..StoreNow::default() },
        seq: 12,
        agent_started: now,
        last_light_frame: None,
    }
}

impl Served {
    pub async fn start() -> Served {
        Served::with(|_| {}).await
    }

    /// Starts a server on a free port of loopback; `change` may change what it is given.
    pub async fn with(change: impl FnOnce(&mut Serving)) -> Served {
        let state = tempfile::tempdir().unwrap();
        let signals = signals();
        let (live_tx, live) = watch::channel(Arc::new(broken_night(&signals)));
        let (config_tx, config) = watch::channel(Arc::new(Config::default()));
        let (tx, commands) = mpsc::channel(4);
        let clock = ManualClock::at(NOW);
        let shared: SharedClock = clock.clone();
        let mut serving =
            Serving { live, config, signals, store: None, commands: tx, state_dir: state.path().into(), clock: shared };
        change(&mut serving);
        let mut settings = serving.config.borrow().http.clone();
        settings.listen.set_port(0);
        let door = Door::open(&settings, &serving.state_dir, &serving.clock).unwrap();
        let address = door.address();
        let (stop, stopped) = oneshot::channel();
        let task = tokio::spawn(async move {
            door.serve(serving, async {
                let _ = stopped.await;
            })
            .await
            .unwrap();
        });
        Served { address, live: live_tx, config: config_tx, clock, commands, stop: Some(stop), task, state }
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
