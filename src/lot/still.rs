//! Reading a lot while another process may be sealing it.
//!
//! A sealing leaves its intent before it changes the first file, and takes it
//! away after the chain has its line. So what was read while no intent lay
//! there, under one chain before and after, belongs together. Else it is read
//! again: with the folder held for the moment where no daemon has it, so that
//! commands one after the other leave room, and what a killed process left is
//! what there is. Where all is quiet nothing is locked, and no daemon kept from
//! starting.

use std::io;

use super::hold::Shared;
use super::seal::Chain;
use super::store::{LotError, Store};

/// So often it is read again.
const TRIES: u32 = 100;

/// Between them, so often whether the folder is free, a pause between: commands
/// one after the other leave it so for a few milliseconds.
const LOOKS: u32 = 20;

/// A torn end of the chain is an append that goes on, for so many looks.
const TRIES_TORN: u32 = 200;

/// What tells whether a lot was left alone.
#[derive(PartialEq, Eq)]
struct Around {
    chain: Vec<u8>,
    sealing: bool,
}

impl Store {
    /// What `read` gives of a lot that nobody seals meanwhile, with the chain then;
    /// `pause` is called between two tries.
    ///
    /// # Errors
    /// What `read` says, [`LotError::BeingSealed`] where it never was left alone.
    pub fn still<T>(
        &self,
        lot: &str,
        pause: &dyn Fn(),
        mut read: impl FnMut(&Chain) -> Result<T, LotError>,
    ) -> Result<T, LotError> {
        for _ in 0..TRIES {
            let before = self.around(lot)?;
            let found = read(&Chain::parse(&before.chain));
            if !before.sealing && self.around(lot)? == before {
                return found;
            }
            for _ in 0..LOOKS {
                if let Some(_held) = Shared::take(&self.data) {
                    return read(&self.chain()?);
                }
                pause();
            }
        }
        Err(LotError::BeingSealed(lot.into()))
    }

    /// The chain of seals, where another process may be appending to it.
    ///
    /// # Errors
    /// [`LotError::Io`].
    pub fn still_chain(&self, pause: &dyn Fn()) -> Result<Chain, LotError> {
        let mut chain = self.chain()?;
        for _ in 0..TRIES_TORN {
            if chain.is_whole() {
                break;
            }
            if let Some(_held) = Shared::take(&self.data) {
                return self.chain();
            }
            pause();
            chain = self.chain()?;
        }
        Ok(chain)
    }

    /// Whether a lot's sealing was begun and not ended: it goes on, or was cut short.
    ///
    /// # Errors
    /// [`LotError::Io`].
    pub fn is_being_sealed(&self, lot: &str) -> Result<bool, LotError> {
        let intent = self.intent_path(lot);
        Ok(super::id::is_fit(lot)
            && self.storage.has(&intent).map_err(LotError::io("cannot look for", &intent))?)
    }

    fn around(&self, lot: &str) -> Result<Around, LotError> {
        let (chain, sealing) = (self.chain_path(), self.is_being_sealed(lot)?);
        let chain = match self.storage.read(&chain) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(e) => return Err(LotError::io("cannot read", &chain)(e)),
        };
        Ok(Around { chain, sealing })
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;
    use crate::lot::hold::Hold;

    /// An export beside a sealing handed over half of it, and `verify` took it for
    /// a lot that is not as it was closed.
    #[test]
    fn what_changed_underneath_is_read_again() {
        let dir = tempfile::tempdir().unwrap();
        let data = dir.path();
        let store = Store::on_disk(data);
        let intent = data.join("sealing/a-1");
        std::fs::create_dir_all(data.join("sealing")).unwrap();
        let owner = Hold::take(data).unwrap().unwrap();
        let reads = Cell::new(0);
        let pause = || _ = std::fs::remove_file(&intent);
        let found = store.still("a-1", &pause, |_| {
            reads.set(reads.get() + 1);
            match reads.get() {
                // A sealing begins while it is read, and goes on.
                1 => std::fs::write(&intent, "").unwrap(),
                // A whole one passes.
                2 => std::fs::write(data.join("chain.txt"), "a line\n").unwrap(),
                _ => {}
            }
            Ok(reads.get())
        });
        assert_eq!(found.unwrap(), 3);
        // One that never ends is said to go on, unless nobody is at it.
        std::fs::write(&intent, "").unwrap();
        let busy = store.still("a-1", &|| {}, |_| Ok(())).unwrap_err();
        assert_eq!(busy.exit_code(), 69);
        drop(owner);
        store.still("a-1", &|| {}, |_| Ok(())).unwrap();
    }
}
