//! Promise: what was acknowledged survives a power cut at any moment.
//!
//! At every sync of a 500-line run the disk twin gives the images that a power
//! cut could leave: nothing of the unsynced bytes, all of them, each prefix,
//! a prefix with zeros or garbage up to the full length (length without data,
//! torn inside a sector), and the new name there or not. Each must recover to
//! a beginning of the run that holds everything acknowledged, and go on.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use support::journal_run;
use support::storage_twin;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::journal::storage::Storage;
use journal_run::{check_after_crash, line, open};
use storage_twin::{Moment, Twin};

type Image = BTreeMap<PathBuf, Vec<u8>>;

/// Images a power cut at `m` could leave, given to `each`: with `step` 1 each
/// prefix, else every so many bytes and each of the last twelve.
fn images(m: &Moment, step: usize, mut each: impl FnMut(&Image, &str)) {
    each(&m.durable, "nothing of the unsynced");
    each(&m.now, "all of the unsynced");
    for part in m.unsynced() {
        let (kept, whole) = (part.durable.len(), part.now.len());
        if whole < kept {
            continue;
        }
        let mut with = |bytes: Vec<u8>, what: &str| {
            let mut image = m.durable.clone();
            image.insert(part.file.clone(), bytes);
            each(&image, what);
        };
        for len in (kept..whole).filter(|len| (len - kept) % step == 0 || whole - len <= 12) {
            with(part.now[..len].to_vec(), &format!("prefix of {len} bytes"));
            if ((len - kept) / step).is_multiple_of(20) {
                let mut zeros = part.now[..len].to_vec();
                zeros.resize(whole, 0);
                with(zeros, &format!("zeros from {len}"));
                let mut torn = part.now.clone();
                let hole = len..(len + 64).min(whole);
                torn[hole].fill(0xa5);
                with(torn, &format!("64 bytes torn at {len}"));
                let mut late = vec![0; whole];
                late[..kept].copy_from_slice(&part.now[..kept]);
                late[len..].copy_from_slice(&part.now[len..]);
                with(late, &format!("only what follows {len}"));
            }
        }
    }
}

#[test]
fn a_power_cut_at_every_sync_loses_nothing_acknowledged() {
    let nightly = std::env::var_os("CURDTRACE_NIGHTLY").is_some();
    let records = if nightly { 10_000 } else { 500 };
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let mut journal = open(&storage);
    twin.watch();
    let (mut syncs, mut tried) = (0, 0u64);
    for n in 0..records {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
        if !journal.is_due(at.mono_ns) && n + 1 < records {
            continue;
        }
        let before = journal.synced_through();
        journal.commit().unwrap();
        for m in twin.take_moments() {
            syncs += 1;
            let step = if nightly || syncs % 16 == 1 { 1 } else { 23 };
            images(&m, step, |image, what| {
                tried += 1;
                let disk: Arc<dyn Storage> = Arc::new(Twin::of(image));
                check_after_crash(&disk, before, n + 1, &format!("line {n}, sync {syncs}, {what}"));
            });
        }
        assert_eq!(journal.synced_through(), n + 1);
        let disk: Arc<dyn Storage> = Arc::new(Twin::of(&twin.moment().durable));
        check_after_crash(&disk, n + 1, n + 1, &format!("line {n}, after the sync"));
    }
    println!("{tried} crash images at {syncs} syncs");
    assert!(syncs > 60 && tried > 5_000, "{tried} images at {syncs} syncs are too few to show anything");
}
