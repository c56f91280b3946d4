//! How much room the disk has left, and a word before it is full.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::journal::storage::Storage;

/// It is looked at so often, nanoseconds of the daemon's clock.
const LOOK_EVERY_NS: u64 = 60_000_000_000;

/// Watches how much room is left.
#[derive(Debug)]
pub struct FreeSpace {
    storage: Arc<dyn Storage>,
    folder: PathBuf,
    warn_percent: f64,
    next_ns: u64,
    /// That there is too little has been said.
    told: bool,
}

impl FreeSpace {
    /// Watches the disk under `folder`; less free space than `warn_percent` is
    /// worth a word.
    pub fn of(storage: Arc<dyn Storage>, folder: &Path, warn_percent: f64) -> Self {
        Self { storage, folder: folder.into(), warn_percent, next_ns: 0, told: false }
    }

    /// Looks where it is time to; words for the log, once while there is too little.
    pub fn look(&mut self, now_ns: u64) -> Option<String> {
        if now_ns < self.next_ns {
            return None;
        }
        self.next_ns = now_ns.saturating_add(LOOK_EVERY_NS);
        // A disk that does not say is seen by the next write to it.
        let share = self.storage.free_share(&self.folder).ok()?;
        let scarce = share * 100.0 < self.warn_percent;
        let (folder, percent) = (self.folder.display(), share * 100.0);
        let told = std::mem::replace(&mut self.told, scarce);
        (scarce && !told)
            .then(|| format!("the disk at {folder} has {percent:.0} % free; make room before it is full"))
    }
}
