//! A file put whole in another's place: written beside it, synced, renamed. At any moment
//! the old one or the new one bears the name.
//!
//! What is written beside bears the process's number, and one is written at a time, so that
//! two who write the same file do not write into one another's.
//!
//! Deliberately absent: the record's files. They go by the storage of the journal, which
//! tests put a twin in the place of.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Puts `text` in place of the file at `path`, which others than its owner may do with what
/// `mode` says (as `chmod` has it, less the process's own mask).
///
/// # Errors
/// What the disk says; then the old one is there as before.
///
/// ```
/// use curdtrace::config::whole_file;
/// let folder = tempfile::tempdir().unwrap();
/// let file = folder.path().join("plan.toml");
/// whole_file::put(&file, "name = \"Wheel\"\n", 0o644).unwrap();
/// whole_file::settle(&file).unwrap();
/// assert_eq!(std::fs::read_to_string(&file).unwrap(), "name = \"Wheel\"\n");
/// ```
pub fn put(path: &Path, text: &str, mode: u32) -> io::Result<()> {
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _turn = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(format!(".{}.new", std::process::id()));
    let beside = folder_of(path).join(name);
    let mut options = OpenOptions::new();
    let written =
        options.write(true).create(true).truncate(true).mode(mode).open(&beside).and_then(|mut f| {
            f.write_all(text.as_bytes())?;
            f.sync_all()
        });
    let done = written.and_then(|()| fs::rename(&beside, path));
    if done.is_err() {
        // The half-written file is of no use to anybody; the first error counts.
        let _ = fs::remove_file(&beside);
    }
    done
}

/// Makes the name durable that [`put`] gave: until then a power cut may bring the old file
/// back.
///
/// # Errors
/// What the disk says.
pub fn settle(path: &Path) -> io::Result<()> {
    File::open(folder_of(path))?.sync_all()
}

fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.into(),
        _ => PathBuf::from("."),
    }
}
