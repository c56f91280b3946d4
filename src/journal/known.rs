//! What the journal knows of its clocks: under which one it is written now, and
//! when it first knew the time.

use std::io;
use std::path::Path;

use super::index::Index;
use super::record::{Commit, times};
use super::recover::{load, segments};
use super::segment::scan;
use super::storage::Storage;

/// The last whole group's commit line.
///
/// # Errors
/// Whatever the disk says.
pub fn newest(storage: &dyn Storage, dir: &Path) -> io::Result<Option<Commit>> {
    for name in segments(storage, dir)?.iter().rev() {
        if let Some(last) = scan(&load(storage, dir, name)?.data).groups.last() {
            return Ok(Some(last.commit));
        }
    }
    Ok(None)
}

/// The latest time that a line of the last whole group bears, ns since 1970.
///
/// # Errors
/// Whatever the disk says.
pub fn newest_line_ns(storage: &dyn Storage, dir: &Path) -> io::Result<Option<i64>> {
    for name in segments(storage, dir)?.iter().rev() {
        let data = load(storage, dir, name)?.data;
        if let Some(last) = scan(&data).groups.last() {
            return Ok(times(&data[last.body.clone()]).max());
        }
    }
    Ok(None)
}

/// The first group under a trusted clock, from a boot on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FirstSure {
    /// Its boot.
    pub boot: u32,
    /// Wall minus monotonic time, ns.
    pub offset_ns: i64,
    /// Wall time of its first line, ns since 1970.
    pub wall_ns: i64,
}

/// When the time was first known in `boot`, or in those after it.
///
/// # Errors
/// Whatever the disk says.
pub fn first_sure(storage: &dyn Storage, dir: &Path, boot: u32) -> io::Result<Option<FirstSure>> {
    let mut first = None;
    for (ago, name) in segments(storage, dir)?.iter().rev().enumerate() {
        if let Some(index) = (ago > 0).then(|| Index::read(storage, dir, name)).flatten() {
            if !index.clocks.is_empty() && index.clocks.iter().all(|c| c.boot < boot) {
                return Ok(first);
            }
            if !index.clocks.iter().any(|c| c.sure) {
                continue;
            }
        }
        let data = load(storage, dir, name)?.data;
        for group in scan(&data).groups.into_iter().rev() {
            if group.commit.boot < boot {
                return Ok(first);
            }
            let wall_ns = times(&data[group.body]).next();
            if let Some(wall_ns) = wall_ns.filter(|_| group.commit.clock_sure) {
                let Commit { boot, offset_ns, .. } = group.commit;
                first = Some(FirstSure { boot, offset_ns, wall_ns });
            }
        }
    }
    Ok(first)
}
