//! Follows a text log that grows: the newest file of a pattern, rotated, truncated, written in any encoding, with a last line
//! that is not whole yet.

use crate::probe::Roots;
use crate::probe::files::newest;
use crate::probe::lines::{Splitter, Width};
use encoding_rs::Encoding;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

/// Longest line that is looked at, in bytes.
pub const LONGEST: usize = 4096;
/// So much is read in one go; the rest follows in the next one.
const AT_ONCE: usize = 1 << 20;
/// A log that is so far ahead is not read through: only its end.
const FAR_AHEAD: u64 = 16 << 20;

/// A file that is open.
struct Open {
    path: PathBuf,
    file: File,
    identity: Option<(u64, u64)>,
    /// Where the next reading begins.
    at: u64,
    encoding: &'static Encoding,
    lines: Splitter,
    /// The first line behind a jump is not whole.
    jumped: bool,
}

/// What one go found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Went {
    /// Bytes that were not read since the log grew too fast.
    pub skipped: u64,
    /// More is waiting.
    pub more: bool,
}

/// The follower.
pub struct Follow {
    roots: Roots,
    pattern: String,
    encoding: Option<&'static Encoding>,
    open: Option<Open>,
    /// A file was open before, so another one is new from its beginning.
    begun: bool,
    /// The newest file is looked for in every so many goes, and when none is open.
    pub look_every: u32,
    goes: u32,
}

impl Follow {
    /// Follows the newest file of `pattern`, from its present end on. `encoding` is a label of the WHATWG Encoding Standard; none:
    /// by a byte-order mark, else UTF-8.
    pub fn new(roots: Roots, pattern: &str, encoding: Option<&str>) -> Follow {
        let encoding = encoding.and_then(|e| Encoding::for_label(e.as_bytes()));
        Follow { roots, pattern: pattern.into(), encoding, open: None, begun: false, look_every: 1, goes: 0 }
    }

    /// The file that is followed.
    pub fn path(&self) -> Option<&Path> {
        self.open.as_ref().map(|o| o.path.as_path())
    }

    /// Reads what has come: each whole line as text.
    ///
    /// # Errors
    /// When there is no file, or it cannot be read; the next go tries again.
    pub fn go(&mut self, mut each: impl FnMut(&str)) -> io::Result<Went> {
        let due = self.goes.is_multiple_of(self.look_every.max(1));
        self.goes = self.goes.wrapping_add(1);
        if let Some(o) = self.open.as_mut().filter(|_| !due) {
            let went = o.read(&mut each);
            if went.is_err() {
                self.open = None;
            }
            return went;
        }
        let Some(seen) = newest(&self.roots, &self.pattern) else {
            self.begun = true;
            return match self.open.take() {
                // It was removed; what it held has been read.
                Some(_) | None => Err(io::Error::new(io::ErrorKind::NotFound, "no such file")),
            };
        };
        let mut went = Went::default();
        let another = self.open.as_ref().is_none_or(|o| o.path != seen.path || o.identity != identity_of(&seen.path));
        if another {
            if let Some(mut old) = self.open.take() {
                // The rest of the old one, with a last line that nobody will complete any more.
                old.read(&mut each)?;
                let encoding = old.encoding;
                old.lines.finish(|l| each(&text(encoding, l)));
            }
            let from_start = std::mem::replace(&mut self.begun, true);
            self.open = Some(Open::new(seen.path, self.encoding, from_start)?);
        }
        if let Some(o) = &mut self.open {
            let step = o.read(&mut each);
            if step.is_err() {
                self.open = None;
            }
            let step = step?;
            went = Went { skipped: step.skipped, more: step.more };
        }
        Ok(went)
    }
}

#[cfg(unix)]
fn identity(m: &std::fs::Metadata) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    Some((m.dev(), m.ino()))
}

#[cfg(not(unix))]
fn identity(_: &std::fs::Metadata) -> Option<(u64, u64)> {
    None
}

fn identity_of(path: &Path) -> Option<(u64, u64)> {
    identity(&std::fs::metadata(path).ok()?)
}

fn text(encoding: &'static Encoding, line: &[u8]) -> String {
    encoding.decode_without_bom_handling(line).0.into_owned()
}

