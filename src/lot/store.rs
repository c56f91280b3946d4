//! Where lots are kept, and reading them.
//!
//! `DATA/lots/<id>/` are the lots, `DATA/chain.txt` is the chain of their
//! seals, `DATA/sealing/<id>` is there while a lot is being sealed. Everything
//! here reads; what changes a lot is [`super::life`]'s, and whether it is as it
//! was closed the file `verify`'s.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::at::At;
use super::correct::CorrectError;
use super::record::Record;
use super::seal::Chain;
use crate::journal::JournalError;
use crate::journal::storage::{Disk, Storage};

/// So much of `lot.toml` is read for a list; what it needs stands at the top.
const HEAD_BYTES: usize = 1 << 11;

/// What the dairy is called and how it names its lots.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dairy {
    /// Its name.
    pub name: String,
    /// Its time zone, such as `Europe/Zurich`.
    pub time_zone: String,
    /// Its language, such as `de`, for the sheets.
    pub language: String,
    /// The pattern of a lot's id ([`super::id`]).
    pub lot_id: String,
}

impl Default for Dairy {
    fn default() -> Self {
        Self {
            name: "Dairy".into(),
            time_zone: "UTC".into(),
            language: "en".into(),
            lot_id: crate::config::dairy::DEFAULT_LOT_ID.into(),
        }
    }
}

/// What can fail, where, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum LotError {
    /// No such lot.
    #[error("there is no lot {lot} in {place}; `curdtrace lot list` shows what there is")]
    NoSuchLot {
        /// Its id.
        lot: String,
        /// Where it was looked for.
        place: PathBuf,
    },
    /// The id is none, or is taken.
    #[error("{0:?} cannot be a lot's id: {1}")]
    Id(String, &'static str),
    /// A lot is open on the kettle already.
    #[error("lot {lot} is open on kettle {kettle} already; close it first, or open the new one with --past")]
    AlreadyOpen {
        /// The lot.
        lot: String,
        /// The kettle.
        kettle: String,
    },
    /// No lot is open where one is needed.
    #[error("no lot is open on kettle {0}; open one with `curdtrace lot open --kettle {0}`")]
    NoneOpen(String),
    /// The lot is closed.
    #[error("lot {0} is closed; its fields can be corrected, and stretches attached")]
    Closed(String),
    /// Nobody said who.
    #[error("lot {0} is closed: say who adds to it, --by NAME")]
    Author(String),
    /// A field cannot be set.
    #[error(transparent)]
    Correct(#[from] CorrectError),
    /// The plan has faults.
    #[error("the plan has faults: {0}")]
    Plan(String),
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// No reading lies in a stretch.
    #[error("the journal has no reading of probe {probe} from {from} to {to}{hint}")]
    NoReadings {
        /// The probe.
        probe: String,
        /// From.
        from: At,
        /// To.
        to: At,
        /// What there is instead.
        hint: String,
    },
    /// The journal has fewer readings than the lot.
    #[error(
        "the journal no longer has all {had} readings of probe {probe} that lot {lot} has (it has {has}); \
         put the journal's older days back, then try again"
    )]
    Fewer {
        /// The lot.
        lot: String,
        /// The probe.
        probe: String,
        /// Readings in the lot.
        had: u64,
        /// Readings in the journal.
        has: u64,
    },
    /// The lot is not as it was closed.
    #[error(
        "lot {lot} is not as it was closed ({what}), so that nothing is added to it; put it back from a copy"
    )]
    NotAsSealed {
        /// The lot.
        lot: String,
        /// What differs.
        what: String,
    },
    /// One that is not as it was closed is not handed over.
    #[error(
        "lot {lot} is not as it was closed ({what}) and is not handed over; put it back from a copy \
         and keep the one found for whoever asks"
    )]
    NotHandedOver {
        /// The lot.
        lot: String,
        /// What differs.
        what: String,
    },
    /// Its sealing was cut short.
    #[error(
        "the sealing of lot {lot} was cut short ({what}) and it is not handed over yet; the next command \
         that writes, or the daemon's start, finishes it: then try again"
    )]
    CutShort {
        /// The lot.
        lot: String,
        /// What differs.
        what: String,
    },
    /// Its folder is there, its record is not.
    #[error("lot {lot} has no lot.toml any more; put it back from a copy")]
    NoRecord {
        /// The lot.
        lot: String,
    },
    /// Something in its folder cannot be sealed.
    #[error("lot {lot} cannot be sealed, since {what}; take it out of {folder}, then try again")]
    NotSealable {
        /// The lot.
        lot: String,
        /// What is in the way.
        what: String,
        /// Its folder.
        folder: PathBuf,
    },
    /// Another process seals it, and goes on.
    #[error("lot {0} is being sealed by another process just now; try again in a moment")]
    BeingSealed(String),
    /// There is nobody to sign.
    #[error("no key is configured; name one in the configuration: [signing] key = \"…\"")]
    NoSigner,
    /// What is not whole is not signed.
    #[error("lot {lot} is not signed, since {what}")]
    NotSignable {
        /// The lot.
        lot: String,
        /// What differs.
        what: String,
    },
    /// Signing failed.
    #[error("lot {lot} is not signed: {why}")]
    NotSigned {
        /// The lot.
        lot: String,
        /// Why.
        why: String,
    },
    /// The disk.
    #[error("{what} {path}: {source}; look at the disk, then try again")]
    Io {
        /// What was tried.
        what: &'static str,
        /// Where.
        path: PathBuf,
        /// What the disk says.
        source: io::Error,
    },
    /// The dairy's limits have faults, one a line.
    #[error("{0}")]
    Limits(String),
    /// A file is not what it should be.
    #[error("{path} cannot be understood: {why}; put it back from a copy")]
    File {
        /// Where.
        path: PathBuf,
        /// Why.
        why: String,
    },
}

