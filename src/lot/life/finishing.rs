//! Sealings and signings that were cut short are ended: at the next opening, or
//! once the disk is well again.

use super::{Done, Lots};
use crate::lot::id;
use crate::lot::store::LotError;

impl Lots {
    /// Ends what the disk cut short in this process's life. What cannot be ended
    /// yet is among [`Lots::troubles`].
    ///
    /// # Errors
    /// [`LotError::Io`] where nobody can say what was begun.
    pub fn try_again(&mut self) -> Result<Vec<Done>, LotError> {
        self.troubles.clear();
        self.finish_sealings()
    }

    /// Ends what was begun. What cannot be ended now keeps its intent, for the
    /// next time.
    pub(super) fn finish_sealings(&mut self) -> Result<Vec<Done>, LotError> {
        let dir = self.store.data.join("sealing");
        let names = self.store.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        let mut done = Vec::new();
        for lot in names.into_iter().filter(|n| id::is_fit(n)) {
            match self.finish(&lot) {
                Ok(one) => done.extend(one),
                Err(e) => self
                    .troubles
                    .push(format!("the sealing of lot {lot} was cut short and cannot be finished yet: {e}")),
            }
        }
        Ok(done)
    }

    fn finish(&mut self, lot: &str) -> Result<Option<Done>, LotError> {
        let intent = self.store.intent_path(lot);
        if !self.store.has(lot)? {
            self.store.remove_intent(&intent)?;
            return Ok(None);
        }
        if self.store.undo_signing(lot)? {
            let text = format!("the signing of lot {lot} had been cut short; it is sealed as before");
            return Ok(Some(self.done(&self.store.load(lot)?, text)));
        }
        let mut record = self.store.load(lot)?;
        let Some(closed) = record.closed else {
            // It never got as far as `lot.toml`: it is open as before.
            self.store.remove_intent(&intent)?;
            return Ok(None);
        };
        let latest = record.corrections.iter().map(|c| c.at).max().unwrap_or(closed).max(closed);
        let chain = self.store.chain()?;
        if self.store.verify(lot, &chain)?.is_empty() {
            // All was done but the removal, or nothing was: sealed anew it would be
            // another seal of the same.
            self.store.remove_intent(&intent)?;
            let text = format!("the sealing of lot {lot} had been cut short; it is as it was sealed");
            let is_signed = chain.signature_of(lot).is_some();
            let done = if is_signed { self.done(&record, text) } else { self.sealed(&record, text, latest) };
            return Ok(Some(Done { closed: self.closing.remove(lot), ..done }));
        }
        // Where the trace is as it was sealed, the journal's days may be gone.
        let stands = self.store.trace_stands(lot)?;
        let found = if stands { None } else { Some(self.store.draw(&mut record, closed)?) };
        self.store.seal(&mut record, found.as_ref(), latest)?;
        let text = format!("the sealing of lot {lot} had been cut short; it is sealed now");
        let closed = self.closing.remove(lot);
        Ok(Some(Done { closed, ..self.sealed(&record, text, latest) }))
    }
}
