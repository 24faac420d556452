//! Small file systems of a test's own. Mounting needs root; without it these tests fail and say so rather than pass unseen.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Unmounted and forgotten when dropped.
pub struct Mounted {
    pub dir: tempfile::TempDir,
    at: PathBuf,
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.at).output();
    }
}

fn run(command: &str, args: &[&std::ffi::OsStr]) {
    let out = Command::new(command).args(args).output().unwrap_or_else(|e| panic!("{command}: {e}"));
    assert!(
        out.status.success(),
        "{command} {args:?} failed; this test mounts a small file system of its own and needs root: {}",
        String::from_utf8_lossy(&out.stderr)
    );
}

macro_rules! run {
    ($c:expr, $($a:expr),+) => { run($c, &[$(AsRef::<std::ffi::OsStr>::as_ref(&$a)),+]) };
}

impl Mounted {
    /// A tmpfs of so many KiB.
    pub fn tmpfs(kib: usize) -> Mounted {
        let dir = tempfile::tempdir().unwrap();
        let at = dir.path().join("disk");
        std::fs::create_dir(&at).unwrap();
        run!("mount", "-t", "tmpfs", "-o", format!("size={kib}k"), "tmpfs", at);
        Mounted { dir, at }
    }

    /// ext4 in a loop file.
    pub fn ext4(mib: u64) -> Mounted {
        let dir = tempfile::tempdir().unwrap();
        let (at, image) = (dir.path().join("disk"), dir.path().join("image"));
        std::fs::create_dir(&at).unwrap();
        std::fs::File::create(&image).unwrap().set_len(mib << 20).unwrap();
        run!("mkfs.ext4", "-q", "-F", image);
        let m = Mounted { dir, at };
        m.mount_image(&m.image());
        m
    }

    pub fn path(&self) -> &Path {
        &self.at
    }

    pub fn image(&self) -> PathBuf {
        self.dir.path().join("image")
    }

    pub fn mount_image(&self, image: &Path) {
        run!("mount", "-o", "loop", image, self.at);
    }

    pub fn unmount(&self) {
        run!("umount", self.at);
    }

    pub fn remount(&self, how: &str) {
        run!("mount", "-o", format!("remount,{how}"), self.at);
    }

    /// Fills the file system to the last byte; removing the file frees it again.
    pub fn fill(&self) -> PathBuf {
        use std::io::Write;
        let ballast = self.at.join("ballast");
        let mut f = std::fs::File::create(&ballast).unwrap();
        let mut block = vec![0u8; 65536];
        while !block.is_empty() {
            match f.write(&block) {
                Ok(n) if n > 0 => {}
                _ => {
                    let half = block.len() / 2;
                    block.truncate(half);
                }
            }
        }
        let _ = f.sync_all();
        ballast
    }
}
