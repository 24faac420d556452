//! `look --keep all` on real processes: what hangs together is proposed, seen as root, as the same user and as another one.

use crate::harness::{BINARY, wait_for};
use std::fs::{self, File, Permissions};
use std::net::{TcpListener, TcpStream};
use std::os::fd::OwnedFd;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

/// Children that end with the test.
struct Pier {
    folder: tempfile::TempDir,
    /// Holds the private mount namespace in which `/dev` has a made-up node.
    holder: Child,
    programs: Vec<Child>,
}

impl Drop for Pier {
    fn drop(&mut self) {
        for c in self.programs.iter_mut().chain([&mut self.holder]) {
            let _ = c.kill();
            let _ = c.wait();
        }
    }
}

const PIER: u32 = 64001;
const OTHER: u32 = 64002;

impl Pier {
    /// A command in the namespace of the pier, as this user.
    fn inside(&self, uid: u32) -> Command {
        let mut c = Command::new("nsenter");
        c.args(["-t", &self.holder.id().to_string(), "-m", "setpriv", "--reuid", &uid.to_string()]);
        c.args(["--regid", &uid.to_string(), "--clear-groups"]);
        c
    }

    /// A sleeping program of this name, since what matters is what it holds.
    fn program(&mut self, name: &str, before: &str, stdin: OwnedFd, stdout: OwnedFd) {
        let path = self.path(name);
        fs::copy("/bin/sleep", &path).unwrap();
        let child = self
            .inside(PIER)
            .args(["sh", "-c", &format!("{before} exec {} 120", path.display())])
            .stdin(Stdio::from(stdin))
            .stdout(Stdio::from(stdout))
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.programs.push(child);
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn look(&self, uid: u32, out: &Path) -> Output {
        self.inside(uid)
            .args(["env", &format!("HOME={}", self.folder.path().display())])
            .arg(self.path("tilldawn-under-test"))
            .args(["look", "--keep", "all", "--for", "300 ms", "--out"])
            .arg(out)
            .output()
            .unwrap()
    }
}

/// The names are given, since each test sees the programs of the others too.
fn evening(mount: &str, camera: &str) -> Pier {
    let folder = tempfile::tempdir().unwrap();
    fs::set_permissions(folder.path(), Permissions::from_mode(0o777)).unwrap();
    // Others cannot enter the build folder.
    fs::copy(BINARY, folder.path().join("tilldawn-under-test")).unwrap();
    let ready = folder.path().join("ready");
    let script = format!(
        "mount --make-rprivate / && mount -t tmpfs -o mode=755 tmpfs /dev && mknod -m 666 /dev/null c 1 3 && \
         mknod -m 666 /dev/urandom c 1 9 && touch /dev/ttyUSB0 && chmod 666 /dev/ttyUSB0 && touch {} && exec sleep 120",
        ready.display()
    );
    let holder = Command::new("unshare").args(["-m", "sh", "-c", &script]).spawn().unwrap();
    let mut pier = Pier { folder, holder, programs: vec![] };
    wait_for("the private /dev", Duration::from_secs(10), || ready.exists().then_some(()));
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let client = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
    let (server, _) = listener.accept().unwrap();
    fs::create_dir_all(pier.path("frames/2026-01-12")).unwrap();
    let frame = File::create(pier.path("frames/2026-01-12/light_001.fits")).unwrap();
    pier.program(mount, "exec 3<>/dev/ttyUSB0;", listener.into(), server.into());
    pier.program(camera, "", client.into(), frame.into());
    for (i, name) in [mount, camera].iter().enumerate() {
        let exe = format!("/proc/{}/exe", pier.programs[i].id());
        wait_for(name, Duration::from_secs(10), || fs::read_link(&exe).ok().filter(|p| p.ends_with(name)).map(drop));
    }
    pier
}

#[test]
fn what_hangs_together_is_proposed_by_whoever_may_see_it() {
    let pier = evening("mount-driver", "exposures");
    for uid in [0, PIER] {
        let out = pier.path(&format!("as-{uid}.toml"));
        let told = pier.look(uid, &out);
        assert!(told.status.success(), "{told:?}");
        let text = fs::read_to_string(&out).unwrap();
        for part in [
            "[program.mount-driver]",
            "[program.exposures]",
            "node = \"/dev/ttyUSB0\"",
            "holds = [\"/dev/ttyUSB0\"]   # a guess",
            "\"program.mount-driver\",   # a guess: it is connected to port",
            "leans_on = [\"program.exposures\"]   # a guess: it was writing a frame",
        ] {
            assert!(text.contains(part), "as {uid}: {part}\n{text}");
        }
        assert!(text.contains(&format!("folder = \"{}\"", pier.path("frames").display())), "{text}");
        let mount = text.find("program.mount-driver").unwrap();
        assert!(text[..mount + 60].contains("chain = ["), "the mount comes first in the chain:\n{text}");
        // The written file is in order, and an existing one is left alone.
        let check = Command::new(BINARY).args(["check", "--config"]).arg(&out).output().unwrap();
        assert!(check.status.success(), "{check:?}");
        let again = pier.look(uid, &out);
        assert_eq!(again.status.code(), Some(2));
        assert_eq!(fs::read_to_string(&out).unwrap(), text);
    }
    // Another user sees that there is something it may not see, and says so.
    let out = pier.path("as-other.toml");
    let told = pier.look(OTHER, &out);
    assert!(told.status.success(), "{told:?}");
    let text = fs::read_to_string(&out).unwrap();
    assert!(!text.contains("[program.mount-driver]"), "{text}");
    assert!(text.contains("processes of other users could not be looked into"), "{text}");
    assert!(String::from_utf8_lossy(&told.stdout).contains("or as root"), "{told:?}");
}

#[test]
fn look_and_check_name_what_another_user_cannot_see() {
    let pier = evening("roof-driver", "flats");
    for (uid, closed) in [(0, false), (OTHER, true)] {
        for arguments in [&["look"][..], &["check"]] {
            let told = pier.inside(uid).arg(pier.path("tilldawn-under-test")).args(arguments).output().unwrap();
            assert!(told.status.success(), "{told:?}");
            let out = String::from_utf8_lossy(&told.stdout).into_owned();
            assert_eq!(out.contains("open files of other users' programs"), closed, "as {uid}:\n{out}");
            assert_eq!(out.contains("other-users-programs.conf"), closed, "as {uid}:\n{out}");
        }
    }
}
