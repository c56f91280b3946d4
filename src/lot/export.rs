//! Handing lots over: to a folder such as a memory stick's, or as one archive.
//!
//! A lot that is not as it was closed is not handed over. What was written is
//! synced, read back and compared before it is said to be well. Beside the lots
//! goes the chain of seals, so that whoever gets them can check them.

use std::fs::{self, File};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};

use super::seal::sha256;
use super::store::{LotError, Store};

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
    /// What was read back is something else.
    #[error("{0} was read back and is not what was written; take another stick")]
    Different(PathBuf),
}

impl ExportError {
    /// The exit code of a command that fails so (sysexits).
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Lot(e) => e.exit_code(),
            Self::Write { .. } | Self::Different(_) => 74,
        }
    }

    fn write(path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_path_buf();
        move |source| Self::Write { path, source }
    }
}

/// A file to hand over: its name within the export, and its bytes.
type Handed = (String, Vec<u8>);

/// The files of a lot, which must be as it was closed (an open lot goes as it
/// is).
fn files_of(store: &Store, lot: &str) -> Result<Vec<Handed>, LotError> {
    let chain = store.chain()?;
    if chain.seal_of(lot).is_some() || store.load(lot)?.is_closed() {
        let found = store.verify(lot, &chain)?;
        if let Some(first) = found.first() {
            return Err(LotError::NotAsSealed { lot: lot.into(), what: first.to_string() });
        }
    }
    let dir = store.folder(lot);
    let names = store.storage.list(&dir).map_err(LotError::io("cannot list", &dir))?;
    let read = |name: String| {
        let path = dir.join(&name);
        let bytes = store.storage.read(&path).map_err(LotError::io("cannot read", &path))?;
        Ok((format!("lots/{lot}/{name}"), bytes))
    };
    names.into_iter().map(read).collect()
}

fn chain_file(store: &Store) -> Vec<Handed> {
    store
        .storage
        .read(&store.chain_path())
        .map(|bytes| vec![("chain.txt".to_owned(), bytes)])
        .unwrap_or_default()
}

/// Writes the folders of these lots under `to`; how many files.
///
/// # Errors
/// [`ExportError`].
pub fn folders(store: &Store, lots: &[String], to: &Path) -> Result<usize, ExportError> {
    let mut count = 0;
    let put = |(name, bytes): Handed| write_checked(&to.join(name), &bytes);
    for lot in lots {
        for file in files_of(store, lot)? {
            put(file)?;
            count += 1;
        }
    }
    for file in chain_file(store) {
        put(file)?;
        count += 1;
    }
    Ok(count)
}

/// Writes a file, syncs it, reads it back and compares.
///
/// # Errors
/// [`ExportError::Write`], [`ExportError::Different`].
pub fn write_checked(path: &Path, bytes: &[u8]) -> Result<(), ExportError> {
    let dir = path.parent().unwrap_or(Path::new("."));
    let written = || -> io::Result<Vec<u8>> {
        fs::create_dir_all(dir)?;
        let mut file = File::create(path)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        drop(file);
        File::open(dir)?.sync_all()?;
        fs::read(path)
    };
    let back = written().map_err(ExportError::write(path))?;
    if sha256(&back) == sha256(bytes) { Ok(()) } else { Err(ExportError::Different(path.into())) }
}

/// Writes one archive (POSIX ustar) of these lots; how many files.
///
/// # Errors
/// [`ExportError`].
pub fn archive(store: &Store, lots: &[String], path: &Path) -> Result<usize, ExportError> {
    let io = || ExportError::write(path);
    if let Some(dir) = path.parent() {
        fs::create_dir_all(dir).map_err(io())?;
    }
    let mut out = File::create(path).map_err(io())?;
    let mut hashes = Vec::new();
    let mut put = |out: &mut File, (name, bytes): Handed| -> Result<(), ExportError> {
        let header = tar_header(&name, bytes.len() as u64).ok_or_else(|| {
            io()(io::Error::new(io::ErrorKind::InvalidFilename, format!("{name} is too long for an archive")))
        })?;
        let pad = vec![0; bytes.len().next_multiple_of(512) - bytes.len()];
        for part in [&header[..], &bytes, &pad] {
            out.write_all(part).map_err(io())?;
        }
        hashes.push((name, sha256(&bytes)));
        Ok(())
    };
    for lot in lots {
        for file in files_of(store, lot)? {
            put(&mut out, file)?;
        }
    }
    for file in chain_file(store) {
        put(&mut out, file)?;
    }
    out.write_all(&[0; 1024]).and_then(|()| out.sync_all()).map_err(io())?;
    drop(out);
    if read_back(path).map_err(io())? == hashes {
        Ok(hashes.len())
    } else {
        Err(ExportError::Different(path.into()))
    }
}

/// A header of 512 bytes (IEEE 1003.1, ustar): a plain file, readable by all.
fn tar_header(name: &str, len: u64) -> Option<[u8; 512]> {
    let mut h = [0u8; 512];
    // Names of more than 100 bytes are split at a slash into prefix and name.
    let (prefix, base) = if name.len() <= 100 {
        ("", name)
    } else {
        let cut = name.match_indices('/').map(|(i, _)| i).find(|i| name.len() - i <= 101 && *i <= 155)?;
        (&name[..cut], &name[cut + 1..])
    };
    let mut put = |at: usize, bytes: &[u8]| h[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, base.as_bytes());
    put(100, b"0000644\0");
    put(108, b"0000000\0");
    put(116, b"0000000\0");
    put(124, format!("{len:011o}\0").as_bytes());
    put(136, b"00000000000\0");
    put(148, b"        ");
    put(156, b"0");
    put(257, b"ustar\x0000");
    put(345, prefix.as_bytes());
    let sum: u32 = h.iter().map(|b| u32::from(*b)).sum();
    h[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    Some(h)
}

/// The files of an archive and their hashes, as a reader finds them.
fn read_back(path: &Path) -> io::Result<Vec<(String, String)>> {
    let mut file = io::BufReader::new(File::open(path)?);
    let mut found = Vec::new();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end_matches('\0').to_owned();
    loop {
        let mut h = [0u8; 512];
        file.read_exact(&mut h)?;
        if h.iter().all(|b| *b == 0) {
            return Ok(found);
        }
        let (base, prefix) = (text(&h[..100]), text(&h[345..500]));
        let name = if prefix.is_empty() { base } else { format!("{prefix}/{base}") };
        let len = usize::from_str_radix(text(&h[124..135]).trim(), 8).map_err(io::Error::other)?;
        let mut bytes = vec![0; len.next_multiple_of(512)];
        file.read_exact(&mut bytes)?;
        found.push((name, sha256(&bytes[..len])));
    }
}
