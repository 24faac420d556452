//! What `/proc/PID` says, as pure parsers (proc(5)), and the names by which a process can be found.

use crate::config::model::FindBy;
use crate::probe::parse;
use crate::probe::roots::Roots;
use std::cell::OnceCell;

/// The part of `/proc/PID/stat` that matters here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stat {
    /// `R` running, `S` sleeping, `D` uninterruptible, `T` stopped, `t` traced, `Z` zombie, `X` dead, `I` idle kernel thread.
    pub state: u8,
    /// Parent.
    pub parent: u32,
    /// Processor time used by all its threads, user and system, in clock ticks.
    pub busy: u64,
    /// Threads.
    pub threads: u64,
    /// Start, in clock ticks since boot. Together with the number it names one process for ever.
    pub start: u64,
    /// Resident pages.
    pub pages: u64,
    /// Wait status of a zombie; zero where the reader has no right to see it.
    pub status: Option<i32>,
}

impl Stat {
    /// Whether it has ended, though its parent may not have taken notice.
    pub fn ended(&self) -> bool {
        // The first thread may have ended while others go on.
        matches!(self.state, b'Z' | b'X' | b'x') && self.threads <= 1
    }
}

/// Reads the line; none if it is torn or garbled.
pub fn stat(text: &[u8]) -> Option<Stat> {
    // The name in parentheses may hold blanks and parentheses itself: the last one ends it.
    let end = text.iter().rposition(|c| *c == b')')?;
    let mut f = parse::fields(parse::trim(&text[end + 1..]));
    let state = match f.next()? {
        [c] if c.is_ascii_alphabetic() => *c,
        _ => return None,
    };
    let mut at = 0;
    let mut number = |n: usize| -> Option<u64> {
        let v = f.nth(n - at - 1)?;
        at = n;
        // Some fields are signed; the ones asked for are not negative in a sound line.
        parse::unsigned(v)
    };
    let parent = u32::try_from(number(1)?).ok()?;
    let user = number(11)?;
    let system = number(12)?;
    let threads = number(17)?;
    let start = number(19)?;
    let pages = number(21)?;
    let status = number(49).and_then(|s| i32::try_from(s).ok());
    Some(Stat { state, parent, busy: user.checked_add(system)?, threads, start, pages, status })
}

/// The systemd unit in the text of `/proc/PID/cgroup`: the innermost part that is a service or a scope.
pub fn unit(cgroup: &[u8]) -> Option<&[u8]> {
    // Version 2 is the line `0::/…`; on mixed systems systemd keeps its names in a version 1 tree of its own.
    let mut path = None;
    for l in parse::lines(cgroup) {
        if let Some(p) = l.strip_prefix(b"0::") {
            path = path.or(Some(p));
        } else if let Some(i) = l.windows(14).position(|w| w == b":name=systemd:") {
            path = Some(&l[i + 14..]);
        }
    }
    path?.rsplit(|c| *c == b'/').find(|p| p.ends_with(b".service") || p.ends_with(b".scope"))
}

/// Names of one process, each read when it is first asked for.
pub struct Names<'r> {
    roots: &'r Roots,
    pid: u32,
    exe: OnceCell<Option<Vec<u8>>>,
    argv: OnceCell<Vec<u8>>,
    comm: OnceCell<Vec<u8>>,
    cgroup: OnceCell<Vec<u8>>,
}

