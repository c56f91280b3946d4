//! Whether the journal's older days are as they were written: looked at once after each
//! start, a day at a time, beside everything else.
//!
//! A start reads the recent past only, and a lot its own days. What has rotted elsewhere
//! would be found when it is wanted, perhaps in a year; found now, there may be a copy.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use crate::journal::recover::{Damage, inspect};
use crate::journal::storage::Storage;

/// Between two segments: a card has other things to do.
const PAUSE: Duration = Duration::from_secs(1);

/// Looks through the journal in `dir` on a thread of its own, which nobody waits for.
/// What is damaged and not `known` is copied to quarantine and said.
pub(super) fn begin(storage: Arc<dyn Storage>, dir: PathBuf, known: Vec<Damage>) {
    let look = move || say(&*storage, &dir, &known, || std::thread::sleep(PAUSE));
    if let Err(e) = std::thread::Builder::new().name("audit".into()).spawn(look) {
        tracing::warn!("the journal's older days are not looked through: {e}");
    }
}

fn say(storage: &dyn Storage, dir: &Path, known: &[Damage], pause: impl FnMut()) {
    match inspect(storage, dir, pause) {
        Ok(found) => {
            for damage in found.iter().filter(|d| !known.contains(d)) {
                tracing::error!("{damage}");
            }
        }
        Err(e) => tracing::warn!("the journal's older days cannot be looked through: {e}"),
    }
}
