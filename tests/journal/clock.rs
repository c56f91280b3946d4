//! Promise: order and durations survive a wrong clock. A machine without a
//! battery boots in 1970, the clock is set 50 years on, then put back an hour
//! and a second: nothing is reordered, durations are monotonic, what was
//! written before the clock was known gets its time later. And: a packed day,
//! and a day of an older program, read the same.

#![allow(clippy::unwrap_used)] // a test may end here

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::recover::{Damage, inspect};
use curdtrace::journal::replay::{Replay, Span, Stamped};
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};

const S: i64 = 1_000_000_000;
/// 14 July 2026, ns.
const TRUE_NS: i64 = 1_784_001_780 * S;

fn disk() -> Arc<dyn Storage> {
    Arc::new(Disk)
}

fn open(dir: &Path, boot: &str) -> (Journal, u32, bool) {
    let (journal, found) = Journal::open(disk(), dir, Settings::default(), boot).unwrap();
    (journal, found.boot, found.same_boot)
}

fn push(journal: &mut Journal, n: i64, mono_s: i64, offset_ns: i64, sure: bool) {
    let at = Moment { mono_ns: (mono_s * S).unsigned_abs(), offset_ns, clock_sure: sure };
    journal.push(&format!("temperature,probe=k celsius=30,seq={n}u {}", at.wall_ns()), at).unwrap();
}

fn read(dir: &Path, span: Span) -> Vec<(Stamped, i64)> {
    let mut replay = Replay::open(disk(), dir, span).unwrap();
    let mut found = Vec::new();
    while let Some((at, line)) = replay.next_line().unwrap() {
        let seq = line.split("seq=").nth(1).unwrap().split('u').next().unwrap().parse().unwrap();
        found.push((at, seq));
    }
    found
}

#[test]
fn fifty_years_forward_an_hour_and_a_second_back() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, boot, _) = open(dir.path(), "boot-a");
    assert_eq!(boot, 1);
    let known = TRUE_NS - 100 * S;
    // (seconds since boot, offset, sure)
    let mut n = 0;
    for (from, to, offset, sure) in [
        (10, 100, 0, false),
        (100, 200, known, true),
        (200, 300, known - 3600 * S, true),
        (300, 400, known - 3601 * S, true),
        // Suspended for an hour: monotonic time that counts suspension goes on.
        (4000, 4100, known, true),
    ] {
        for mono_s in from..to {
            push(&mut journal, n, mono_s, offset, sure);
            n += 1;
            if n % 7 == 0 {
                journal.commit().unwrap();
            }
        }
    }
    journal.commit().unwrap();
    let found = read(dir.path(), Span::default());
    assert_eq!(found.iter().map(|f| f.1).collect::<Vec<_>>(), (0..n).collect::<Vec<_>>(), "order as it came");
    assert!(found.windows(2).all(|w| w[0].0.mono_ns < w[1].0.mono_ns), "durations are monotonic");
    assert_eq!(found[0].0.mono_ns, 10 * S.unsigned_abs());
    // 1970 as it was written, and the true time as it is known now.
    assert_eq!(found[0].0.written_ns, 10 * S);
    assert_eq!(found[0].0.wall_ns, Some(known + 10 * S));
    // By its true time it is found again, although its segment's name says 1970.
    let span = Span { from_ns: Some(known + 10 * S), to_ns: Some(known + 20 * S) };
    assert_eq!(read(dir.path(), span).iter().map(|f| f.1).collect::<Vec<_>>(), (0..10).collect::<Vec<_>>());
}

#[test]
fn a_boot_whose_clock_was_never_known_has_no_wall_time() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, ..) = open(dir.path(), "boot-a");
    push(&mut journal, 0, 5, 0, false);
    journal.commit().unwrap();
    drop(journal);
    let (mut journal, boot, same) = open(dir.path(), "boot-b");
    assert_eq!((boot, same), (2, false));
    push(&mut journal, 1, 5, TRUE_NS, true);
    journal.commit().unwrap();
    drop(journal);
    // The process alone starts again: the boot is the same.
    let (_, boot, same) = open(dir.path(), "boot-b");
    assert_eq!((boot, same), (2, true));
    let found = read(dir.path(), Span::default());
    assert_eq!(
        found.iter().map(|f| (f.0.boot, f.0.wall_ns)).collect::<Vec<_>>(),
        [(1, None), (2, Some(TRUE_NS + 5 * S))]
    );
}

#[test]
fn a_packed_day_reads_the_same_and_a_damaged_one_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let (mut journal, ..) = open(dir.path(), "boot-a");
    for n in 0..300 {
        // Three days, a reading every quarter of an hour.
        push(&mut journal, n, n * 900, TRUE_NS, true);
    }
    journal.commit().unwrap();
    drop(journal);
    let before = read(dir.path(), Span::default());
    let first = Disk.list(dir.path()).unwrap()[0].clone();
    let packed = std::process::Command::new("gzip").arg(dir.path().join(&first)).status().unwrap();
    assert!(packed.success());
    assert_eq!(read(dir.path(), Span::default()), before);
    assert!(inspect(&Disk, dir.path(), || ()).unwrap().is_empty());
    let (mut journal, boot, same) = open(dir.path(), "boot-a");
    assert_eq!((boot, same), (1, true));
    push(&mut journal, 300, 300 * 900, TRUE_NS, true);
    journal.commit().unwrap();
    drop(journal);
    let gz = dir.path().join(format!("{first}.gz"));
    let mut bytes = std::fs::read(&gz).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 4;
    std::fs::write(&gz, bytes).unwrap();
    let damage = inspect(&Disk, dir.path(), || ()).unwrap();
    assert!(damage.iter().any(|d| matches!(d, Damage::Unreadable { .. })), "{damage:?}");
}

#[test]
fn the_first_format_is_read_for_ever() {
    // Written by version 0.1.0; every release adds its own, none is changed.
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/journal-1");
    let found = read(&golden, Span::default());
    assert_eq!(found.len(), 24);
    assert_eq!(found[0].0.wall_ns, Some(TRUE_NS));
    assert_eq!(found[23].1, 23);
    assert!(inspect(&Disk, &golden, || ()).unwrap().is_empty());
}
