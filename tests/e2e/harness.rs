//! What the tests on the built binary share: a folder of their own, the running agent, its API, and real processes to break.

use serde_json::Value;
use std::fmt::Debug;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

/// The built binary.
pub const BINARY: &str = env!("CARGO_BIN_EXE_tilldawn");

/// A long bound for things that normally take milliseconds: a loaded machine is slow, a broken program never comes.
pub const BOUND: Duration = Duration::from_secs(30);

/// Waits until `check` gives something, at most `bound`; fails with what was waited for.
pub fn wait_for<T>(what: &str, bound: Duration, mut check: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(t) = check() {
            return t;
        }
        assert!(begun.elapsed() < bound, "waited {bound:?} in vain for: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Runs the binary to its end in a state folder of its own.
pub fn tilldawn<S: AsRef<std::ffi::OsStr>>(state: &Path, arguments: &[S]) -> Output {
    command(state).args(arguments).output().expect("the built binary runs")
}

fn command(state: &Path) -> Command {
    let mut c = Command::new(BINARY);
    c.env("XDG_STATE_HOME", state.join("state"))
        .env("XDG_CONFIG_HOME", state.join("config"))
        .env("HOME", state)
        .env_remove("STATE_DIRECTORY")
        .env_remove("NOTIFY_SOCKET")
        .env_remove("JOURNAL_STREAM");
    c
}

/// How to start an agent; `Setting::new(config)` is the usual way.
pub struct Setting {
    config: String,
    listen: String,
    /// Put in front of the binary: `ip netns exec x`, `faketime …`, `unshare -m …`.
    pub before: Vec<String>,
    /// Environment.
    pub env: Vec<(String, String)>,
    /// More arguments.
    pub more: Vec<String>,
    /// Folder to run in; a fresh one if none.
    pub folder: Option<PathBuf>,
    /// Store file, if not `tilldawn.db` in the folder.
    pub store: Option<PathBuf>,
}

impl Setting {
    /// An agent with this configuration on a free loopback port.
    pub fn new(config: &str) -> Setting {
        Setting {
            config: config.into(),
            listen: "127.0.0.1:0".into(),
            before: vec![],
            env: vec![],
            more: vec![],
            folder: None,
            store: None,
        }
    }
    /// Listen elsewhere.
    pub fn listen(mut self, address: &str) -> Setting {
        self.listen = address.into();
        self
    }
    /// Starts it and waits until its page answers.
    pub fn start(self) -> Agent {
        let mut a = self.spawn();
        a.wait_until_up();
        a
    }
    /// Starts it without waiting.
    pub fn spawn(self) -> Agent {
        let own = self.folder.is_none().then(|| tempfile::tempdir().expect("a temporary folder"));
        let folder = self.folder.unwrap_or_else(|| own.as_ref().expect("made just now").path().to_path_buf());
        let config = folder.join("tilldawn.toml");
        std::fs::write(&config, &self.config).expect("the configuration is written");
        let store = self.store.unwrap_or_else(|| folder.join("tilldawn.db"));
        let log = folder.join(format!("agent-{}.log", std::time::UNIX_EPOCH.elapsed().unwrap().as_nanos()));
        let out = std::fs::File::create(&log).expect("the log file is made");
        let mut words = self.before.clone();
        words.push(BINARY.into());
        let mut c = command(&folder);
        // The environment of `command` is kept; only the program in front changes.
        let mut front = Command::new(&words[0]);
        front.args(&words[1..]);
        for (k, v) in c.get_envs() {
            match v {
                Some(v) => front.env(k, v),
                None => front.env_remove(k),
            };
        }
        c = front;
        c.args(["watch", "--listen", &self.listen, "--config"]).arg(&config).arg("--store").arg(&store);
        c.args(&self.more).envs(self.env.iter().cloned());
        let child = c
            .stdin(Stdio::null())
            .stdout(out.try_clone().expect("the log file twice"))
            .stderr(out)
            .spawn()
            .expect("the agent starts");
        Agent { child, address: String::new(), folder, store, config, log, _own: own }
    }
}

/// A running agent. Killed when dropped.
pub struct Agent {
    /// The process (of the command put in front, if there is one).
    pub child: Child,
    /// `127.0.0.1:PORT`, once it is up.
    pub address: String,
    /// Its folder.
    pub folder: PathBuf,
    /// Its store.
    pub store: PathBuf,
    /// Its configuration file.
    pub config: PathBuf,
    log: PathBuf,
    _own: Option<tempfile::TempDir>,
}

impl Agent {
    /// Waits until the page answers and a first cycle has been judged.
    pub fn wait_until_up(&mut self) {
        let begun = Instant::now();
        loop {
            let log = self.log();
            if let Some(status) = self.child.try_wait().expect("the child can be asked") {
                panic!("the agent ended with {status} at its start:\n{log}");
            }
            if let Some(rest) = log.split("the page is at ").nth(1) {
                let address = rest.split("://").nth(1).and_then(|r| r.split('/').next()).unwrap_or("").to_string();
                self.address = address;
                break;
            }
            assert!(begun.elapsed() < BOUND, "no page in {BOUND:?}:\n{log}");
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// What it has logged so far.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// One request; status, head and body.
    pub fn request(&self, method: &str, path: &str, head: &[(&str, &str)], body: &str) -> Answer {
        request(&self.address, method, path, head, body)
            .unwrap_or_else(|e| panic!("{method} {path}: {e}\n{}", self.log()))
    }

    /// GET, which must be answered with 200.
    pub fn get(&self, path: &str) -> String {
        let a = self.request("GET", path, &[], "");
        assert_eq!(a.status, 200, "GET {path}: {}", a.body);
        a.body
    }

    /// GET of JSON.
    pub fn json(&self, path: &str) -> Value {
        serde_json::from_str(&self.get(path)).expect("JSON")
    }

    /// POST of JSON; status and body.
    pub fn post(&self, path: &str, body: &Value) -> Answer {
        self.request("POST", path, &[("content-type", "application/json")], &body.to_string())
    }

    /// Waits until the JSON at `path` satisfies `check`.
    pub fn wait_json<T: Debug>(
        &self,
        what: &str,
        path: &str,
        bound: Duration,
        mut check: impl FnMut(&Value) -> Option<T>,
    ) -> T {
        let begun = Instant::now();
        loop {
            let v = self.json(path);
            if let Some(t) = check(&v) {
                return t;
            }
            assert!(begun.elapsed() < bound, "waited {bound:?} in vain for: {what}\nlast: {v:#}\n{}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Asks it to stop and waits for its end.
    pub fn stop(&mut self) -> ExitStatus {
        signal(self.child.id(), rustix::process::Signal::TERM);
        let status = wait_for("the agent's end", BOUND, || self.child.try_wait().expect("the child can be asked"));
        assert!(!self.log().contains("panicked"), "{}", self.log());
        status
    }

    /// Ends it as a crash does.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Runs another command of the binary with the same state folder.
    pub fn tilldawn(&self, arguments: &[&str]) -> Output {
        tilldawn(&self.folder, arguments)
    }
}

impl Drop for Agent {
    fn drop(&mut self) {
        self.kill();
    }
}

/// An HTTP answer.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Status code.
    pub status: u16,
    /// Head, as it came.
    pub head: String,
    /// Body.
    pub body: String,
}

/// One HTTP/1.1 request with `connection: close`.
pub fn request(address: &str, method: &str, path: &str, head: &[(&str, &str)], body: &str) -> std::io::Result<Answer> {
    let mut s = TcpStream::connect(address)?;
    s.set_read_timeout(Some(BOUND))?;
    let mut text = format!("{method} {path} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n");
    for (k, v) in head {
        text += &format!("{k}: {v}\r\n");
    }
    if !body.is_empty() || method != "GET" {
        text += &format!("content-length: {}\r\n", body.len());
    }
    s.write_all(format!("{text}\r\n{body}").as_bytes())?;
    let mut got = Vec::new();
    s.read_to_end(&mut got)?;
    let got = String::from_utf8_lossy(&got).into_owned();
    let (head, rest) = got.split_once("\r\n\r\n").unwrap_or((&got, ""));
    let status = head.split(' ').nth(1).and_then(|c| c.parse().ok()).unwrap_or(0);
    let body = if head.to_lowercase().contains("transfer-encoding: chunked") { unchunk(rest) } else { rest.into() };
    Ok(Answer { status, head: head.into(), body })
}

fn unchunk(mut rest: &str) -> String {
    let mut out = String::new();
    while let Some((size, more)) = rest.split_once("\r\n") {
        let Ok(n) = usize::from_str_radix(size.trim(), 16) else { break };
        if n == 0 || more.len() < n {
            break;
        }
        out += &more[..n];
        rest = more[n..].trim_start_matches("\r\n");
    }
    out
}

/// A copy of `sleep` under another name, so that a watched program is found by it. Killed when dropped.
pub struct Sleeper {
    /// The process.
    pub child: Child,
}

impl Sleeper {
    /// Starts `name` from `folder`.
    pub fn start(folder: &Path, name: &str) -> Sleeper {
        let file = folder.join(name);
        if !file.exists() {
            std::fs::copy("/bin/sleep", &file).expect("sleep is copied");
        }
        let child = Command::new(&file).arg("100000").spawn().expect("the sleeper starts");
        Sleeper { child }
    }
    /// Its process number.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }
    /// Ends it by a signal and reaps it.
    pub fn end(&mut self, s: rustix::process::Signal) {
        signal(self.child.id(), s);
        let _ = self.child.wait();
    }
}

impl Drop for Sleeper {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Sends a signal.
pub fn signal(pid: u32, s: rustix::process::Signal) {
    let pid = i32::try_from(pid).ok().and_then(rustix::process::Pid::from_raw).expect("a process number");
    rustix::process::kill_process(pid, s).expect("the signal is sent");
}

/// Milliseconds since 1970 now.
pub fn now_ms() -> i64 {
    i64::try_from(std::time::UNIX_EPOCH.elapsed().expect("after 1970").as_millis()).expect("a small number")
}
