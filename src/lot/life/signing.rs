//! A sealed lot is signed, where there is somebody to sign; at once, or later.

use super::{Done, Lots};
use crate::lot::at::At;
use crate::lot::record::Record;
use crate::lot::store::LotError;

impl Lots {
    /// What to tell of a lot that was just sealed; it is signed now.
    pub(super) fn sealed(&self, record: &Record, text: String, at: At) -> Done {
        let Some(signer) = &self.signer else { return self.done(record, text) };
        match self.store.sign(&record.lot, &**signer, at) {
            Ok(()) => self.done(record, format!("{text}; signed")),
            Err(why) => {
                let lot = &record.lot;
                let text = format!("{text}; NOT SIGNED: {why}; then `curdtrace lot sign {lot}`");
                Done { unsigned: Some(why), ..self.done(record, text) }
            }
        }
    }

    /// Signs a lot that was sealed before.
    pub(super) fn sign(&self, lot: &str, at: At) -> Result<Done, LotError> {
        let record = self.store.load(lot)?;
        let Some(signer) = &self.signer else { return Err(LotError::NoSigner) };
        let chain = self.store.chain()?;
        if let Some(first) = self.store.verify(lot, &chain)?.first() {
            return Err(LotError::NotSignable { lot: lot.into(), what: first.to_string() });
        }
        if chain.signature_of(lot).is_some() {
            return Ok(self.done(&record, format!("lot {lot} is signed already")));
        }
        self.store.sign(lot, &**signer, at).map_err(|why| LotError::NotSigned { lot: lot.into(), why })?;
        Ok(self.done(&record, format!("lot {lot} is signed")))
    }
}
