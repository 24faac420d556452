//! Files that appear whole or not at all: written beside their place, then moved over it.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file being written. Dropped before [`WholeFile::finish`], it leaves nothing behind.
#[derive(Debug)]
pub struct WholeFile {
    out: Option<BufWriter<File>>,
    beside: PathBuf,
    place: PathBuf,
}

impl WholeFile {
    /// Begins to write `place`.
    ///
    /// # Errors
    /// When its folder cannot be written to.
    pub fn begin(place: &Path) -> io::Result<WholeFile> {
        let name = place.file_name().ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "it names no file"))?;
        if place.is_dir() {
            return Err(io::Error::new(io::ErrorKind::IsADirectory, "it is a folder"));
        }
        let mut hidden = std::ffi::OsString::from(".");
        hidden.push(name);
        // The number of the process keeps two writers of one report apart.
        hidden.push(format!(".{}.part", std::process::id()));
        let beside = place.with_file_name(hidden);
        let out = BufWriter::new(File::create(&beside)?);
        Ok(WholeFile { out: Some(out), beside, place: place.into() })
    }

    /// Brings it to its place.
    ///
    /// # Errors
    /// When the disk refuses; then nothing is left behind.
    pub fn finish(mut self) -> io::Result<()> {
        if let Some(out) = self.out.take() {
            let file = out.into_inner().map_err(|e| e.into_error())?;
            // On the disk before it has its name: after a power cut there is the old report or the new one, never half of one.
            file.sync_all()?;
        }
        fs::rename(&self.beside, &self.place)
    }
}

impl Write for WholeFile {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        match &mut self.out {
            Some(o) => o.write(buf),
            None => Ok(0),
        }
    }
    fn flush(&mut self) -> io::Result<()> {
        self.out.as_mut().map_or(Ok(()), Write::flush)
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        // After a finish there is nothing under this name any more.
        let _ = fs::remove_file(&self.beside);
    }
}

/// Writes a whole file at once.
///
/// # Errors
/// When the disk refuses; the old file, if any, is untouched then.
pub fn write_whole(place: &Path, content: &[u8]) -> io::Result<()> {
    let mut f = WholeFile::begin(place)?;
    f.write_all(content)?;
    f.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("report.txt");
        write_whole(&place, b"first").unwrap();
        let mut half = WholeFile::begin(&place).unwrap();
        half.write_all(b"second, cut sh").unwrap();
        drop(half);
        assert_eq!(fs::read(&place).unwrap(), b"first");
        write_whole(&place, b"third").unwrap();
        assert_eq!(fs::read(&place).unwrap(), b"third");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        assert!(write_whole(dir.path(), b"").is_err());
        assert!(write_whole(&dir.path().join("no/such/folder"), b"").is_err());
    }
}
