//! Promise: recovery cuts only the tail of the newest segment, to its longest
//! valid prefix. A journal of three segments is cut at every byte, recovered,
//! written on and recovered again.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use support::journal_run;
use support::storage_twin;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::journal::recover::{Damage, inspect};
use curdtrace::journal::segment::scan;
use curdtrace::journal::storage::Storage;
use curdtrace::journal::{Journal, Settings};
use journal_run::{check_after_crash, dir, files_once, open, read};
use storage_twin::Twin;

/// A journal of three segments and its files in order.
fn three_segments() -> Vec<(PathBuf, Vec<u8>)> {
    let segment_bytes = if std::env::var_os("CURDTRACE_NIGHTLY").is_some() { 64_000 } else { 7_000 };
    let settings = Settings { segment_bytes, ..journal_run::settings() };
    let is_long = |bytes: &Vec<u8>| bytes.len() as u64 >= segment_bytes - 1_000;
    let files = files_once(settings, |f| f.len() == 3 && f.values().last().is_some_and(is_long));
    files.into_iter().collect()
}

#[test]
fn cut_at_every_byte() {
    let files = three_segments();
    let (mut offsets, mut complete) = (0, 0);
    for (i, (path, bytes)) in files.iter().enumerate() {
        let whole = scan(bytes);
        let lines_of = |s: &curdtrace::journal::segment::Scan| -> u64 {
            s.groups.iter().map(|g| u64::from(g.commit.lines)).sum()
        };
        for len in 0..=bytes.len() {
            offsets += 1;
            let mut left: BTreeMap<_, _> = files[..i].iter().cloned().collect();
            left.insert(path.clone(), bytes[..len].to_vec());
            let twin = Twin::of(&left);
            let storage: Arc<dyn Storage> = Arc::new(twin.clone());
            let valid = whole.groups.iter().rev().find(|g| g.end <= len);
            let expected = complete
                + whole
                    .groups
                    .iter()
                    .filter(|g| g.end <= len)
                    .map(|g| u64::from(g.commit.lines))
                    .sum::<u64>();
            let (_, found) =
                Journal::open(storage.clone(), &dir(), journal_run::settings(), "boot-a").unwrap();
            let end = valid.map_or(0, |g| g.end);
            assert_eq!(storage.len(path).unwrap(), end as u64, "segment {i} cut at {len}");
            assert_eq!(found.cut.is_some_and(|c| c.bytes as usize == len - end), len > end, "{i} at {len}");
            assert!(found.damage.is_empty(), "a torn tail is no damage elsewhere");
            assert_eq!(read(&storage, &dir()).len() as u64, expected, "segment {i} cut at {len}");
            // Writing on, where it may matter: around each group's end, and now and then.
            if len - end <= 2 || len % 23 == 0 {
                check_after_crash(&storage, expected, expected, &format!("segment {i} cut at {len}"));
            }
        }
        complete += lines_of(&whole);
    }
    println!("{offsets} offsets");
    assert!(offsets > 18_000);
}

#[test]
fn an_older_segment_cut_short_is_reported_and_nothing_else_is_touched() {
    let files = three_segments();
    for (i, (path, bytes)) in files.iter().enumerate().take(2) {
        for len in (0..bytes.len()).step_by(137) {
            let mut left: BTreeMap<_, _> = files.iter().cloned().collect();
            left.insert(path.clone(), bytes[..len].to_vec());
            let twin = Twin::of(&left);
            let storage: Arc<dyn Storage> = Arc::new(twin.clone());
            let journal = open(&storage);
            drop(journal);
            assert_eq!(storage.len(path).unwrap(), len as u64, "only the newest segment is cut");
            let damage = inspect(&*storage, &dir(), || ()).unwrap();
            assert!(
                damage.iter().any(|d| matches!(d, Damage::Groups { .. })),
                "segment {i} at {len}: {damage:?}"
            );
        }
    }
}
