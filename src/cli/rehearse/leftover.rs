//! What an interrupted rehearsal left: a make that runs on, and its lot. Both are ended before
//! the next day begins, or that day's milk would be the old make's.

use std::path::Path;

use super::live::{Live, MAKER};
use crate::cli::error::Failure;
use crate::journal::storage::Disk;
use crate::lot::at::At;
use crate::lot::inbox::{Ask, Inbox, Request};

/// A make is over within so many seconds of the clock once somebody ends it.
const ENDS_WITHIN_S: u32 = 120;

impl Live {
    /// Ends what was left, and waits until its lot is sealed.
    ///
    /// # Errors
    /// The lot is not sealed.
    pub async fn end_what_was_left(&mut self, data: &Path) -> Result<(), Failure> {
        let left = self.open_lot();
        // Where none runs there is nothing to end.
        self.end_make();
        let Some(lot) = left else { return Ok(()) };
        tracing::info!("lot {lot} was left open by a rehearsal that was interrupted; it is closed now");
        for _ in 0..ENDS_WITHIN_S {
            if self.open_lot().as_ref() != Some(&lot) {
                return Ok(());
            }
            self.let_pass().await;
        }
        // No make ran any more.
        let folder = data.join("lots").join(&lot);
        let close =
            Request { at: At(self.now_ns()), by: Some(MAKER.into()), ask: Ask::Close { lot: lot.clone() } };
        let asked = Inbox::of(&Disk, data).and_then(|inbox| inbox.ask(&close, std::process::id()));
        asked.map_err(|e| Failure::io(format!("{} is not closed ({e})", folder.display())))?;
        self.until_sealed(&lot, &folder).await
    }
}