impl<'r> Names<'r> {
    /// The names of process `pid`.
    pub fn new(roots: &'r Roots, pid: u32) -> Names<'r> {
        let (exe, argv, comm, cgroup) = Default::default();
        Names { roots, pid, exe, argv, comm, cgroup }
    }
    fn file(&self, what: &str) -> Vec<u8> {
        // Gone or closed: no name, so it fits nothing.
        self.roots.read(format!("proc/{}/{what}", self.pid)).unwrap_or_default()
    }
    /// Path of the executable; none if it is closed to us (another user's) or there is none (a kernel thread).
    fn exe(&self) -> Option<&[u8]> {
        self.exe
            .get_or_init(|| {
                let path = std::fs::read_link(self.roots.path(format!("proc/{}/exe", self.pid))).ok()?;
                let path = path.into_os_string().into_encoded_bytes();
                // A program replaced by a newer version while it runs.
                Some(path.strip_suffix(b" (deleted)").map(<[u8]>::to_vec).unwrap_or(path))
            })
            .as_deref()
    }
    /// Arguments, each ended by NUL.
    pub fn argv(&self) -> &[u8] {
        self.argv.get_or_init(|| self.file("cmdline"))
    }
    /// The kernel's short name of the process.
    pub fn comm(&self) -> &[u8] {
        parse::trim(self.comm.get_or_init(|| self.file("comm")))
    }
    /// File name of the executable, or of the script if it is an interpreter's.
    pub fn executable_name(&self) -> Option<String> {
        let exe = base(self.exe()?);
        let script = !exe.starts_with(self.comm()) && !self.comm().is_empty();
        let name = if script {
            self.argv().split(|c| *c == 0).skip(1).map(base).find(|a| a.starts_with(self.comm())).unwrap_or(exe)
        } else {
            exe
        };
        Some(String::from_utf8_lossy(name).into_owned())
    }
    fn unit(&self) -> Option<&[u8]> {
        unit(self.cgroup.get_or_init(|| self.file("cgroup")))
    }
    /// Its unit, if it is a service, and whether that is one of a user's own manager.
    pub fn managed(&self) -> Option<(String, bool)> {
        let unit =
            std::str::from_utf8(self.unit()?).ok().filter(|u| u.ends_with(".service") && !u.starts_with("user@"))?;
        let group = self.cgroup.get_or_init(|| self.file("cgroup"));
        Some((unit.to_owned(), group.windows(6).any(|w| w == b"/user@")))
    }
    /// The command line for people.
    pub fn command(&self) -> String {
        String::from_utf8_lossy(self.argv()).trim_end_matches('\0').replace('\0', " ")
    }
}

fn base(path: &[u8]) -> &[u8] {
    path.rsplit(|c| *c == b'/').next().unwrap_or(path)
}

/// Whether a process is the one looked for: all stated parts must fit, and one must be stated. Kernel threads never fit.
///
/// `executable` without a slash is compared with the file name of the executable, of the first argument, and (for scripts,
/// whose executable is the interpreter) with the short name that the kernel gives them; with a slash, with the whole path.
/// `unit` may leave out `.service`.
pub fn fits(find: &FindBy, n: &Names<'_>) -> bool {
    let mut stated = false;
    if let Some(want) = &find.executable {
        stated = true;
        if !executable(want.as_bytes(), n) {
            return false;
        }
    }
    if let Some(want) = &find.command {
        stated = true;
        if want.is_empty() || !contains(n.argv(), want.as_bytes()) {
            return false;
        }
    }
    if let Some(want) = &find.unit {
        stated = true;
        let unit = n.unit().unwrap_or_default();
        let same = unit == want.as_bytes() || unit.strip_suffix(b".service") == Some(want.as_bytes());
        if !same || n.argv().is_empty() {
            return false;
        }
    }
    stated
}

fn executable(want: &[u8], n: &Names<'_>) -> bool {
    let mut args = n.argv().split(|c| *c == 0).filter(|a| !a.is_empty());
    let Some(first) = args.next() else { return false };
    if want.contains(&b'/') {
        return n.exe().is_some_and(|e| e == want) || args.next() == Some(want) || first == want;
    }
    if base(first) == want || n.exe().is_some_and(|e| base(e) == want) {
        return true;
    }
    // The kernel keeps 15 bytes of the name.
    let short = &want[..want.len().min(15)];
    n.comm() == short && (want.len() <= 15 || args.any(|a| base(a) == want))
}

/// Whether the arguments, read as one text with blanks between them, contain `want`.
fn contains(argv: &[u8], want: &[u8]) -> bool {
    let same = |a: u8, b: u8| a == b || (a == 0 && b == b' ');
    argv.windows(want.len()).any(|w| w.iter().zip(want).all(|(a, b)| same(*a, *b)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::probe::testing::Bench;
    use proptest::prelude::*;

    /// A line in the format of proc(5), with a name that tries to confuse.
    const LINE: &str = "4711 (a) S (b)) S 17 4711 4711 0 -1 4194304 200 0 0 0 250 50 0 0 20 0 7 0 123456 10000000 2048 \
        18446744073709551615 1 1 0 0 0 0 0 0 0 0 0 0 17 1 0 0 0 0 0 0 0 0 0 0 0 0 9\n";

    #[test]
    fn the_stat_line_is_read_behind_the_last_parenthesis() {
        let s = stat(LINE.as_bytes()).unwrap();
        let want =
            Stat { state: b'S', parent: 17, busy: 300, threads: 7, start: 123_456, pages: 2048, status: Some(9) };
        assert_eq!(s, want);
        // An old kernel has fewer fields at the end; a torn line fewer in the middle.
        let cut = &LINE[..LINE.find(" 18446744073709551615").unwrap()];
        assert_eq!(stat(cut.as_bytes()).unwrap().status, None);
        assert_eq!(stat(b"4711 (x) S 1 2"), None);
        assert_eq!(stat(b""), None);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn our_own_line_agrees_with_what_we_know() {
        let s = stat(&Roots::system().read("proc/self/stat").unwrap()).unwrap();
        assert_eq!(s.parent, std::os::unix::process::parent_id());
        assert!(s.pages > 0 && s.threads > 0 && !s.ended());
    }

    #[test]
    fn units_of_both_cgroup_versions() {
        let v2 = b"0::/user.slice/user-1000.slice/user@1000.service/app.slice/mount.service\n";
        assert_eq!(unit(v2), Some(&b"mount.service"[..]));
        let v1 = b"3:cpu:/\n1:name=systemd:/system.slice/mount.service/inner\n0::/\n";
        assert_eq!(unit(v1), Some(&b"mount.service"[..]));
        assert_eq!(unit(b"0::/\n"), None);
    }

    #[test]
    fn processes_are_found_by_what_is_stated() {
        let b = Bench::new(&[
            ("proc/10/cmdline", "/usr/bin/python3\0/opt/pier/mountlink.py\0--port\x005000\0"),
            ("proc/10/comm", "mountlink.py\n"),
            ("proc/10/cgroup", "0::/system.slice/mount.service\n"),
            ("proc/11/cmdline", ""),
            ("proc/11/comm", "mountlink.py\n"),
        ]);
        let roots = b.roots();
        let find = |e: &str, c: &str, u: &str| {
            let part = |t: &str| (!t.is_empty()).then(|| t.to_string());
            let f = FindBy { executable: part(e), command: part(c), unit: part(u) };
            (fits(&f, &Names::new(&roots, 10)), fits(&f, &Names::new(&roots, 11)))
        };
        assert_eq!(find("mountlink.py", "", ""), (true, false), "a kernel thread never fits");
        assert_eq!(find("python3", "", ""), (true, false));
        assert_eq!(find("/opt/pier/mountlink.py", "", ""), (true, false));
        assert_eq!(find("", "--port 5000", ""), (true, false));
        assert_eq!(find("", "", "mount"), (true, false));
        assert_eq!(find("python3", "--port 6000", ""), (false, false));
        assert_eq!(find("mountlink", "", ""), (false, false));
        assert_eq!(find("", "", ""), (false, false), "nothing stated fits nothing");
    }

    proptest! {
        #[test]
        fn no_bytes_panic(b in proptest::collection::vec(any::<u8>(), 0..400), cut in 0..300_usize) {
            let _ = (stat(&b), unit(&b));
            let _ = stat(&LINE.as_bytes()[..cut.min(LINE.len())]);
            let _ = contains(&b, b"x y");
        }
    }
}