impl LotError {
    /// The exit code of a command that fails so (sysexits).
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Id(..) | Self::Author(_) | Self::Correct(_) => 64,
            Self::AlreadyOpen { .. }
            | Self::Closed(_)
            | Self::NotAsSealed { .. }
            | Self::NotHandedOver { .. }
            | Self::CutShort { .. }
            | Self::NoRecord { .. }
            | Self::NotSealable { .. }
            | Self::NotSignable { .. }
            | Self::File { .. }
            | Self::Fewer { .. } => 65,
            Self::NoSuchLot { .. } | Self::NoneOpen(_) | Self::NoReadings { .. } => 66,
            Self::NotSigned { .. } | Self::BeingSealed(_) => 69,
            Self::Plan(_) | Self::Limits(_) | Self::NoSigner => 78,
            Self::Journal(_) | Self::Io { .. } => 74,
        }
    }

    pub(crate) fn io(what: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Io { what, path, source }
    }
}

/// Where lots are kept. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Store {
    pub(crate) storage: Arc<dyn Storage>,
    pub(crate) data: PathBuf,
}

impl Store {
    /// The lots of a data folder; touches nothing.
    pub fn at(storage: Arc<dyn Storage>, data: &Path) -> Self {
        Self { storage, data: data.into() }
    }

    /// The lots of a data folder on the machine's own disk.
    pub fn on_disk(data: &Path) -> Self {
        Self::at(Arc::new(Disk), data)
    }

    /// A file of a lot's folder as it stands there. What is no file, such as a
    /// pipe, is refused and never waited for.
    ///
    /// # Errors
    /// `NotFound` where there is none, else what the disk says.
    pub fn file(&self, lot: &str, name: &str) -> io::Result<Vec<u8>> {
        self.storage.read(&self.folder(lot).join(name))
    }

    /// The data folder.
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// The storage behind it.
    pub fn storage(&self) -> &Arc<dyn Storage> {
        &self.storage
    }

    /// The journal's folder.
    pub fn journal(&self) -> PathBuf {
        self.data.join("journal")
    }

    /// A lot's folder.
    pub fn folder(&self, lot: &str) -> PathBuf {
        self.data.join("lots").join(lot)
    }

    pub(crate) fn chain_path(&self) -> PathBuf {
        self.data.join("chain.txt")
    }

