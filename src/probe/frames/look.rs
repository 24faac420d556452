//! Where frames may arrive, for the look around: folders of the home directory that hold FITS files, and lines to paste.

use super::fits;
use crate::probe::{Found, Group, Roots};
use std::path::{Path, PathBuf};

/// Folders that are looked into at most; a look around must stay quick.
const MOST: usize = 2000;

/// Folders with FITS files below the home directory, at most three levels down, the newest first.
pub fn found(roots: &Roots) -> Vec<Found> {
    let Some(home) = std::env::var_os("HOME").map(PathBuf::from) else { return vec![] };
    let mut with_frames = Vec::new();
    let mut folders = vec![(roots.path(&home), 0)];
    let mut looked = 0;
    while let Some((folder, depth)) = folders.pop() {
        looked += 1;
        if looked > MOST {
            break;
        }
        let Ok(entries) = std::fs::read_dir(&folder) else { continue };
        let mut newest = None;
        for e in entries.flatten() {
            let Ok(kind) = e.file_type() else { continue };
            let hidden = e.file_name().to_string_lossy().starts_with('.');
            if kind.is_dir() && !hidden && depth < 3 {
                folders.push((e.path(), depth + 1));
            } else if kind.is_file() && fits::is_fits(Path::new(&e.file_name())) {
                newest = newest.max(e.metadata().ok().and_then(|m| m.modified().ok()));
            }
        }
        if let Some(t) = newest {
            with_frames.push((t, folder));
        }
    }
    with_frames.sort_by_key(|f| std::cmp::Reverse(f.0));
    with_frames
        .into_iter()
        .take(3)
        .map(|(_, folder)| {
            let lines = vec!["[frames]".into(), format!("folder = {:?}", folder.display().to_string())];
            Found::with_lines(Group::Frames, format!("frames in {}", folder.display()), lines, "holds FITS files")
        })
        .collect()
}
