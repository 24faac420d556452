//! What can be seen depends on whose program it is: the look around as root, as the program's own user and as another user.

use crate::harness::{BINARY, Sleeper};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

/// `nobody` and `daemon` of every Debian system.
const NOBODY: u32 = 65534;
const DAEMON: u32 = 1;

fn as_user(folder: &Path, user: u32, config: &Path) -> String {
    // The build folder may be closed to others, so they get a copy of the binary.
    let binary = folder.join("tilldawn");
    let state = folder.join(format!("home-{user}"));
    std::fs::create_dir_all(&state).unwrap();
    std::fs::set_permissions(&state, std::fs::Permissions::from_mode(0o777)).unwrap();
    if !binary.exists() {
        std::fs::copy(BINARY, &binary).unwrap();
    }
    let mut c = Command::new(&binary);
    c.arg("check").arg("--config").arg(config).current_dir("/").env_clear().env("HOME", &state).uid(user).gid(user);
    let out = c.output().unwrap();
    String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr)
}

#[test]
fn check_tells_each_user_what_is_closed_to_it_and_how_it_is_granted() {
    assert!(rustix::process::geteuid().is_root(), "this test takes the place of other users and needs root");
    let folder = tempfile::tempdir().unwrap();
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    // A program of `nobody`.
    let file = folder.path().join("imaging-under-test");
    std::fs::copy("/bin/sleep", &file).unwrap();
    let child = Command::new(&file).arg("100000").uid(NOBODY).gid(NOBODY).spawn().unwrap();
    let _program = Sleeper { child };
    let config = folder.path().join("tilldawn.toml");
    std::fs::write(
        &config,
        "[session]\nchain = [\"program.imaging\"]\n[program.imaging]\nexecutable = \"imaging-under-test\"\n",
    )
    .unwrap();
    std::fs::set_permissions(&config, std::fs::Permissions::from_mode(0o644)).unwrap();

    let closed = "other users' programs";
    let root = as_user(folder.path(), 0, &config);
    let same = as_user(folder.path(), NOBODY, &config);
    let other = as_user(folder.path(), DAEMON, &config);
    assert!(!root.contains(closed), "root sees all:\n{root}");
    assert!(other.contains(closed), "another user must be told:\n{other}");
    assert!(same.contains(closed), "so must the user itself, of programs that are not its own:\n{same}");
    // The way out is named: the drop-in of the system unit.
    assert!(other.contains("other-users-programs.conf"), "{other}");
    // The kernel's log is closed to both, and both are told.
    for text in [&same, &other] {
        assert!(text.contains("kernel"), "{text}");
    }
}
