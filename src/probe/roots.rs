//! Where the kernel's files are looked for: `/`, or a folder with a made-up tree in tests.

use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The folder under which `proc`, `sys`, `dev`, … are found. Cheap to clone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Roots(Arc<Path>);

impl Roots {
    /// The machine itself.
    pub fn system() -> Roots {
        Roots(Path::new("/").into())
    }
    /// A tree under `folder`.
    pub fn at(folder: impl AsRef<Path>) -> Roots {
        Roots(folder.as_ref().into())
    }
    /// Whether this is the machine itself. What cannot be pointed at a folder (sockets, ioctls) is left out otherwise.
    pub fn is_system(&self) -> bool {
        &*self.0 == Path::new("/")
    }
    /// A path below the root; a leading `/` is taken as the root.
    pub fn path(&self, p: impl AsRef<Path>) -> PathBuf {
        let p = p.as_ref();
        self.0.join(p.strip_prefix("/").unwrap_or(p))
    }
    /// The whole content of a small file, at most `MOST` bytes of it.
    pub fn read(&self, p: impl AsRef<Path>) -> std::io::Result<Vec<u8>> {
        use std::io::Read;
        let mut out = Vec::new();
        std::fs::File::open(self.path(p))?.take(super::kept::MOST as u64).read_to_end(&mut out)?;
        Ok(out)
    }
    /// The trimmed text of a small file; none if it cannot be read.
    pub fn text(&self, p: impl AsRef<Path>) -> Option<String> {
        self.read(p).ok().map(|b| super::parse::text(&b))
    }
}

impl Default for Roots {
    fn default() -> Roots {
        Roots::system()
    }
}
