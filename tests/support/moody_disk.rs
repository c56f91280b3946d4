//! The real disk with moods: full, failing to sync, slow. Each can be switched
//! while the daemon runs.

use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use curdtrace::journal::storage::{Disk, Kind, Sink, Storage};

/// What is wrong with the disk now.
#[derive(Debug, Default)]
pub struct Moods {
    /// No room: every write fails.
    pub full: AtomicBool,
    /// No room for the journal, and for everything else there is.
    pub journal_full: AtomicBool,
    /// It can only be read.
    pub read_only: AtomicBool,
    /// Every sync fails.
    pub sync_fails: AtomicBool,
    /// Every sync takes so long, ms; one that runs ends when this is lowered.
    pub slow_ms: AtomicU64,
    /// Syncs that ended well.
    pub synced: AtomicU64,
    /// A file of whose bytes the disk does not give these.
    pub bad_sectors: Mutex<Option<(PathBuf, Range<u64>)>>,
    /// Once the first file is put in its place, somebody takes the second one away.
    pub taken_away: Mutex<Option<(PathBuf, PathBuf)>>,
}

/// A disk with moods.
#[derive(Debug, Clone, Default)]
pub struct MoodyDisk(pub Arc<Moods>);

impl MoodyDisk {
    fn room(&self, for_journal: bool) -> io::Result<()> {
        let full =
            self.0.full.load(Ordering::SeqCst) || (for_journal && self.0.journal_full.load(Ordering::SeqCst));
        if full { Err(io::ErrorKind::StorageFull.into()) } else { self.takes() }
    }

    fn takes(&self) -> io::Result<()> {
        if self.0.read_only.load(Ordering::SeqCst) {
            return Err(io::ErrorKind::ReadOnlyFilesystem.into());
        }
        Ok(())
    }
}

#[derive(Debug)]
struct MoodySink {
    sink: Box<dyn Sink>,
    disk: MoodyDisk,
    journal: bool,
}

fn is_journal(file: &Path) -> bool {
    file.parent().is_some_and(|folder| folder.ends_with("journal"))
}

impl Sink for MoodySink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.disk.room(self.journal)?;
        self.sink.write(bytes)
    }
    fn sync(&mut self) -> io::Result<()> {
        let mut waited_ms = 0;
        while waited_ms < self.disk.0.slow_ms.load(Ordering::SeqCst) {
            std::thread::sleep(Duration::from_millis(5));
            waited_ms += 5;
        }
        if self.disk.0.sync_fails.load(Ordering::SeqCst) {
            return Err(io::Error::from_raw_os_error(5));
        }
        self.sink.sync()?;
        self.disk.0.synced.fetch_add(1, Ordering::SeqCst);
        Ok(())
    }
}

impl Storage for MoodyDisk {
    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        Disk.list(dir)
    }
    fn kind(&self, path: &Path) -> io::Result<Kind> {
        Disk.kind(path)
    }
    fn len(&self, file: &Path) -> io::Result<u64> {
        Disk.len(file)
    }
    fn read_at(&self, file: &Path, offset: u64, len: usize) -> io::Result<Vec<u8>> {
        let bad = self.0.bad_sectors.lock().unwrap_or_else(PoisonError::into_inner);
        let hits = |of: &Range<u64>| of.start < offset + len as u64 && offset < of.end;
        if bad.as_ref().is_some_and(|(of, bytes)| of == file && hits(bytes)) {
            return Err(io::Error::from_raw_os_error(5));
        }
        Disk.read_at(file, offset, len)
    }
    fn create(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        let journal = is_journal(file);
        self.room(journal)?;
        Ok(Box::new(MoodySink { sink: Disk.create(file)?, disk: self.clone(), journal }))
    }
    fn append(&self, file: &Path) -> io::Result<Box<dyn Sink>> {
        self.takes()?;
        Ok(Box::new(MoodySink { sink: Disk.append(file)?, disk: self.clone(), journal: is_journal(file) }))
    }
    fn cut(&self, file: &Path, len: u64) -> io::Result<()> {
        self.takes()?;
        Disk.cut(file, len)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.takes()?;
        Disk.rename(from, to)?;
        let taken = self.0.taken_away.lock().unwrap_or_else(PoisonError::into_inner);
        match &*taken {
            Some((there, away)) if there == to => Disk.remove(away),
            _ => Ok(()),
        }
    }
    fn remove(&self, file: &Path) -> io::Result<()> {
        self.takes()?;
        Disk.remove(file)
    }
    fn make_dir(&self, dir: &Path) -> io::Result<()> {
        if !dir.is_dir() {
            self.takes()?;
        }
        Disk.make_dir(dir)
    }
    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        Disk.sync_dir(dir)
    }
    fn free_share(&self, dir: &Path) -> io::Result<f64> {
        Disk.free_share(dir)
    }
}