    pub(crate) fn intent_path(&self, lot: &str) -> PathBuf {
        self.data.join("sealing").join(lot)
    }

    /// Whether there is such a lot.
    ///
    /// # Errors
    /// [`LotError::Io`] where the disk cannot say.
    pub fn has(&self, lot: &str) -> Result<bool, LotError> {
        let path = self.folder(lot).join("lot.toml");
        Ok(super::id::is_fit(lot)
            && self.storage.has(&path).map_err(LotError::io("cannot look for", &path))?)
    }

    /// The ids of all lots, sorted.
    ///
    /// # Errors
    /// [`LotError::Io`].
    pub fn ids(&self) -> Result<Vec<String>, LotError> {
        let dir = self.data.join("lots");
        let mut ids = self.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
        ids.retain(|id| super::id::is_fit(id));
        Ok(ids)
    }

    /// One lot, whole.
    ///
    /// # Errors
    /// [`LotError::NoSuchLot`], [`LotError::NoRecord`], [`LotError::File`],
    /// [`LotError::Io`].
    pub fn load(&self, lot: &str) -> Result<Record, LotError> {
        if !self.has(lot)? {
            if super::id::is_fit(lot) && self.is_a_lots(lot)? {
                return Err(LotError::NoRecord { lot: lot.into() });
            }
            return Err(LotError::NoSuchLot { lot: lot.into(), place: self.data.join("lots") });
        }
        let path = self.folder(lot).join("lot.toml");
        let text = self.storage.read_text(&path).map_err(LotError::io("cannot read", &path))?;
        Record::from_toml(&text).map_err(|e| LotError::File { path, why: e.to_string() })
    }

    /// What a list shows of one lot.
    ///
    /// # Errors
    /// As [`Store::load`].
    pub fn head(&self, lot: &str) -> Result<Record, LotError> {
        let path = self.folder(lot).join("lot.toml");
        let bytes = self.storage.read_at(&path, 0, HEAD_BYTES).map_err(LotError::io("cannot read", &path))?;
        let valid = bytes.utf8_chunks().next().map_or("", |c| c.valid());
        if bytes.len() == HEAD_BYTES && !valid.contains("\n[") {
            return self.load(lot);
        }
        // A note may have a line that begins as a table does: then the whole is read.
        Record::head_from_toml(valid).or_else(|_| self.load(lot))
    }

    /// The heads of all lots, oldest first, and what could not be read.
    ///
    /// # Errors
    /// Where the folder cannot be listed.
    pub fn list(&self) -> Result<(Vec<Record>, Vec<LotError>), LotError> {
        let (mut heads, mut bad) = (Vec::new(), Vec::new());
        for id in self.ids()? {
            match self.head(&id) {
                Ok(head) => heads.push(head),
                // A stray file or folder is no lot.
                Err(_) if !self.is_a_lots(&id)? => {}
                Err(LotError::Io { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                    bad.push(LotError::NoRecord { lot: id });
                }
                Err(e) => bad.push(e),
            }
        }
        heads.sort_by(|a, b| (a.opened, &a.lot).cmp(&(b.opened, &b.lot)));
        Ok((heads, bad))
    }

    /// The chain of seals with its file, up to its last whole line.
    pub(crate) fn whole_chain(&self) -> Result<(Chain, Vec<u8>), LotError> {
        let path = self.chain_path();
        let mut bytes = match self.storage.read(&path) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(e) => return Err(LotError::io("cannot read", &path)(e)),
        };
        let chain = Chain::parse(&bytes);
        bytes.truncate(chain.whole);
        Ok((chain, bytes))
    }

    /// The chain of seals.
    ///
    /// # Errors
    /// [`LotError::Io`], [`LotError::File`].
    pub fn chain(&self) -> Result<Chain, LotError> {
        let path = self.chain_path();
        match self.storage.read(&path) {
            Ok(bytes) => Ok(Chain::parse(&bytes)),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(Chain::default()),
            Err(e) => Err(LotError::io("cannot read", &path)(e)),
        }
    }
}
