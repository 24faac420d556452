//! The sampler over real processes of this machine. Linux only.

use super::*;
use crate::clock::{Clock, SystemClock};
use crate::config::model::{AliveKind, AliveSign, FindBy, Program};
use crate::model::{EventKind, Name};
use std::process::{Child, Command};

struct Table {
    dir: tempfile::TempDir,
    config: Config,
    sampler: Option<Sampler>,
    rx: mpsc::Receiver<Observation>,
    tx: Option<mpsc::Sender<Observation>>,
    /// Events that came in the company of one that was waited for.
    waiting: Vec<Event>,
}

impl Table {
    /// A watched program that is a copy of the shell under a name of its own.
    fn new(alive: Vec<AliveSign>) -> Table {
        let dir = tempfile::tempdir().unwrap();
        let name = format!("pier{}", &dir.path().file_name().unwrap().to_str().unwrap()[4..]);
        std::fs::copy("/bin/sh", dir.path().join(&name)).unwrap();
        let program = Program {
            name: Name::new("program.mount").unwrap(),
            title: "mount program".into(),
            find: FindBy { executable: Some(name), ..FindBy::default() },
            leans_on: vec![],
            alive,
            holds: vec![],
        };
        let (tx, rx) = mpsc::channel(1024);
        let config = Config { programs: vec![program], links: vec![], disks: vec![], ..Config::default() };
        Table { dir, config, sampler: None, rx, tx: Some(tx), waiting: vec![] }
    }
    fn spawn(&self, script: &str) -> Child {
        let name = self.config.programs[0].find.executable.as_ref().unwrap();
        Command::new(self.dir.path().join(name)).args(["-c", script]).spawn().unwrap()
    }
    fn start(&mut self) {
        let tx = self.tx.take().unwrap();
        let s = start(&self.config, Roots::system(), Signals::new(), Arc::new(SystemClock), tx);
        self.sampler = Some(s);
    }
    async fn event(&mut self, kind: EventKind) -> Event {
        let wait = async {
            loop {
                if let Some(i) = self.waiting.iter().position(|e| e.kind == kind) {
                    return self.waiting.drain(..=i).next_back().unwrap();
                }
                if let Observation::Events(all) = self.rx.recv().await.unwrap() {
                    self.waiting.extend(all);
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(60), wait).await.unwrap_or_else(|_| panic!("{kind:?} did not come"))
    }
    /// Waits until the program is seen to run.
    async fn runs(&mut self) {
        let sampler = self.sampler.as_ref().unwrap();
        let id = sampler.hall.signals.id(&Name::new("program.mount").unwrap()).unwrap();
        let wait = async {
            loop {
                if let Observation::Readings(r) | Observation::Pass(r) = self.rx.recv().await.unwrap()
                    && r.iter().any(|r| r.signal == id && r.value.known() == Some(1.0))
                {
                    return;
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(60), wait).await.expect("the program is seen to run");
    }
}

#[tokio::test]
async fn ends_and_restarts_come_as_events() {
    let mut t = Table::new(vec![]);
    // The script must not end in a single command, or the shell would become that command.
    let mut child = t.spawn("while :; do sleep 5; done");
    t.start();
    t.runs().await;
    child.kill().unwrap();
    let killed = SystemClock.now();
    let e = t.event(EventKind::ProgramEnded).await;
    child.wait().unwrap();
    assert_eq!((e.detail["signal"].as_i64(), e.detail["how"].as_str()), (Some(9), Some("crashed")), "{e:?}");
    assert_eq!(e.detail["pid"], child.id());
    assert_eq!(e.within, Span::ZERO);
    assert!((e.at.boot - killed.boot).0.abs() < 1000, "{e:?}");

    let mut child = t.spawn("sleep 60; exit 7");
    let e = t.event(EventKind::ProgramStarted).await;
    assert_eq!((e.detail["restart"].as_bool(), e.detail["pid"].as_u64()), (Some(true), Some(child.id().into())));
    child.kill().unwrap();
    child.wait().unwrap();
    t.event(EventKind::ProgramEnded).await;
}

#[tokio::test]
async fn a_code_is_told_for_a_child_that_is_reaped_at_once() {
    use std::io::Write;
    let mut t = Table::new(vec![]);
    let name = t.config.programs[0].find.executable.clone().unwrap();
    let mut child = Command::new(t.dir.path().join(name))
        .args(["-c", "read x; exit 7"])
        .stdin(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    t.start();
    t.runs().await;
    let mut input = child.stdin.take().unwrap();
    let reaper = std::thread::spawn(move || child.wait().unwrap());
    input.write_all(b"go\n").unwrap();
    let e = t.event(EventKind::ProgramEnded).await;
    assert_eq!(reaper.join().unwrap().code(), Some(7));
    assert_eq!((e.detail["code"].as_i64(), e.detail["how"].as_str()), (Some(7), Some("crashed")), "{e:?}");
}

#[tokio::test]
async fn a_program_that_goes_into_the_background_has_not_ended() {
    let mut t = Table::new(vec![]);
    t.start();
    // The first process leaves after half a second; the second one, of the same name, goes on.
    let note = t.dir.path().join("pid");
    let mut child = t.spawn(&format!("(sleep 60; :) & echo $! >{}; sleep 0.5; exit 0", note.display()));
    t.runs().await;
    child.wait().unwrap();
    t.runs().await;
    let pid: i32 = std::fs::read_to_string(&note).unwrap().trim().parse().unwrap();
    rustix::process::kill_process(rustix::process::Pid::from_raw(pid).unwrap(), rustix::process::Signal::KILL).unwrap();
    let e = t.event(EventKind::ProgramEnded).await;
    assert_eq!(e.detail["pid"], pid, "only the end of the second one is told");
}

#[tokio::test]
async fn a_stopped_program_that_still_accepts_connections_is_a_hang() {
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let kind = AliveKind::Tcp { address: format!("127.0.0.1:{port}"), send: None, expect: Some(b"ready".to_vec()) };
    let mut t = Table::new(vec![AliveSign { kind, within: Span(1500), every: Span(300) }]);
    t.config.programs[0].find = FindBy { command: Some(format!("pier-{port}")), ..FindBy::default() };
    let script = format!(
        "import socket,sys\ns=socket.create_server(('127.0.0.1',{port}))\nwhile True:\n c,_=s.accept()\n c.sendall(b'ready')\n c.close()"
    );
    let mut child = Command::new("python3").args(["-c", &script, &format!("pier-{port}")]).spawn().unwrap();
    t.start();
    t.runs().await;
    let pid = rustix::process::Pid::from_raw(child.id() as i32).unwrap();
    // Stopped only once it has answered; the age of the last sign tells.
    let id = t.sampler.as_ref().unwrap().hall.signals.id(&Name::new("program.mount.alive-age").unwrap()).unwrap();
    let answered = async {
        let mut ages = vec![];
        while ages.len() < 3 || ages.last() > Some(&1.0) {
            if let Observation::Readings(r) | Observation::Pass(r) = t.rx.recv().await.unwrap() {
                ages.extend(r.iter().filter(|r| r.signal == id).filter_map(|r| r.value.known()));
            }
        }
    };
    tokio::time::timeout(Duration::from_secs(60), answered).await.unwrap();
    rustix::process::kill_process(pid, rustix::process::Signal::STOP).unwrap();
    let mut signs = vec![];
    while signs.len() < 2 {
        signs.push(t.event(EventKind::SignMissing).await.detail["sign"].clone());
    }
    signs.sort_by_key(ToString::to_string);
    assert_eq!(signs, ["stopped", "tcp"]);
    rustix::process::kill_process(pid, rustix::process::Signal::CONT).unwrap();
    t.event(EventKind::SignBack).await;
    child.kill().unwrap();
    child.wait().unwrap();
}
