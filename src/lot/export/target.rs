//! What lies where lots are to be handed over, looked at before anything is
//! written there.
//!
//! Invariant: no other dairy's record, no longer chain and no data folder that
//! is in use is ever written over; what an earlier export put there and the lot
//! no longer has is told, so that it can go.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::ExportError;
use crate::lot::hold::LOCK;
use crate::lot::record::Record;
use crate::lot::seal::{Chain, SUMS, parse_sums, sha256};
use crate::lot::signature::SIGNATURE;
use crate::lot::store::Store;

/// Names that an earlier export put into each lot's folder.
pub(super) type Former = BTreeMap<String, BTreeSet<String>>;

/// Looks at a folder.
///
/// # Errors
/// What is in the way.
pub(super) fn look(
    store: &Store,
    lots: &[String],
    to: &Path,
    (bytes, chain): (&[u8], &Chain),
) -> Result<Former, ExportError> {
    if is_in_use(store, to) {
        return Err(ExportError::InUse(to.into()));
    }
    if let Some(there) = read(&to.join("chain.txt"))? {
        begins(&there, bytes, &to.join("chain.txt"))?;
    }
    let mut former = Former::new();
    for lot in lots {
        former.insert(lot.clone(), names_there(store, lot, chain, &to.join("lots").join(lot))?);
    }
    Ok(former)
}

/// That a chain is a beginning of ours.
pub(super) fn begins(there: &[u8], ours: &[u8], path: &Path) -> Result<(), ExportError> {
    if ours.starts_with(there) {
        return Ok(());
    }
    let path = path.to_path_buf();
    Err(if there.starts_with(ours) { ExportError::LongerChain(path) } else { ExportError::OtherChain(path) })
}

/// A dairy's own data folder, or a folder within ours where nothing may come to
/// lie.
fn is_in_use(store: &Store, to: &Path) -> bool {
    let whole = |path: &Path| fs::canonicalize(path).ok();
    let ours: Vec<PathBuf> = [store.folder(""), store.journal()].iter().filter_map(|p| whole(p)).collect();
    let within = whole(to).is_some_and(|to| {
        whole(store.data()).is_some_and(|data| data == to) || ours.iter().any(|o| to.starts_with(o))
    });
    within || [LOCK, "journal"].iter().any(|name| fs::symlink_metadata(to.join(name)).is_ok())
}

/// The names that an earlier export put into a lot's folder.
fn names_there(
    store: &Store,
    lot: &str,
    chain: &Chain,
    folder: &Path,
) -> Result<BTreeSet<String>, ExportError> {
    let other = || ExportError::OtherLot { lot: lot.into(), folder: folder.into() };
    if let Some(sums) = read(&folder.join(SUMS))? {
        let hash = sha256(&sums);
        let sealed_so = chain.links.iter().any(|l| l.lot == lot && l.sums == hash);
        // One that was cut short while it was written is a beginning of ours.
        let cut_short = || store.file(lot, SUMS).is_ok_and(|ours| ours.starts_with(&sums));
        if !sealed_so && !cut_short() {
            return Err(other());
        }
        let mut names: BTreeSet<String> = parse_sums(&String::from_utf8_lossy(&sums)).into_keys().collect();
        names.insert(SIGNATURE.into());
        return Ok(names);
    }
    if let Some(there) = read(&folder.join("lot.toml"))? {
        let ours = store.load(lot)?;
        let there = Record::from_toml(&String::from_utf8_lossy(&there));
        let same = |r: &Record| (r.opened, &r.kettle, &r.dairy) == (ours.opened, &ours.kettle, &ours.dairy);
        if !there.is_ok_and(|r| same(&r)) {
            return Err(other());
        }
    }
    Ok(BTreeSet::new())
}

fn read(path: &Path) -> Result<Option<Vec<u8>>, ExportError> {
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(e) if [io::ErrorKind::NotFound, io::ErrorKind::NotADirectory].contains(&e.kind()) => Ok(None),
        Err(source) => Err(ExportError::Look { path: path.into(), source }),
    }
}
