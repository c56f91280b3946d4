//! Promise: a flipped bit is never read as data. Each bit of a 64 KiB segment
//! is flipped; the group it hits is found out and left out, the others stay.

#![allow(clippy::unwrap_used, clippy::print_stdout)] // a test may end here, and say figures

use support::journal_run;
use support::storage_twin;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use curdtrace::journal::recover::{Damage, QUARANTINE, inspect};
use curdtrace::journal::segment::{Scan, scan};
use curdtrace::journal::storage::Storage;
use curdtrace::journal::{Journal, Settings};
use journal_run::{dir, files_once, read};
use storage_twin::Twin;

fn one_segment() -> (PathBuf, Vec<u8>) {
    let settings = Settings { segment_bytes: 64 << 10, ..journal_run::settings() };
    let is_full = |bytes: &Vec<u8>| bytes.len() >= 64 << 10;
    files_once(settings, |files| files.values().next().is_some_and(is_full)).pop_first().unwrap()
}

fn numbers(s: &Scan) -> Vec<u64> {
    s.groups.iter().map(|g| g.commit.group).collect()
}

#[test]
fn every_bit_of_a_segment() {
    let (_, mut data) = one_segment();
    let whole = scan(&data);
    assert!(whole.bad.is_empty() && whole.end == data.len());
    let mut flips = 0u64;
    for (i, group) in whole.groups.iter().enumerate() {
        // A group is judged by its own bytes, so its neighbours are window enough;
        // `the_whole_way` below looks at whole journals.
        let start = whole.groups[i.saturating_sub(1)].body.start;
        let end = whole.groups.get(i + 1).map_or(group.end, |g| g.end);
        let expected: Vec<u64> =
            numbers(&scan(&data[start..end])).into_iter().filter(|n| *n != group.commit.group).collect();
        for at in group.body.start..group.end {
            for bit in 0..8 {
                data[at] ^= 1 << bit;
                let found = scan(&data[start..end]);
                assert_eq!(numbers(&found), expected, "bit {bit} of byte {at}");
                data[at] ^= 1 << bit;
                flips += 1;
            }
        }
    }
    println!("{flips} flips");
    assert!(flips >= 524_288);
}

#[test]
fn the_whole_way() {
    let (path, good) = one_segment();
    let whole = scan(&good);
    let all = {
        let storage: Arc<dyn Storage> = Arc::new(Twin::of(&BTreeMap::from([(path.clone(), good.clone())])));
        read(&storage, &dir())
    };
    for at in (0..good.len()).step_by(331) {
        let mut bad = good.clone();
        bad[at] ^= 1 << (at % 8);
        let storage: Arc<dyn Storage> = Arc::new(Twin::of(&BTreeMap::from([(path.clone(), bad.clone())])));
        let hit = whole.groups.iter().find(|g| g.body.start <= at && at < g.end).unwrap();
        let last = whole.groups.last().unwrap().commit.group;
        let (_, found) = Journal::open(storage.clone(), &dir(), journal_run::settings(), "boot-a").unwrap();
        if hit.commit.group == last {
            assert!(found.cut.is_some(), "byte {at}: the newest group is the tail");
        } else {
            let here = |d: &Damage| {
                matches!(d, Damage::Bytes { from, to, .. }
                if (*from..*to).contains(&(at as u64)))
            };
            assert!(found.damage.iter().any(here), "byte {at}: {:?}", found.damage);
            assert!(inspect(&*storage, &dir(), || ()).unwrap().iter().any(here), "byte {at}");
            let aside = storage.list(&dir().join(QUARANTINE)).unwrap();
            assert_eq!(aside.len(), 1, "byte {at}: {aside:?}");
            let (from, to) = aside[0].rsplit_once('@').and_then(|(_, span)| span.split_once('-')).unwrap();
            let span = from.parse::<usize>().unwrap()..to.parse::<usize>().unwrap();
            let kept = storage.read(&dir().join(QUARANTINE).join(&aside[0])).unwrap();
            assert_eq!(kept, bad[span], "byte {at}: what is set aside is what was there");
            assert_eq!(storage.read(&path).unwrap(), bad, "damage stays where it is");
        }
        let expected = all.len() - hit.commit.lines as usize;
        let left = read(&storage, &dir());
        assert_eq!(left.len(), expected, "byte {at}");
        assert!(left.iter().all(|l| all.contains(l)), "byte {at}: a line was altered");
    }
}
