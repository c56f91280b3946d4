//! Handing lots over: to a folder such as a memory stick's, or as one archive.
//!
//! A lot that is not as it was closed is not handed over (one of several is left out
//! and told), and one that is being sealed is waited for. What lies at the target is
//! looked at before anything is written ([`target`]). What was written is synced, read
//! back and compared before it takes its place ([`staged`]). Beside the lots goes the
//! chain of seals, so that whoever gets them can check them.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::seal::Chain;
use super::store::{LotError, Store};
use super::verify::FILES;
use crate::journal::storage::aside;
pub use archive::archive;
use staged::Staged;

mod archive;
mod staged;
mod target;

/// So often it is begun again where a lot was sealed again meanwhile.
const TRIES: u32 = 20;

/// What can fail.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// A lot.
    #[error(transparent)]
    Lot(#[from] LotError),
    /// Writing or reading back.
    #[error("cannot write {path}: {source}; look at the stick, then try again")]
    Write {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// What lies there cannot be looked at.
    #[error("cannot read {path}: {source}; look at the stick, then try again")]
    Look {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A data folder is no place to hand lots over to.
    #[error(
        "{0} is a dairy's own data folder, or lies in one; nothing was written: name another folder with --to"
    )]
    InUse(PathBuf),
    /// Another dairy's chain lies there.
    #[error(
        "{0} is another dairy's chain of seals, or was changed; nothing was written: \
         name a folder for each dairy with --to, or an empty one"
    )]
    OtherChain(PathBuf),
    /// The chain there knows of more.
    #[error(
        "{0} has seals that this dairy's own chain has not (is its data folder an old copy?); \
         nothing was written: name another folder with --to"
    )]
    LongerChain(PathBuf),
    /// Another lot of the same name lies there.
    #[error(
        "{folder} is another lot that is called {lot} too, or was changed; nothing was written: \
         name a folder for each dairy with --to, or an empty one"
    )]
    OtherLot {
        /// Its id.
        lot: String,
        /// Where.
        folder: PathBuf,
    },
    /// A file of that name lies there and holds something else.
    #[error(
        "{0} is there already and holds something else; it was left as it is: move it away, or name another folder with --to"
    )]
    Taken(PathBuf),
    /// What was read back is something else.
    #[error("{0} was read back and is not what was written; take another stick")]
    Different(PathBuf),
}

impl ExportError {
    /// The exit code of a command that fails so (sysexits).
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Lot(e) => e.exit_code(),
            Self::InUse(_)
            | Self::OtherChain(_)
            | Self::LongerChain(_)
            | Self::OtherLot { .. }
            | Self::Taken(_) => 65,
            Self::Write { .. } | Self::Look { .. } | Self::Different(_) => 74,
        }
    }

    fn write(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Write { path, source }
    }
}

/// A file to hand over: its name within the export, and its bytes.
type Handed = (String, Vec<u8>);

/// What goes out together: lots, and the chain that has their seals.
struct Parcel<'a> {
    store: &'a Store,
    chain: Chain,
    /// The chain's file, up to its last whole line.
    bytes: Vec<u8>,
    /// More than one lot is asked for.
    several: bool,
    pause: &'a dyn Fn(),
}

impl Parcel<'_> {
    /// The files of a lot, which must be as it was closed (an open lot goes as it
    /// is); `None` where it was sealed again since the chain was read.
    fn files_of(&self, lot: &str) -> Result<Option<Vec<Handed>>, LotError> {
        let (store, chain) = (self.store, &self.chain);
        store.still(lot, self.pause, |now| {
            let seals = |c: &Chain| (c.seal_of(lot).cloned(), c.signature_of(lot).cloned());
            if seals(now) != seals(chain) {
                return Ok(None);
            }
            if chain.seal_of(lot).is_some() || store.load(lot)?.is_closed() {
                let found = store.verify(lot, chain)?;
                if let Some(first) = found.first() {
                    let (lot, what) = (lot.to_owned(), first.to_string());
                    return Err(if store.is_being_sealed(&lot)? {
                        LotError::CutShort { lot, what }
                    } else {
                        LotError::NotHandedOver { lot, what }
                    });
                }
            }
            let dir = store.folder(lot);
            let names = store.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
            let read = |name: String| {
                let path = dir.join(&name);
                let bytes = store.storage.read(&path).map_err(LotError::io("cannot read", &path))?;
                Ok((format!("lots/{lot}/{name}"), bytes))
            };
            names.into_iter().filter(|n| !is_leftover(n)).map(read).collect::<Result<_, _>>().map(Some)
        })
    }

    /// As [`Parcel::files_of`]; one of several that is not as it was closed has none, and
    /// stands in `left_out`.
    fn given(&self, lot: &str, left_out: &mut Vec<LotError>) -> Result<Option<Vec<Handed>>, LotError> {
        match self.files_of(lot) {
            Err(e @ (LotError::NotHandedOver { .. } | LotError::CutShort { .. })) if self.several => {
                left_out.push(e);
                Ok(Some(Vec::new()))
            }
            given => given,
        }
    }

    fn chain_file(&self) -> Option<Handed> {
        (!self.bytes.is_empty()).then(|| ("chain.txt".to_owned(), self.bytes.clone()))
    }
}

