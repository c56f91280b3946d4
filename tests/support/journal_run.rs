//! A run of the journal whose every line is known, for the tests that break it.

#![allow(clippy::unwrap_used)] // a test may end here

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::storage::Storage;
use curdtrace::journal::{Journal, Moment, Settings};

use crate::storage_twin::Twin;

/// Wall minus monotonic time of the runs: 14 July 2025, ns.
pub const OFFSET_NS: i64 = 1_752_465_000_000_000_000;

pub fn dir() -> PathBuf {
    PathBuf::from("/data/journal")
}

/// Small groups and segments, so that a short run has all of it.
pub fn settings() -> Settings {
    Settings { group_lines: 8, segment_bytes: 6_000, ..Settings::default() }
}

/// The nth line of a run and its moment: a reading every half second, a mark
/// now and then, an hour's clock step after line 300.
pub fn line(n: u64) -> (String, Moment) {
    let offset_ns = if n < 300 { OFFSET_NS } else { OFFSET_NS + 3_600_000_000_000 };
    let at = Moment { mono_ns: n * 500_000_000, offset_ns, clock_sure: true };
    let wall = at.wall_ns();
    let text = if n % 97 == 96 {
        format!("mark,kettle=kettle name=\"note\",text=\"line {n}, a \\\"note\\\"\" {wall}")
    } else {
        format!("temperature,probe=kettle celsius={},seq={n}u {wall}", 30.0 + n as f64 / 64.0)
    };
    (text, at)
}

/// Everything a reader finds.
pub fn read(storage: &Arc<dyn Storage>, dir: &Path) -> Vec<String> {
    let mut replay = Replay::open(storage.clone(), dir, Span::default()).unwrap();
    let mut lines = Vec::new();
    while let Some((_, line)) = replay.next_line().unwrap() {
        lines.push(line.to_owned());
    }
    lines
}

pub fn open(storage: &Arc<dyn Storage>) -> Journal {
    Journal::open(storage.clone(), &dir(), settings(), "boot-a").unwrap().0
}

/// The files of a run that goes on until there are enough.
pub fn files_once(
    settings: Settings,
    enough: impl Fn(&BTreeMap<PathBuf, Vec<u8>>) -> bool,
) -> BTreeMap<PathBuf, Vec<u8>> {
    let twin = Twin::new();
    let storage: Arc<dyn Storage> = Arc::new(twin.clone());
    let (mut journal, _) = Journal::open(storage, &dir(), settings, "boot-a").unwrap();
    for n in 0.. {
        let (text, at) = line(n);
        journal.push(&text, at).unwrap();
        if journal.is_due(at.mono_ns) {
            journal.commit().unwrap();
            let files = twin.files();
            if enough(&files) {
                return files;
            }
        }
    }
    unreachable!()
}

/// The lines of a run, as they should be found.
pub fn lines(range: std::ops::Range<u64>) -> Vec<String> {
    range.map(|n| line(n).0).collect()
}

/// After a crash: what is found is a whole beginning of what was pushed, with
/// everything acknowledged in it, each line once; and writing goes on.
pub fn check_after_crash(storage: &Arc<dyn Storage>, acknowledged: u64, pushed: u64, what: &str) {
    let mut journal = open(storage);
    let found = read(storage, &dir());
    let n = found.len() as u64;
    assert!(n >= acknowledged && n <= pushed, "{what}: {n} lines, {acknowledged} acknowledged");
    assert!(found.iter().zip(0..).all(|(l, i)| *l == line(i).0), "{what}: a line is not as pushed");
    let (more, at) = line(n);
    journal.push(&more, at).unwrap();
    journal.commit().unwrap();
    drop(journal);
    let _ = open(storage);
    let again = read(storage, &dir());
    assert_eq!(again.len() as u64, n + 1, "{what}: after writing on");
    assert_eq!(again.last(), Some(&more), "{what}");
}
