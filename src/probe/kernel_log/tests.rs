//! Against the running kernel, as the superuser: a kill for memory in a control group, a program that crashes, a file system
//! that is aborted, and lines that a program forges.

use super::*;
use crate::clock::{Clock, SystemClock};
use crate::config::Config;
use crate::model::Signals;
use crate::probe::Observation;
use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::Arc;
use tokio::sync::mpsc;

/// The superuser, on a machine whose kernel has a ring.
fn may() -> bool {
    let may = rustix::process::geteuid().is_root() && ring::open(&Roots::system()).is_ok();
    if !may {
        println!("skipped: needs the superuser and /dev/kmsg");
    }
    may
}

/// The source at work; its events.
struct Listening {
    rx: mpsc::Receiver<Observation>,
    task: tokio::task::JoinHandle<()>,
    heard: Heard,
}

impl Listening {
    async fn start() -> Listening {
        let (tx, mut rx) = mpsc::channel(1024);
        let heard = Heard::default();
        let config = Config::default();
        let setup =
            Setup { config: &config, roots: Roots::system(), signals: Signals::new(), clock: Arc::new(SystemClock) };
        let mut source = KernelLog::new(&setup, heard.clone());
        let task = tokio::spawn(async move {
            let why = source.run(Outlet::new(tx)).await;
            panic!("{why:?}");
        });
        // It says that it reads before it does; a line of ours shows that it has come to the end of what was there.
        let first = tokio::time::timeout(Duration::from_secs(30), rx.recv()).await.unwrap();
        assert!(matches!(first, Some(Observation::Readings(r)) if r[0].value.known() == Some(1.0)));
        Listening { rx, task, heard }
    }
    /// Waits for a line that fits.
    async fn line(&mut self, fits: impl Fn(&Event) -> bool) -> Event {
        let wait = async {
            loop {
                if let Some(Observation::Events(all)) = self.rx.recv().await
                    && let Some(e) = all.into_iter().find(|e| fits(e))
                {
                    return e;
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(60), wait).await.expect("the kernel's line")
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn text<'a>(e: &'a Event, key: &str) -> &'a str {
    e.detail.get(key).and_then(serde_json::Value::as_str).unwrap_or("")
}

/// Ends what it holds when the test ends.
struct Clean(Vec<(&'static str, Vec<String>)>);

impl Drop for Clean {
    fn drop(&mut self) {
        for (p, a) in &self.0 {
            let _ = Command::new(p).args(a).stderr(Stdio::null()).status();
        }
    }
}

#[tokio::test]
async fn a_crash_is_told_and_a_forged_line_is_not() {
    if !may() {
        return;
    }
    let mut l = Listening::start().await;
    let mark = format!("t{:x}", std::process::id());
    // The kernel takes the facility away from whoever pretends to be it.
    let mut kmsg = std::fs::OpenOptions::new().write(true).open("/dev/kmsg").unwrap();
    for pretended in ["", "<0>", "<2>", "<8>"] {
        kmsg.write_all(format!("{pretended}{mark}[1]: segfault at 0 ip 0 sp 0 error 4\n").as_bytes()).unwrap();
        kmsg.write_all(format!("{pretended}usb 9-9: USB disconnect, device number 7 {mark}\n").as_bytes()).unwrap();
    }
    // A program that jumps to address zero. The name is the kernel's own short one.
    let dir = tempfile::tempdir().unwrap();
    let (source, program) = (dir.path().join("c.c"), dir.path().join(&mark));
    std::fs::write(&source, "int main(void){ *(volatile int *)0 = 1; return 0; }\n").unwrap();
    assert!(Command::new("cc").arg(&source).arg("-o").arg(&program).status().unwrap().success());
    let mut child = Command::new(&program).spawn().unwrap();
    let pid = child.id();
    child.wait().unwrap();
    let now = SystemClock.now();
    let e = l.line(|e| text(e, "class") == "crash" && e.detail.get("pid") == Some(&pid.into())).await;
    assert!((e.at.boot - now.boot).0.abs() < 5_000, "{e:?} {now:?}");
    assert_eq!(text(&e, "program"), mark);
    assert_eq!(e.detail["signal"], 11);
    assert_eq!(l.heard.signal_of(pid, now.boot), Some(11));
    // The forged lines came before it; all that was told so far has been looked at by `line`, so look at what is heard.
    assert_eq!(l.heard.signal_of(1, now.boot), None, "a forged crash is no evidence");
}

#[tokio::test]
async fn forged_lines_are_read_and_left_out() {
    if !may() {
        return;
    }
    let mark = format!("forged-{:x}", std::process::id());
    let mut kmsg = std::fs::OpenOptions::new().write(true).open("/dev/kmsg").unwrap();
    let fd = ring::open(&Roots::system()).unwrap();
    rustix::fs::seek(&fd, rustix::fs::SeekFrom::End(0)).unwrap();
    kmsg.write_all(format!("<0>usb 9-9: over-current condition {mark}\n").as_bytes()).unwrap();
    let mut buf = [0; 8192];
    let record = loop {
        match rustix::io::read(&fd, &mut buf) {
            Ok(n) if String::from_utf8_lossy(&buf[..n]).contains(&mark) => break record::of_ring(&buf[..n]),
            Ok(_) => {}
            Err(e) => panic!("the line does not come back: {e}"),
        }
    };
    assert_eq!(record, Some(Record::Forged));
    assert_eq!(Judge::default().record(Record::Forged, SystemClock.now(), true), None);
}

#[tokio::test]
async fn a_kill_for_memory_is_told() {
    if !may() {
        return;
    }
    let group = ["/sys/fs/cgroup/memory", "/sys/fs/cgroup"]
        .iter()
        .map(|r| std::path::PathBuf::from(format!("{r}/till{:x}", std::process::id())))
        .find(|g| {
            let made = std::fs::create_dir(g).is_ok();
            let ok = made
                && ["memory.limit_in_bytes", "memory.max"]
                    .iter()
                    .any(|f| g.join(f).exists() && std::fs::write(g.join(f), "20000000").is_ok());
            if made && !ok {
                let _ = std::fs::remove_dir(g);
            }
            ok
        });
    let Some(group) = group else {
        println!("skipped: no control group for memory");
        return;
    };
    let _clean = Clean(vec![("rmdir", vec![group.display().to_string()])]);
    let mut l = Listening::start().await;
    let script = format!("echo $$ > {}/cgroup.procs && exec python3 -c 'x=bytearray(200000000)'", group.display());
    let mut child = Command::new("sh").args(["-c", &script]).stderr(Stdio::null()).spawn().unwrap();
    let pid = child.id();
    child.wait().unwrap();
    let e = l.line(|e| text(e, "class") == "out_of_memory" && e.detail.get("pid") == Some(&pid.into())).await;
    assert!(e.text.contains("was killed for memory"), "{e:?}");
    assert_eq!(l.heard.signal_of(pid, SystemClock.now().boot), Some(9));
}

#[tokio::test]
async fn an_aborted_file_system_is_told() {
    if !may() {
        return;
    }
    let dir = tempfile::tempdir().unwrap();
    let (image, mount) = (dir.path().join("image"), dir.path().join("mount"));
    std::fs::create_dir(&mount).unwrap();
    std::fs::File::create(&image).unwrap().set_len(16 << 20).unwrap();
    let run = |p: &str, a: &[&std::ffi::OsStr]| {
        Command::new(p).args(a).stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
    };
    let made = run("mkfs.ext4", &["-q".as_ref(), image.as_os_str()])
        && run("mount", &["-o".as_ref(), "loop".as_ref(), image.as_os_str(), mount.as_os_str()]);
    if !made {
        println!("skipped: no loop device here");
        return;
    }
    let _clean = Clean(vec![("umount", vec![mount.display().to_string()])]);
    let mut l = Listening::start().await;
    run("mount", &["-o".as_ref(), "remount,abort".as_ref(), mount.as_os_str()]);
    let e = l.line(|e| text(e, "class") == "io_error" && text(e, "line").contains("EXT4-fs")).await;
    assert!(!e.text.is_empty());
}

/// The journal's tool is played by a shell here: no journal runs on a build machine. The format is that of
/// systemd.journal-fields(7) and journalctl(1), `-o json`.
#[tokio::test]
async fn lines_of_the_journal_are_followed() {
    let line = |facility: &str, text: &str| {
        format!(r#"{{"_TRANSPORT":"kernel","SYSLOG_FACILITY":"{facility}","PRIORITY":"6","MESSAGE":"{text}"}}"#)
    };
    let (forged, own) = (line("1", "usb 8-8: USB disconnect"), line("0", "usb 1-1: USB disconnect, device number 7"));
    let mut c = tokio::process::Command::new("sh");
    c.args(["-c", "printf '%s\\n' \"$@\"", "sh", &forged, "no json", &own]);
    let (tx, mut rx) = mpsc::channel(16);
    let clock: SharedClock = Arc::new(SystemClock);
    let why = journal::follow(c, &clock, &mut Judge::default(), &Outlet::new(tx)).await;
    assert_eq!(&*why.text, "the journal's tool ended");
    let Some(Observation::Events(all)) = rx.recv().await else { panic!() };
    assert_eq!((all.len(), all[0].detail["port"].as_str()), (1, Some("1-1")));
    assert!(rx.recv().await.is_none());
}

#[test]
fn a_closed_log_says_how_to_open_it() {
    let dir = tempfile::tempdir().unwrap();
    let why = way(&Roots::at(dir.path())).unwrap_err();
    assert_eq!(why.code, WhyCode::Refused);
    assert!(why.text.contains("systemd-journal") && why.text.contains("kernel-log.conf"));
    std::fs::create_dir_all(dir.path().join("var/log/journal/abc")).unwrap();
    std::fs::write(dir.path().join("var/log/journal/abc/system.journal"), "").unwrap();
    assert!(matches!(way(&Roots::at(dir.path())), Ok(Way::Journal)));
}
