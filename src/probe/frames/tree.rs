//! The folder tree: which files are new. The kernel's file events tell at once; a scan finds what they miss (network shares,
//! an overrun queue, folders made and filled faster than they could be watched).

use crate::model::{Span, Stamp, Why, WhyCode};
use notify::{RecommendedWatcher, RecursiveMode, Watcher};
use std::collections::HashSet;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// Most files that are looked at in one scan; a folder with more is not a night's frames.
const MOST: usize = 500_000;
/// Deepest nesting that is followed.
const DEEPEST: usize = 12;
/// Events that may wait; beyond that the next scan finds the rest.
const QUEUE: usize = 4096;
/// How long until watching is tried again after it failed.
const AGAIN: Span = Span::mins(1);

/// The tree and what is known of it. Paths are kept as 64-bit hashes: a season of frames takes a few megabytes at most.
pub struct Tree {
    folder: PathBuf,
    endings: Vec<String>,
    known: HashSet<u64>,
}

fn key(p: &Path) -> u64 {
    let mut h = DefaultHasher::new();
    p.hash(&mut h);
    h.finish()
}

impl Tree {
    /// Files with these endings (lower case) under `folder`.
    pub fn new(folder: PathBuf, endings: Vec<String>) -> Tree {
        Tree { folder, endings, known: HashSet::new() }
    }

    /// Whether its ending makes it a frame.
    pub fn fits(&self, path: &Path) -> bool {
        let hidden = path.file_name().and_then(|n| n.to_str()).is_none_or(|n| n.starts_with('.'));
        let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_ascii_lowercase();
        !hidden && self.endings.contains(&ending)
    }

    /// Whether it is a frame that has not been told of.
    pub fn is_new(&self, path: &Path) -> bool {
        self.fits(path) && !self.known.contains(&key(path))
    }

    /// It has been told of.
    pub fn known(&mut self, path: &Path) {
        self.known.insert(key(path));
    }

    /// All of these have been there before.
    pub fn all_known(&mut self, paths: &[PathBuf]) {
        self.known.extend(paths.iter().map(|p| key(p)));
    }

    /// Every frame in the tree that is not known.
    ///
    /// # Errors
    /// Why the folder itself cannot be read.
    pub fn scan(&self) -> Result<Vec<PathBuf>, Why> {
        let mut found = Vec::new();
        let mut folders = vec![(self.folder.clone(), 0)];
        let mut seen = 0;
        while let Some((folder, depth)) = folders.pop() {
            let entries = match std::fs::read_dir(&folder) {
                Ok(e) => e,
                Err(e) if depth == 0 => return Err(Why::from_io(&format!("frames folder `{}`", folder.display()), &e)),
                // A folder below that vanished or is closed to us hides its files, but not the others'.
                Err(_) => continue,
            };
            for e in entries.flatten() {
                seen += 1;
                if seen > MOST {
                    let text = format!(
                        "more than {MOST} files in `{}`: name a folder nearer to the frames",
                        self.folder.display()
                    );
                    return Err(Why::new(WhyCode::Failed, text));
                }
                let Ok(kind) = e.file_type() else { continue };
                if kind.is_dir() && depth < DEEPEST {
                    folders.push((e.path(), depth + 1));
                } else if kind.is_file() {
                    let path = e.path();
                    if self.is_new(&path) {
                        found.push(path);
                    }
                }
            }
        }
        found.sort();
        Ok(found)
    }
}

/// The kernel's file events of the tree.
pub struct Watched {
    folder: PathBuf,
    watcher: Option<RecommendedWatcher>,
    events: Option<mpsc::Receiver<notify::Result<notify::Event>>>,
    tried: Option<Stamp>,
    overrun: bool,
}

impl Watched {
    /// Watching begins with the first `keep`.
    pub fn new(folder: PathBuf) -> Watched {
        Watched { folder, watcher: None, events: None, tried: None, overrun: false }
    }

    /// Starts watching, or starts again after it failed. Without it the scan alone finds the frames, later.
    pub fn keep(&mut self, at: Stamp) {
        if self.watcher.is_some() || self.tried.is_some_and(|t| at.boot - t.boot < AGAIN) {
            return;
        }
        self.tried = Some(at);
        let (tx, rx) = mpsc::sync_channel(QUEUE);
        let made = notify::recommended_watcher(move |e| {
            // Full: the watcher's thread must not wait; the scan finds what is lost here.
            let _ = tx.try_send(e);
        });
        match made.and_then(|mut w| w.watch(&self.folder, RecursiveMode::Recursive).map(|()| w)) {
            Ok(w) => (self.watcher, self.events) = (Some(w), Some(rx)),
            Err(e) => {
                tracing::debug!(folder = %self.folder.display(), error = %e, "the frames folder is scanned, not watched")
            }
        }
    }

    /// Paths that were made, written or renamed since the last call.
    pub fn drain(&mut self) -> Vec<PathBuf> {
        let Some(rx) = &self.events else { return vec![] };
        let mut paths = Vec::new();
        let mut failed = false;
        for _ in 0..QUEUE {
            match rx.try_recv() {
                Ok(Ok(e)) => {
                    self.overrun |= e.need_rescan();
                    if e.kind.is_create() || e.kind.is_modify() || matches!(e.kind, notify::EventKind::Access(_)) {
                        paths.extend(e.paths);
                    }
                }
                Ok(Err(_)) | Err(mpsc::TryRecvError::Disconnected) => {
                    failed = true;
                    break;
                }
                Err(mpsc::TryRecvError::Empty) => break,
            }
        }
        if failed {
            (self.watcher, self.events) = (None, None);
            self.overrun = true;
        }
        paths.sort();
        paths.dedup();
        paths
    }

    /// Whether events were lost since the last call, so that a scan is due.
    pub fn overrun(&mut self) -> bool {
        std::mem::take(&mut self.overrun)
    }
}
