//! A small kernel file that is read again and again: its descriptor stays open and its buffer is kept, so that a reading
//! costs two system calls and no allocation.

use std::fs::File;
use std::io;
use std::path::PathBuf;

/// More than this is not read of any kernel file: a guard against a source that never ends.
pub const MOST: usize = 1 << 20;

/// A file kept open.
#[derive(Debug)]
pub struct Kept {
    path: PathBuf,
    file: Option<File>,
    buf: Vec<u8>,
    whole: bool,
}

impl Kept {
    /// Nothing is opened yet; the first reading does it.
    pub fn new(path: PathBuf) -> Kept {
        Kept { path, file: None, buf: Vec::new(), whole: false }
    }

    /// The same for a file that the kernel hands out in one piece (`/proc/stat`, `/proc/PID/stat`, pressure, one value of
    /// sysfs), so that a reading which leaves room in the buffer has all of it.
    pub fn whole(path: PathBuf) -> Kept {
        Kept { whole: true, ..Kept::new(path) }
    }

    /// The path, for messages.
    pub fn path(&self) -> &std::path::Path {
        &self.path
    }

    /// The content as it is now.
    ///
    /// # Errors
    /// What the system says. After any error the descriptor is opened anew at the next call, so a file that goes away and
    /// comes back (a driver reloaded, a process with the same path) is found again.
    pub fn read(&mut self) -> io::Result<&[u8]> {
        match self.fill() {
            Ok(n) => Ok(&self.buf[..n]),
            Err(e) => {
                self.file = None;
                Err(e)
            }
        }
    }

    /// Lets go of the descriptor.
    pub fn close(&mut self) {
        self.file = None;
    }

    fn fill(&mut self) -> io::Result<usize> {
        let file = match &mut self.file {
            Some(f) => f,
            none => none.insert(File::open(&self.path)?),
        };
        if self.buf.is_empty() {
            self.buf.resize(1024, 0);
        }
        let mut n = 0;
        // The kernel hands out some tables a page at a time, so only an empty read is the end.
        loop {
            if n == self.buf.len() {
                if n >= MOST {
                    return Err(io::Error::new(io::ErrorKind::InvalidData, "longer than 1 MiB"));
                }
                self.buf.resize(n * 2, 0);
            }
            match read_at(file, &mut self.buf[n..], n as u64) {
                Ok(0) => return Ok(n),
                Ok(more) => {
                    n += more;
                    if self.whole && n < self.buf.len() {
                        return Ok(n);
                    }
                }
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(e),
            }
        }
    }
}

#[cfg(unix)]
fn read_at(f: &File, buf: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::unix::fs::FileExt::read_at(f, buf, at)
}

#[cfg(windows)]
fn read_at(f: &File, buf: &mut [u8], at: u64) -> io::Result<usize> {
    std::os::windows::fs::FileExt::seek_read(f, buf, at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn content_is_read_anew_and_lost_files_are_found_again() {
        let dir = tempfile::tempdir().unwrap();
        let p = dir.path().join("value");
        for mut k in [Kept::new(p.clone()), Kept::whole(p.clone())] {
            let _ = std::fs::remove_file(&p);
            reads(&mut k, &p);
        }
    }

    fn reads(k: &mut Kept, p: &std::path::Path) {
        assert_eq!(k.read().unwrap_err().kind(), io::ErrorKind::NotFound);
        std::fs::write(p, "1\n").unwrap();
        assert_eq!(k.read().unwrap(), b"1\n");
        // Longer than the buffer and written over in place: the same descriptor sees it.
        std::fs::write(p, vec![b'x'; 5000]).unwrap();
        assert_eq!(k.read().unwrap().len(), 5000);
        std::fs::write(p, vec![b'y'; MOST + 1]).unwrap();
        assert_eq!(k.read().unwrap_err().kind(), io::ErrorKind::InvalidData);
    }
}
