//! One file of several lots: a POSIX ustar archive, readable by all.

use std::fs::File;
use std::io::{self, Read as _, Write as _};
use std::path::Path;

use super::staged::{Staged, settle};
use super::target::begins;
use super::{Delivered, ExportError, Handed, Parcel, begun_again};
use crate::lot::seal::sha256;
use crate::lot::store::{LotError, Store};

/// Writes one archive (POSIX ustar) of these lots. `pause` as for folders.
///
/// # Errors
/// [`ExportError`]; where another's archive lies there nothing was written.
pub fn archive(
    store: &Store,
    lots: &[String],
    path: &Path,
    pause: &dyn Fn(),
) -> Result<Delivered, ExportError> {
    begun_again(store, lots, pause, |parcel| {
        if path.exists() {
            let there = chain_in(path).map_err(|source| ExportError::Look { path: path.into(), source })?;
            begins(&there, &parcel.bytes, path)?;
        }
        write(parcel, lots, path)
    })
}

/// What it holds, once it was read back and is the same.
fn write(parcel: &Parcel<'_>, lots: &[String], path: &Path) -> Result<Option<Delivered>, ExportError> {
    let (mut staged, mut done) = (Staged::default(), Delivered::default());
    let aside = staged.begin(path)?;
    let Some(hashes) = fill(parcel, lots, &aside, path, &mut done.left_out)? else { return Ok(None) };
    if read_back(&aside).map_err(ExportError::write(path))? != hashes {
        return Err(ExportError::Different(path.into()));
    }
    staged.put()?;
    Ok(Some(Delivered { files: hashes.len(), ..done }))
}

/// Writes the archive that is to stand at `path` into `aside`: names and hashes of what
/// is in it.
fn fill(
    parcel: &Parcel<'_>,
    lots: &[String],
    aside: &Path,
    path: &Path,
    left_out: &mut Vec<LotError>,
) -> Result<Option<Vec<(String, String)>>, ExportError> {
    let io = || ExportError::write(path);
    let mut out = File::create(aside).map_err(io())?;
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
        let Some(files) = parcel.given(lot, left_out)? else { return Ok(None) };
        for file in files {
            put(&mut out, file)?;
        }
    }
    if let Some(file) = parcel.chain_file() {
        put(&mut out, file)?;
    }
    out.write_all(&[0; 1024]).and_then(|()| settle(&out)).map_err(io())?;
    Ok(Some(hashes))
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
    let mut found = Vec::new();
    each(path, |name, bytes| found.push((name, sha256(bytes))))?;
    Ok(found)
}

/// The chain in an archive; empty where it has none.
fn chain_in(path: &Path) -> io::Result<Vec<u8>> {
    let mut chain = Vec::new();
    each(path, |name, bytes| {
        if name == "chain.txt" {
            chain = bytes.to_vec();
        }
    })?;
    Ok(chain)
}

fn each(path: &Path, mut take: impl FnMut(String, &[u8])) -> io::Result<()> {
    let mut file = io::BufReader::new(File::open(path)?);
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim_end_matches('\0').to_owned();
    loop {
        let mut h = [0u8; 512];
        file.read_exact(&mut h)?;
        if h.iter().all(|b| *b == 0) {
            return Ok(());
        }
        let (base, prefix) = (text(&h[..100]), text(&h[345..500]));
        let name = if prefix.is_empty() { base } else { format!("{prefix}/{base}") };
        let len = usize::from_str_radix(text(&h[124..135]).trim(), 8).map_err(io::Error::other)?;
        let mut bytes = vec![0; len.next_multiple_of(512)];
        file.read_exact(&mut bytes)?;
        take(name, &bytes[..len]);
    }
}
