//! Reading a file of which the disk does not give every byte.
//!
//! A bad sector costs what lies on it and no more: what the disk does not give is zeros,
//! which are no group of the journal.
//!
//! Deliberately absent: reading again what failed, but for halving. The disk has done
//! that already.

use std::io::{self, ErrorKind};
use std::path::Path;

use super::storage::Storage;

/// The smallest piece that is read by itself, bytes.
const PIECE: usize = 4096;

/// A whole file, and what the disk says where it does not give all of it.
///
/// # Errors
/// Whatever the disk says, but for bytes that it does not give.
pub(super) fn read(storage: &dyn Storage, file: &Path) -> io::Result<(Vec<u8>, Option<String>)> {
    let len = usize::try_from(storage.len(file)?).map_err(|_| io::Error::from(ErrorKind::FileTooLarge))?;
    read_at(storage, file, 0, len)
}

/// At most `len` bytes from `offset`, likewise.
///
/// # Errors
/// As [`read`].
pub(super) fn read_at(
    storage: &dyn Storage,
    file: &Path,
    offset: u64,
    len: usize,
) -> io::Result<(Vec<u8>, Option<String>)> {
    let why = match storage.read_at(file, offset, len) {
        Ok(bytes) => return Ok((bytes, None)),
        Err(e) if !is_of_the_bytes(&e) => return Err(e),
        Err(e) => e,
    };
    let mut bytes = vec![0; len];
    let mut lost = 0;
    piecewise(storage, file, offset, &mut bytes, &mut lost);
    let fault = (lost > 0).then(|| format!("{why}, at {lost} of its bytes"));
    Ok((bytes, fault))
}

/// Fills `bytes` from `offset` on, but for what the disk does not give.
fn piecewise(storage: &dyn Storage, file: &Path, offset: u64, bytes: &mut [u8], lost: &mut usize) {
    match storage.read_at(file, offset, bytes.len()) {
        Ok(given) if given.len() == bytes.len() => bytes.copy_from_slice(&given),
        _ if bytes.len() <= PIECE => *lost += bytes.len(),
        _ => {
            let (first, second) = bytes.split_at_mut((bytes.len() / 2).next_multiple_of(PIECE));
            piecewise(storage, file, offset, first, lost);
            piecewise(storage, file, offset + first.len() as u64, second, lost);
        }
    }
}

/// Whether the file is there and only bytes of it are not given.
fn is_of_the_bytes(e: &io::Error) -> bool {
    use ErrorKind::{InvalidInput, IsADirectory, NotADirectory, NotFound, OutOfMemory, PermissionDenied};
    let other = [InvalidInput, IsADirectory, NotADirectory, NotFound, OutOfMemory, PermissionDenied];
    !other.contains(&e.kind())
}