/// What is being put in place beside a file is none of the lot's.
fn is_leftover(name: &str) -> bool {
    FILES.iter().any(|file| aside(Path::new(file)) == Path::new(name))
}

/// Hands over through `once`, which gives `None` where a lot was sealed again
/// meanwhile; then it begins anew with the chain as it is now.
fn begun_again<T>(
    store: &Store,
    lots: &[String],
    pause: &dyn Fn(),
    once: impl Fn(&Parcel<'_>) -> Result<Option<T>, ExportError>,
) -> Result<T, ExportError> {
    for _ in 0..TRIES {
        let (chain, bytes) = store.whole_chain()?;
        if let Some(done) = once(&Parcel { store, chain, bytes, several: lots.len() > 1, pause })? {
            return Ok(done);
        }
        pause();
    }
    Err(LotError::BeingSealed(lots.join(", ")).into())
}

/// What was handed over.
#[derive(Debug, Default)]
pub struct Delivered {
    /// How many files.
    pub files: usize,
    /// Which of several lots are not as they were closed, and why: they were left out, and
    /// what lies there of them as it is.
    pub left_out: Vec<LotError>,
    /// What lies in the lots' folders there and is none of the lots'.
    pub foreign: Vec<PathBuf>,
}

/// Writes the folders of these lots under `to`. `pause` is called where a lot is
/// being sealed, before it is looked at again.
///
/// # Errors
/// [`ExportError`]; where something else lies there nothing was written.
pub fn folders(
    store: &Store,
    lots: &[String],
    to: &Path,
    pause: &dyn Fn(),
) -> Result<Delivered, ExportError> {
    begun_again(store, lots, pause, |parcel| {
        let mut former = target::look(store, lots, to, (&parcel.bytes, &parcel.chain))?;
        let mut done = Delivered::default();
        for lot in lots {
            let Some(files) = parcel.given(lot, &mut done.left_out)? else { return Ok(None) };
            if files.is_empty() {
                continue;
            }
            let (mut gone, mut own) = (former.remove(lot).unwrap_or_default(), BTreeSet::new());
            let mut staged = Staged::default();
            for (name, bytes) in files {
                staged.add(&to.join(&name), &bytes)?;
                let name = name.rsplit('/').next().unwrap_or_default();
                gone.remove(name);
                own.insert(name.to_owned());
            }
            done.files += staged.put()?;
            let folder = to.join("lots").join(lot);
            remove(&folder, &gone)?;
            done.foreign.extend(foreign(&folder, &own)?);
        }
        if let Some((name, bytes)) = parcel.chain_file() {
            done.files += whole(&to.join(name), &bytes)?;
        }
        Ok(Some(done))
    })
}

/// What else lies in a folder: it is a person's, and left alone.
fn foreign(folder: &Path, own: &BTreeSet<String>) -> Result<Vec<PathBuf>, ExportError> {
    let look = |source| ExportError::Look { path: folder.into(), source };
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).map_err(look)? {
        let entry = entry.map_err(look)?;
        if !entry.file_name().to_str().is_some_and(|name| own.contains(name)) {
            found.push(entry.path());
        }
    }
    found.sort();
    Ok(found)
}

/// Removes what an earlier export put there and the lot has no longer, such as
/// the signature of a former seal.
fn remove(folder: &Path, names: &BTreeSet<String>) -> Result<(), ExportError> {
    for path in names.iter().map(|name| folder.join(name)) {
        match fs::remove_file(&path) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(ExportError::write(&path)(e)),
            _ => {}
        }
    }
    Ok(())
}

/// Hands one file over. One that lies there is left as it is: the same is well,
/// another is an error.
///
/// # Errors
/// [`ExportError::Taken`], [`ExportError::Look`]; else as for the others.
pub fn one_file(path: &Path, bytes: &[u8]) -> Result<(), ExportError> {
    match fs::read(path) {
        Ok(there) if there == bytes => Ok(()),
        Ok(_) => Err(ExportError::Taken(path.into())),
        Err(e) if e.kind() == io::ErrorKind::NotFound => whole(path, bytes).map(|_| ()),
        Err(source) => Err(ExportError::Look { path: path.into(), source }),
    }
}

fn whole(path: &Path, bytes: &[u8]) -> Result<usize, ExportError> {
    let mut staged = Staged::default();
    staged.add(path, bytes)?;
    staged.put()
}
