//! Whether a lot's folder is as it was closed.
//!
//! Every name in the folder counts, and only what lies there itself: a file
//! that was replaced by a link to the same bytes is no longer in the lot's
//! folder. What differs is told as a [`Difference`], never as an error, so that
//! one odd file hides nothing of the others; a pipe is not waited for.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::Path;

use super::seal::{Chain, Difference, SUMS, compare, parse_sums, sha256};
use super::signature::{self, SIGNATURE};
use super::store::{LotError, Store};
use crate::journal::storage::Kind;

/// What curdtrace itself puts into a lot's folder.
pub(crate) const FILES: [&str; 7] =
    ["lot.toml", "trace.lp", "trace.csv", "events.jsonl", "sheet.html", SUMS, SIGNATURE];

/// Those of them that are drawn from the journal and nothing else.
const TRACE_FILES: [&str; 3] = ["trace.lp", "trace.csv", "events.jsonl"];

/// A folder's files with their SHA-256, by name, and the names that have none.
type Hashes = (BTreeMap<String, String>, BTreeMap<String, Difference>);

impl Store {
    /// What differs between a lot and its newest seal; nothing where it is as
    /// it was closed.
    ///
    /// # Errors
    /// [`LotError::NoSuchLot`] where neither folder nor seal is there,
    /// [`LotError::Io`].
    pub fn verify(&self, lot: &str, chain: &Chain) -> Result<Vec<Difference>, LotError> {
        let dir = self.folder(lot);
        let Some(seal) = chain.seal_of(lot).filter(|_| super::id::is_fit(lot)) else {
            return Ok(vec![match self.load(lot) {
                Ok(record) if record.is_closed() => Difference::Unsealed,
                Ok(_) => Difference::Open,
                Err(e @ LotError::NoSuchLot { .. }) => return Err(e),
                Err(LotError::NoRecord { .. }) => Difference::Removed("lot.toml".into()),
                Err(e) => Difference::Unreadable(e.to_string()),
            }]);
        };
        match self.storage.kind(&dir) {
            Ok(Kind::Folder) => {}
            Ok(_) => return Ok(vec![Difference::NoFolder]),
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(vec![Difference::Gone]),
            Err(e) => return Err(LotError::io("cannot look at", &dir)(e)),
        }
        let (mut files, odd) = self.hashes(lot)?;
        let signature = files.remove(SIGNATURE);
        let mut found: Vec<Difference> = Vec::new();
        match self.bytes_of(&dir, SUMS) {
            Ok(sums) => found.extend(compare(&files, &String::from_utf8_lossy(&sums), seal)),
            Err(why) => found.push(why),
        }
        if !odd.contains_key(SIGNATURE) {
            found.extend(signature::compare(signature.as_deref(), chain.signature_of(lot)));
        }
        // What is there and is no file is not also gone.
        found.retain(|d| !matches!(d, Difference::Removed(name) if odd.contains_key(name)));
        found.splice(..0, odd.into_values());
        Ok(found)
    }

    /// The files of a lot's folder, `SHA256SUMS` left out.
    pub(crate) fn hashes(&self, lot: &str) -> Result<Hashes, LotError> {
        let dir = self.folder(lot);
        let names = self.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        let (mut files, mut odd) = (BTreeMap::new(), BTreeMap::new());
        for name in names.into_iter().filter(|n| n != SUMS) {
            match self.bytes_of(&dir, &name) {
                Ok(bytes) => {
                    files.insert(name, sha256(&bytes));
                }
                Err(why) => {
                    odd.insert(name, why);
                }
            }
        }
        Ok((files, odd))
    }

    /// A file's bytes, or why it has none.
    fn bytes_of(&self, dir: &Path, name: &str) -> Result<Vec<u8>, Difference> {
        let path = dir.join(name);
        let read = || match self.storage.kind(&path)? {
            Kind::File => self.storage.read(&path).map(Some),
            Kind::Folder | Kind::Other => Ok(None),
        };
        match read() {
            Ok(Some(bytes)) => Ok(bytes),
            Ok(None) => Err(Difference::NotPlain(name.into())),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Err(Difference::Removed(name.into())),
            Err(e) => Err(Difference::Unreadable(format!("{name} cannot be read ({e})"))),
        }
    }

    /// Whether a lot's trace and events are as its `SHA256SUMS` has them, so
    /// that they need not be drawn from the journal again.
    pub(crate) fn trace_stands(&self, lot: &str) -> Result<bool, LotError> {
        let (files, _) = self.hashes(lot)?;
        let Ok(sums) = self.bytes_of(&self.folder(lot), SUMS) else { return Ok(false) };
        let said = parse_sums(&String::from_utf8_lossy(&sums));
        Ok(TRACE_FILES.iter().all(|f| files.contains_key(*f) && files.get(*f) == said.get(*f)))
    }

    /// Whether a folder among the lots has a lot's files, `lot.toml` or others;
    /// a stray file or an empty folder is no lot.
    pub(crate) fn is_a_lots(&self, name: &str) -> Result<bool, LotError> {
        let dir = self.folder(name);
        let names: BTreeSet<String> = match self.storage.list(&dir) {
            Ok(names) => names.into_iter().collect(),
            Err(e) if e.kind() == io::ErrorKind::NotADirectory => return Ok(false),
            Err(e) => return Err(LotError::io("cannot list", &dir)(e)),
        };
        Ok(FILES.iter().any(|f| names.contains(*f)))
    }

    /// The first file of a lot's folder that cannot be sealed, since its bytes
    /// are not its own.
    pub(crate) fn unsealable(&self, lot: &str) -> Result<Option<Difference>, LotError> {
        let dir = self.folder(lot);
        let names = self.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        for name in names {
            let path = dir.join(&name);
            let kind = self.storage.kind(&path).map_err(LotError::io("cannot look at", &path))?;
            if kind != Kind::File {
                return Ok(Some(Difference::NotPlain(name)));
            }
        }
        Ok(None)
    }
}