impl Open {
    fn new(path: PathBuf, wanted: Option<&'static Encoding>, from_start: bool) -> io::Result<Open> {
        let mut file = File::open(&path)?;
        let mut head = Vec::with_capacity(4);
        (&mut file).take(3).read_to_end(&mut head)?;
        // A byte-order mark says more than a setting that may be old.
        let (encoding, mark) = match Encoding::for_bom(&head) {
            Some((e, n)) => (e, n as u64),
            None => (wanted.unwrap_or(encoding_rs::UTF_8), 0),
        };
        let width = match encoding.name() {
            "UTF-16LE" => Width::Little,
            "UTF-16BE" => Width::Big,
            _ => Width::One,
        };
        let meta = file.metadata()?;
        let mut o = Open {
            path,
            identity: identity(&meta),
            file,
            at: mark,
            encoding,
            lines: Splitter::new(width, LONGEST),
            jumped: false,
        };
        if !from_start && meta.len() > mark {
            o.jump(meta.len());
        }
        Ok(o)
    }

    /// Goes on at `to`, or a byte before it where a character would be cut in two.
    fn jump(&mut self, to: u64) {
        let wide = self.encoding.name().starts_with("UTF-16");
        self.at = if wide { to & !1 } else { to };
        self.lines = Splitter::new(self.width(), LONGEST);
        // Whether the last line was whole shows the byte before.
        let before = self.at.saturating_sub(if wide { 2 } else { 1 });
        let mut end = [0; 2];
        let n = if wide { 2 } else { 1 };
        let whole = self.file.seek(SeekFrom::Start(before)).is_ok()
            && self.file.read_exact(&mut end[..n]).is_ok()
            && end[..n].contains(&b'\n');
        self.jumped = self.at > 0 && !whole;
    }

    fn width(&self) -> Width {
        match self.encoding.name() {
            "UTF-16LE" => Width::Little,
            "UTF-16BE" => Width::Big,
            _ => Width::One,
        }
    }

