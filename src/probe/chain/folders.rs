//! Where frames have been arriving: the folders of a home and of plugged-in disks, looked through within bounds.

use crate::probe::Roots;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

const ENDINGS: [&str; 4] = ["fits", "fit", "fts", "fz"];
/// Entries that are looked at, at most.
const MOST: usize = 50_000;
/// Time for all of it, at most: a sleeping disk or a network share must not hold up the person.
const TIME: Duration = Duration::from_secs(3);
/// Folders below the starting point, at most.
const DEPTH: usize = 6;

/// A folder in which frames have been arriving.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arriving {
    /// The top of the tree.
    pub folder: PathBuf,
    /// How old its newest frame is.
    pub age: Duration,
}

/// The folder with the newest frame of the last day, if there is one.
pub fn newest(roots: &Roots, home: Option<&Path>, now: SystemTime) -> Option<Arriving> {
    let begun = Instant::now();
    let mut starts: Vec<PathBuf> = home.iter().map(|h| roots.path(h)).collect();
    starts.extend(["/media", "/mnt", "/srv", "/data"].iter().map(|p| roots.path(p)));
    let mut left = MOST;
    let mut best: Option<(SystemTime, PathBuf)> = None;
    for start in &starts {
        let mut todo = vec![(start.clone(), 0)];
        while let Some((folder, depth)) = todo.pop() {
            for e in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
                if left == 0 || begun.elapsed() > TIME {
                    return best.and_then(|b| guess(b, &starts, now));
                }
                left -= 1;
                let name = e.file_name().to_string_lossy().to_lowercase();
                let Ok(kind) = e.file_type() else {
                    continue;
                };
                if kind.is_dir() && depth < DEPTH && !name.starts_with('.') {
                    todo.push((e.path(), depth + 1));
                } else if kind.is_file() && name.rsplit_once('.').is_some_and(|(_, end)| ENDINGS.contains(&end)) {
                    let time = e.metadata().and_then(|m| m.modified()).unwrap_or(SystemTime::UNIX_EPOCH);
                    if best.as_ref().is_none_or(|(b, _)| time > *b) {
                        best = Some((time, e.path()));
                    }
                }
            }
        }
    }
    best.and_then(|b| guess(b, &starts, now))
}

/// The top of the tree of a frame, if it is fresh.
fn guess((time, file): (SystemTime, PathBuf), starts: &[PathBuf], now: SystemTime) -> Option<Arriving> {
    let age = now.duration_since(time).unwrap_or_default();
    if age > Duration::from_secs(24 * 3600) {
        return None;
    }
    Some(Arriving { folder: top(&file, starts)?, age })
}

/// The highest folder above `file` that is not itself a place where everything lies.
pub fn top(file: &Path, starts: &[PathBuf]) -> Option<PathBuf> {
    let folder = file.parent()?;
    let below = starts.iter().filter(|s| folder.starts_with(s)).max_by_key(|s| s.components().count());
    let Some(start) = below else {
        return Some(folder.to_path_buf());
    };
    // A plugged-in disk is mounted one or two folders down: /media/NAME/DISK.
    let whole = if start.ends_with("media") { 2 } else { usize::from(!folder.eq(start) && start.ends_with("mnt")) };
    let parts: Vec<_> = folder.strip_prefix(start).ok()?.components().collect();
    let take = (whole + 1).min(parts.len());
    Some(parts[..take].iter().fold(start.clone(), |p, c| p.join(c)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_top_of_a_tree_of_frames() {
        let starts: Vec<PathBuf> = ["/home/pier", "/media", "/mnt"].iter().map(PathBuf::from).collect();
        for (file, folder) in [
            ("/home/pier/frames/2026-01-12/light/a.fits", "/home/pier/frames"),
            ("/home/pier/a.fits", "/home/pier"),
            ("/media/pier/disk/frames/m/a.fits", "/media/pier/disk/frames"),
            ("/mnt/nas/frames/x/a.fits", "/mnt/nas/frames"),
            ("/opt/frames/x/a.fits", "/opt/frames/x"),
        ] {
            assert_eq!(top(Path::new(file), &starts), Some(PathBuf::from(folder)), "{file}");
        }
    }

    #[test]
    fn the_newest_frame_of_the_last_day_counts() {
        let dir = tempfile::tempdir().unwrap();
        let roots = Roots::at(dir.path());
        let home = Path::new("/home/pier");
        let now = SystemTime::now();
        assert_eq!(newest(&roots, Some(home), now), None);
        for f in ["frames/2026-01-12/a.fits", "other/b.txt"] {
            let p = roots.path(home).join(f);
            std::fs::create_dir_all(p.parent().unwrap()).unwrap();
            std::fs::write(p, "").unwrap();
        }
        assert_eq!(newest(&roots, Some(home), now).unwrap().folder, roots.path("/home/pier/frames"));
        let later = now + Duration::from_secs(2 * 24 * 3600);
        assert_eq!(newest(&roots, Some(home), later), None, "what is old is no sign");
    }
}
