//! Who may change what is stored: one process at a time.
//!
//! The daemon holds `owner.lock` in the data folder while it runs; a command
//! holds it while it changes something and no daemon runs. The kernel lets go
//! of it when the process ends, however it ends.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::fchown;
use std::path::Path;

use rustix::fs::{FlockOperation, flock};

use crate::journal::storage::{Disk, Storage as _, given_over};

/// The lock's file in the data folder.
pub const LOCK: &str = "owner.lock";

/// The right to change what is stored, until dropped.
#[derive(Debug)]
pub struct Hold {
    /// Locked as long as it is open.
    _lock: File,
}

impl Hold {
    /// Takes the right; `None` where another process has it.
    ///
    /// # Errors
    /// The folder cannot be made or the file not opened.
    pub fn take(data: &Path) -> io::Result<Option<Self>> {
        let open = || {
            Disk.make_dir(data)?;
            let path = data.join(LOCK);
            let lock = OpenOptions::new().create(true).truncate(false).write(true).open(&path)?;
            given_over(&path, |uid, gid| fchown(&lock, uid, gid));
            Ok(lock)
        };
        Self::lock(open().map_err(|e| with_remedy(&e))?)
    }

    /// As [`Hold::take`], also on a disk that can only be read, where the lock is there
    /// from before: who calls people must start all the same.
    ///
    /// # Errors
    /// As [`Hold::take`].
    pub fn take_or_read(data: &Path) -> io::Result<Option<Self>> {
        match Self::take(data) {
            Err(e) if e.kind() == io::ErrorKind::ReadOnlyFilesystem => {
                Self::lock(File::open(data.join(LOCK)).map_err(|_| e)?)
            }
            taken => taken,
        }
    }

    fn lock(file: File) -> io::Result<Option<Self>> {
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Some(Self { _lock: file })),
            Err(rustix::io::Errno::WOULDBLOCK) => Ok(None),
            Err(e) => Err(e.into()),
        }
    }
}

/// The folder's fault with what can be done about it.
fn with_remedy(e: &io::Error) -> io::Error {
    let remedy = match e.kind() {
        io::ErrorKind::PermissionDenied => "run it as the user who may write there, or with sudo",
        io::ErrorKind::ReadOnlyFilesystem => {
            "mount it for writing, or copy it and name the copy with --data DIR"
        }
        io::ErrorKind::StorageFull => "make room on the disk",
        _ => "look at the folder and its disk",
    };
    io::Error::new(e.kind(), format!("{e}; {remedy}"))
}

/// That nobody changes what is stored, until dropped; others read beside it.
#[derive(Debug)]
pub struct Shared {
    /// Locked as long as it is open; none where nobody ever made the lock.
    _lock: Option<File>,
}

impl Shared {
    /// Keeps others from changing what is stored; `None` where one may be at it,
    /// or nobody can say. No file is made.
    pub fn take(data: &Path) -> Option<Self> {
        match File::open(data.join(LOCK)) {
            Ok(file) => {
                flock(&file, FlockOperation::NonBlockingLockShared).ok()?;
                Some(Self { _lock: Some(file) })
            }
            Err(e) if e.kind() == io::ErrorKind::NotFound => Some(Self { _lock: None }),
            Err(_) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_at_a_time() {
        let dir = tempfile::tempdir().unwrap();
        let first = Hold::take(dir.path()).unwrap();
        assert!(first.is_some());
        assert!(Hold::take(dir.path()).unwrap().is_none());
        assert!(Shared::take(dir.path()).is_none());
        drop(first);
        let shared = [Shared::take(dir.path()), Shared::take(dir.path())];
        assert!(shared.iter().all(Option::is_some) && Hold::take(dir.path()).unwrap().is_none());
        drop(shared);
        assert!(Hold::take(dir.path()).unwrap().is_some());
    }
}