    fn read(&mut self, each: &mut impl FnMut(&str)) -> io::Result<Went> {
        let len = self.file.metadata()?.len();
        let mut went = Went::default();
        if len < self.at {
            // Cut off and written anew.
            self.at = 0;
            self.lines = Splitter::new(self.width(), LONGEST);
            self.jumped = false;
        }
        if len - self.at > FAR_AHEAD {
            let to = len - AT_ONCE as u64;
            went.skipped = to - self.at;
            self.jump(to);
        }
        self.file.seek(SeekFrom::Start(self.at))?;
        let mut left = AT_ONCE;
        let mut buf = [0; 16 * 1024];
        while left > 0 {
            let n = match self.file.read(&mut buf[..left.min(16 * 1024)]) {
                Ok(0) => break,
                Ok(n) => n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(e),
            };
            self.at += n as u64;
            left -= n;
            let (encoding, jumped) = (self.encoding, &mut self.jumped);
            self.lines.push(&buf[..n], |l| {
                if !std::mem::take(jumped) {
                    each(&text(encoding, l));
                }
            });
        }
        went.more = left == 0;
        Ok(went)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::io::Write;

    struct Log {
        dir: tempfile::TempDir,
        follow: Follow,
    }

    impl Log {
        fn new(pattern: &str, encoding: Option<&str>) -> Log {
            let dir = tempfile::tempdir().unwrap();
            let follow = Follow::new(Roots::at(dir.path()), pattern, encoding);
            Log { dir, follow }
        }
        fn append(&self, name: &str, bytes: &[u8]) {
            let p = self.dir.path().join(name);
            std::fs::OpenOptions::new().create(true).append(true).open(p).unwrap().write_all(bytes).unwrap();
        }
        fn lines(&mut self) -> Vec<String> {
            let mut all = vec![];
            let _ = self.follow.go(|l| all.push(l.to_string()));
            all
        }
    }

    #[test]
    fn only_what_comes_after_the_start_and_only_whole_lines() {
        let mut l = Log::new("/a.log", None);
        l.append("a.log", b"old\nhalf");
        assert_eq!(l.lines(), Vec::<String>::new());
        // The line that was torn at the start is left out: its beginning was not seen.
        l.append("a.log", b" of it\nnew\nto");
        assert_eq!(l.lines(), ["new"]);
        l.append("a.log", b"rn\n");
        assert_eq!(l.lines(), ["torn"]);
        assert_eq!(l.lines(), Vec::<String>::new());
    }

    #[test]
    fn a_log_that_is_not_there_yet_is_read_from_its_beginning() {
        let mut l = Log::new("/night-*.log", None);
        assert!(l.follow.go(|_| {}).is_err());
        l.append("night-1.log", b"first\n");
        assert_eq!(l.lines(), ["first"]);
    }

    #[test]
    fn rotated_by_name_by_number_and_by_cutting() {
        let mut l = Log::new("/night-*.log", None);
        l.append("night-1.log", b"");
        l.lines();
        l.append("night-1.log", b"one\nlast words");
        // A newer file: the rest of the old one comes first, its torn line too.
        l.append("night-2.log", b"two\n");
        let later = std::time::SystemTime::now() + std::time::Duration::from_secs(5);
        File::options().append(true).open(l.dir.path().join("night-2.log")).unwrap().set_modified(later).unwrap();
        assert_eq!(l.lines(), ["one", "last words", "two"]);

        let mut l = Log::new("/a.log", None);
        l.append("a.log", b"x\n");
        l.lines();
        // Renamed away and begun anew under the same name.
        l.append("a.log", b"end\n");
        std::fs::rename(l.dir.path().join("a.log"), l.dir.path().join("a.log.1")).unwrap();
        l.append("a.log", b"begin\n");
        assert_eq!(l.lines(), ["end", "begin"]);
        // Cut to nothing in place.
        File::create(l.dir.path().join("a.log")).unwrap();
        l.lines();
        l.append("a.log", b"anew\n");
        assert_eq!(l.lines(), ["anew"]);
    }

    #[test]
    fn encodings_by_mark_and_by_setting() {
        let wide = |t: &str| -> Vec<u8> { t.encode_utf16().flat_map(u16::to_le_bytes).collect() };
        let mut l = Log::new("/a.log", None);
        l.append("a.log", &wide("\u{feff}Gerät\r\n"));
        l.lines();
        let more = wide("Gerät weg\r\nĊ\n");
        l.append("a.log", &more[..7]);
        assert_eq!(l.lines(), Vec::<String>::new());
        l.append("a.log", &more[7..]);
        assert_eq!(l.lines(), ["Gerät weg", "Ċ"]);

        let mut l = Log::new("/b.log", Some("utf-16be"));
        l.lines();
        l.append("b.log", &"Ω\n".encode_utf16().flat_map(u16::to_be_bytes).collect::<Vec<_>>());
        assert_eq!(l.lines(), ["Ω"]);
        let mut l = Log::new("/c.log", Some("windows-1252"));
        l.lines();
        l.append("c.log", b"20 \xb0C\n");
        assert_eq!(l.lines(), ["20 °C"]);
        let mut l = Log::new("/d.log", None);
        l.lines();
        l.append("d.log", b"\xef\xbb\xbfwith a mark\nbroken \xff\n");
        assert_eq!(l.lines(), ["with a mark", "broken \u{fffd}"]);
    }

    #[test]
    fn long_lines_are_cut_and_floods_are_skipped() {
        let mut l = Log::new("/a.log", None);
        l.lines();
        l.append("a.log", &[b'x'; 10_000]);
        l.append("a.log", b"\nnext\n");
        let lines = l.lines();
        assert_eq!((lines[0].len(), lines[1].as_str()), (LONGEST, "next"));
        File::options().append(true).open(l.dir.path().join("a.log")).unwrap().set_len(FAR_AHEAD + 20_000).unwrap();
        let went = l.follow.go(|_| {}).unwrap();
        assert!(went.skipped > FAR_AHEAD - 2 * AT_ONCE as u64, "{went:?}");
        l.append("a.log", b"\nafter it\n");
        while l.follow.go(|_| {}).unwrap().more {}
        l.append("a.log", b"and on\n");
        assert_eq!(l.lines(), ["and on"]);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn no_bytes_panic(parts in proptest::collection::vec(proptest::collection::vec(any::<u8>(), 0..200), 1..6), e in 0usize..4) {
            let mut l = Log::new("/a.log", [None, Some("utf-16le"), Some("utf-16be"), Some("windows-1252")][e]);
            for p in parts {
                l.append("a.log", &p);
                for line in l.lines() {
                    prop_assert!(line.chars().count() <= LONGEST);
                }
            }
        }
    }
}
