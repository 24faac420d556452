//! Files named by a path or by a pattern with `*` and `?` in its last part.

use super::Roots;
use std::path::PathBuf;
use std::time::SystemTime;

/// A file that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Where.
    pub path: PathBuf,
    /// Bytes.
    pub len: u64,
    /// When it was last written.
    pub written: SystemTime,
}

/// The file at `pattern`; of several that fit, the one written last (of equals, the last by name). None if there is none or
/// the folder cannot be read.
pub fn newest(roots: &Roots, pattern: &str) -> Option<Seen> {
    let path = roots.path(pattern);
    let seen = |path: PathBuf| {
        let m = std::fs::metadata(&path).ok().filter(std::fs::Metadata::is_file)?;
        Some(Seen { path, len: m.len(), written: m.modified().unwrap_or(SystemTime::UNIX_EPOCH) })
    };
    let name = path.file_name()?.to_str()?;
    if !name.contains(['*', '?']) {
        return seen(path);
    }
    std::fs::read_dir(path.parent()?)
        .ok()?
        .filter_map(Result::ok)
        .filter(|e| e.file_name().to_str().is_some_and(|n| fits(name, n)))
        .filter_map(|e| seen(e.path()))
        .max_by(|a, b| (a.written, &a.path).cmp(&(b.written, &b.path)))
}

/// Whether a name fits a pattern: `*` stands for any text, `?` for one character.
pub fn fits(pattern: &str, name: &str) -> bool {
    let (p, n): (Vec<char>, Vec<char>) = (pattern.chars().collect(), name.chars().collect());
    let (mut i, mut j, mut back) = (0, 0, None);
    while j < n.len() {
        if i < p.len() && p[i] == '*' {
            back = Some((i, j));
            i += 1;
        } else if i < p.len() && (p[i] == '?' || p[i] == n[j]) {
            i += 1;
            j += 1;
        } else if let Some((star, from)) = back {
            // The last star takes one character more.
            back = Some((star, from + 1));
            (i, j) = (star + 1, from + 1);
        } else {
            return false;
        }
    }
    p[i..].iter().all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_newest_that_fits() {
        let dir = tempfile::tempdir().unwrap();
        let roots = Roots::at(dir.path());
        let write = |n: &str, age: u64| {
            let f = std::fs::File::create(dir.path().join(n)).unwrap();
            f.set_modified(SystemTime::now() - std::time::Duration::from_secs(age)).unwrap();
        };
        write("night-1.log", 100);
        write("night-2.log", 10);
        write("other.txt", 1);
        assert_eq!(newest(&roots, "/night-*.log").unwrap().path, dir.path().join("night-2.log"));
        assert_eq!(newest(&roots, "/night-1.log").unwrap().path, dir.path().join("night-1.log"));
        assert_eq!(newest(&roots, "/night-3*.log"), None);
        assert_eq!(newest(&roots, "/no/such/*"), None);
    }

    #[test]
    fn patterns() {
        for (p, n, want) in [
            ("*", "", true),
            ("a*c", "abc", true),
            ("a*c", "abcd", false),
            ("*.log", ".log", true),
            ("n?ght", "night", true),
            ("n?ght", "nght", false),
            ("a*b*c", "aXbYbZc", true),
        ] {
            assert_eq!(fits(p, n), want, "{p} {n}");
        }
    }

    proptest! {
        #[test]
        fn a_star_fits_whatever_was_cut_out(a in "[a-c]{0,5}", b in "[a-c]{0,5}", c in "[a-c]{0,5}") {
            let pattern = format!("{a}*{c}");
            let name = format!("{a}{b}{c}");
            prop_assert!(fits(&pattern, &name));
        }
    }
}
