//! Sealings and signings that were cut short are ended, at the next opening.

use super::Lots;
use crate::lot::id;
use crate::lot::store::LotError;

impl Lots {
    /// Ends what was begun, and gives it in words. What cannot be ended now
    /// keeps its intent, for the next opening.
    pub(super) fn finish_sealings(&mut self) -> Result<Vec<String>, LotError> {
        let dir = self.store.data.join("sealing");
        let names = self.store.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        let mut done = Vec::new();
        for lot in names.into_iter().filter(|n| id::is_fit(n)) {
            match self.finish(&lot) {
                Ok(words) => done.extend(words),
                Err(e) => self
                    .troubles
                    .push(format!("the sealing of lot {lot} was cut short and cannot be finished yet: {e}")),
            }
        }
        Ok(done)
    }

    fn finish(&self, lot: &str) -> Result<Option<String>, LotError> {
        let intent = self.store.intent_path(lot);
        if !self.store.has(lot)? {
            self.store.remove_intent(&intent)?;
            return Ok(None);
        }
        if self.store.undo_signing(lot)? {
            return Ok(Some(format!("the signing of lot {lot} had been cut short; it is sealed as before")));
        }
        let mut record = self.store.load(lot)?;
        let Some(closed) = record.closed else {
            // It never got as far as `lot.toml`: it is open as before.
            self.store.remove_intent(&intent)?;
            return Ok(None);
        };
        let latest = record.corrections.iter().map(|c| c.at).max().unwrap_or(closed).max(closed);
        // Where the trace is as it was sealed, the journal's days may be gone.
        let stands = self.store.trace_stands(lot)?;
        let found = if stands { None } else { Some(self.store.draw(&mut record, closed)?) };
        self.store.seal(&mut record, found.as_ref(), latest)?;
        let text = format!("the sealing of lot {lot} had been cut short; it is sealed now");
        Ok(Some(self.sealed(&record, text, latest).text))
    }
}
