//! A file of ours that cannot be read is put aside under another name: it is in nobody's
//! way, and nothing of it is lost.

use std::io;
use std::path::{Path, PathBuf};

/// So many are kept beside one.
const MOST: u32 = 1000;

/// Names it `FILE.damaged-1`, or the next number that is free; where it is now.
///
/// # Errors
/// Why it stays where it is.
pub(super) fn put_aside(path: &Path) -> io::Result<PathBuf> {
    for n in 1..=MOST {
        let mut aside = path.as_os_str().to_owned();
        aside.push(format!(".damaged-{n}"));
        let aside = PathBuf::from(aside);
        if aside.symlink_metadata().is_err() {
            std::fs::rename(path, &aside)?;
            return Ok(aside);
        }
    }
    Err(io::Error::other("too many are beside it already"))
}
