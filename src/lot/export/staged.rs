//! Files that stand aside until all of them are there, were read back and are the same;
//! then each takes its place. Where one cannot be written (a full stick) what lay there
//! stays as it was, and nothing of ours is left beside it.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::ExportError;
use crate::journal::storage::{Disk, Storage as _, aside};
use crate::lot::seal::sha256;

/// What stands aside.
#[derive(Debug, Default)]
pub(super) struct Staged(Vec<PathBuf>);

impl Staged {
    /// Where to write what is to stand at `path`, in a folder that is there.
    ///
    /// # Errors
    /// [`ExportError::Write`].
    pub fn begin(&mut self, path: &Path) -> Result<PathBuf, ExportError> {
        Disk.make_dir(folder_of(path)).map_err(ExportError::write(path))?;
        self.0.push(path.into());
        Ok(aside(path))
    }

    /// Writes a file aside and reads it back.
    ///
    /// # Errors
    /// [`ExportError::Write`], [`ExportError::Different`].
    pub fn add(&mut self, path: &Path, bytes: &[u8]) -> Result<(), ExportError> {
        let aside = self.begin(path)?;
        let written = || -> io::Result<Vec<u8>> {
            let mut file = File::create(&aside)?;
            file.write_all(bytes)?;
            settle(&file)?;
            drop(file);
            fs::read(&aside)
        };
        let back = written().map_err(ExportError::write(path))?;
        if sha256(&back) == sha256(bytes) { Ok(()) } else { Err(ExportError::Different(path.into())) }
    }

    /// Puts all in their places; how many.
    ///
    /// # Errors
    /// [`ExportError::Write`].
    pub fn put(mut self) -> Result<usize, ExportError> {
        let many = self.0.len();
        while let Some(path) = self.0.last() {
            let placed = || {
                fs::rename(aside(path), path)?;
                File::open(folder_of(path))?.sync_all()
            };
            placed().map_err(ExportError::write(path))?;
            self.0.pop();
        }
        Ok(many)
    }
}

impl Drop for Staged {
    fn drop(&mut self) {
        for path in &self.0 {
            // Best effort: a leftover is overwritten by the next try.
            let _ = fs::remove_file(aside(path));
        }
    }
}

/// Syncs a file and has the system forget it, so that what is read back comes from the
/// disk and not from memory. Where it does not forget, memory is what there is to compare.
///
/// # Errors
/// Whatever the disk says.
pub(super) fn settle(file: &File) -> io::Result<()> {
    file.sync_all()?;
    let _ = rustix::fs::fadvise(file, 0, None, rustix::fs::Advice::DontNeed);
    Ok(())
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
