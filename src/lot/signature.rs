//! A signature beside the seal: optional, in a format that a public tool checks.
//!
//! What is signed is `SHA256SUMS`, which has the hash of every other file; the
//! signature lies beside it as `SHA256SUMS.sig` (OpenSSH's SSHSIG, in the
//! namespace [`NAMESPACE`]). Whose it is and how it is made is the [`Signer`]'s.
//!
//! A signature is in the chain as a seal is, under the lot's name, a slash and
//! the file's name; so one that was changed, taken away or put there by
//! somebody else is found like any byte of the lot. It counts for the seal
//! before it: a lot that is sealed again has lost its signature, and is signed
//! again.
//!
//! The lot is whole and sealed before it is signed, and stays so where signing
//! fails: a missing key must never cost a record. While the signature is put in
//! place an intent lies in `DATA/sealing/`, as for a seal.
//!
//! Deliberately absent: keys, programs, and whom to trust.

use std::fmt;

use super::at::At;
use super::seal::{Chain, Difference, Link, SUMS, sha256};
use super::store::{LotError, Store};

/// The signature's file in a lot's folder.
pub const SIGNATURE: &str = "SHA256SUMS.sig";

/// What the signature is for: one for something else is none for a lot.
pub const NAMESPACE: &str = "curdtrace-lot";

/// How an intent begins that is about a signature only.
const INTENT: &str = "the signature of lot ";

/// Makes signatures.
pub trait Signer: fmt::Debug + Send + Sync {
    /// The signature of `text` in [`NAMESPACE`], as the file is to hold it. It
    /// must come, or fail, within seconds.
    ///
    /// # Errors
    /// Why there is none, and what to do.
    fn sign(&self, text: &[u8]) -> Result<Vec<u8>, String>;
}

/// Under which name a lot's signature stands in the chain.
fn signature_name(lot: &str) -> String {
    format!("{lot}/{SIGNATURE}")
}

impl Chain {
    /// The signature of a lot's newest seal, where there is one.
    pub fn signature_of(&self, lot: &str) -> Option<&Link> {
        let sealed = self.seal_of(lot)?.number;
        self.seal_of(&signature_name(lot)).filter(|l| l.number > sealed)
    }
}

impl Link {
    /// Whether it is a lot's seal, and not the signature of one.
    pub fn is_seal(&self) -> bool {
        !self.lot.contains('/')
    }
}

/// What differs between the signature that is there (its hash) and the chain's.
pub(super) fn compare(there: Option<&str>, chain: Option<&Link>) -> Option<Difference> {
    match (there, chain) {
        (None, Some(_)) => Some(Difference::Removed(SIGNATURE.into())),
        (Some(_), None) => Some(Difference::Added(SIGNATURE.into())),
        (Some(hash), Some(link)) if hash != link.sums => Some(Difference::Changed(SIGNATURE.into())),
        _ => None,
    }
}

impl Store {
    /// Signs a sealed lot.
    ///
    /// # Errors
    /// Why it is not signed, in words. It is sealed as before.
    pub(crate) fn sign(&self, lot: &str, signer: &dyn Signer, at: At) -> Result<(), String> {
        let sums = self.folder(lot).join(SUMS);
        let text = self.storage.read(&sums).map_err(|e| LotError::io("cannot read", &sums)(e).to_string())?;
        let signature = signer.sign(&text)?;
        self.put_signature(lot, &signature, at).map_err(|e| e.to_string())
    }

    fn put_signature(&self, lot: &str, signature: &[u8], at: At) -> Result<(), LotError> {
        let intent = self.put_intent(lot, &format!("{INTENT}{lot} is being put in place since {at}\n"))?;
        let path = self.folder(lot).join(SIGNATURE);
        self.storage.replace(&path, signature).map_err(LotError::io("cannot write", &path))?;
        self.append_link(&self.chain()?, at, &signature_name(lot), &sha256(signature))?;
        self.remove_intent(&intent)
    }

    /// A signing that was cut short never was; whether the intent was one.
    pub(super) fn undo_signing(&self, lot: &str) -> Result<bool, LotError> {
        let intent = self.intent_path(lot);
        let what = self.storage.read(&intent).map_err(LotError::io("cannot read", &intent))?;
        if !what.starts_with(INTENT.as_bytes()) {
            return Ok(false);
        }
        self.drop_leftovers(lot)?;
        if self.chain()?.signature_of(lot).is_none() {
            self.drop_signature(lot)?;
        }
        self.remove_intent(&intent)?;
        Ok(true)
    }

    /// The signature of a former seal goes.
    pub(super) fn drop_signature(&self, lot: &str) -> Result<(), LotError> {
        let path = self.folder(lot).join(SIGNATURE);
        if self.storage.remove_if_there(&path).map_err(LotError::io("cannot remove", &path))? {
            let dir = self.folder(lot);
            self.storage.sync_dir(&dir).map_err(LotError::io("cannot sync", &dir))?;
        }
        Ok(())
    }
}
