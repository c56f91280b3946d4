//! No right clock: a boot at 1970, the clock set by fifty years, back by an
//! hour, back by a second. Order and durations survive, and it is said.

#![allow(clippy::unwrap_used, clippy::panic, clippy::disallowed_methods)] // a test may end here, and measure

use support::box_bench;
use support::house;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use box_bench::Bench;
use curdtrace::journal::replay::{Replay, Span, Stamped};
use curdtrace::journal::storage::Disk;
use house::wait_for;

const SOON: Duration = Duration::from_secs(10);
/// 2025-07-14T04:05:29Z.
const SUMMER_NS: i64 = 1_752_465_929_000_000_000;
const HOUR_NS: i64 = 3_600_000_000_000;

fn stamped(data: &Path) -> Vec<(Stamped, String)> {
    let mut replay = Replay::open(Arc::new(Disk), &data.join("journal"), Span::default()).unwrap();
    let mut lines = Vec::new();
    while let Some((at, line)) = replay.next_line().unwrap() {
        lines.push((at, line.to_string()));
    }
    lines
}

#[test]
fn a_boot_at_1970_and_every_step_keep_order_and_durations() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::new(folder.path(), 5_000_000_000);
    bench.readings(5);
    assert!(!bench.house.shown().clock_sure, "1970 is no date");
    bench.clock.set_wall(SUMMER_NS);
    bench.readings(5);
    assert!(wait_for(SOON, || {
        bench.clock.advance(Duration::from_secs(1));
        bench.house.shown().clock_sure
    }));
    let now = bench.clock.now().wall_ns;
    bench.clock.set_wall(now - HOUR_NS);
    bench.readings(5);
    let now = bench.clock.now().wall_ns;
    bench.clock.set_wall(now - 1_000_000_000);
    bench.readings(5);
    bench.house.close().unwrap();

    let lines = stamped(&folder.path().join("data"));
    let steps: Vec<&String> = lines.iter().map(|l| &l.1).filter(|l| l.contains("what=clock-step")).collect();
    assert_eq!(steps.len(), 3, "{steps:#?}");
    assert!(steps[2].contains("step_ns=-1000000000i"), "{}", steps[2]);
    let readings: Vec<&(Stamped, String)> = lines.iter().filter(|l| l.1.starts_with("temperature")).collect();
    assert_eq!(readings.len(), 20);
    for pair in readings.windows(2) {
        let (before, after) = (&pair[0], &pair[1]);
        assert!(after.0.mono_ns > before.0.mono_ns, "order is that of coming: {} {}", before.1, after.1);
        let apart_s = (after.0.mono_ns - before.0.mono_ns) as f64 / 1e9;
        assert!((1.0..60.0).contains(&apart_s), "{apart_s} s apart: {} {}", before.1, after.1);
    }
    // What was written in 1970 is mapped once the clock was set: it was a few
    // seconds before the summer.
    let first = readings[0].0;
    assert!(first.written_ns < HOUR_NS, "{}", first.written_ns);
    let mapped = first.wall_ns.unwrap();
    assert!((SUMMER_NS - 30_000_000_000..SUMMER_NS).contains(&mapped), "{mapped}");
}

/// A machine without a battery comes back with the time of its last shutdown:
/// before what its own journal has seen.
#[test]
fn a_clock_behind_the_journal_is_not_trusted() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::new(folder.path(), SUMMER_NS);
    bench.readings(3);
    assert!(bench.house.shown().clock_sure);
    let Bench { house, pty, .. } = bench;
    house.close().unwrap();
    pty.unplug();
    let mut again = Bench::new(folder.path(), SUMMER_NS - 20 * HOUR_NS);
    again.readings(3);
    assert!(!again.house.shown().clock_sure);
    again.house.close().unwrap();
    let lines = stamped(&folder.path().join("data"));
    let boots: Vec<u32> = lines.iter().filter(|l| l.1.starts_with("temperature")).map(|l| l.0.boot).collect();
    assert_eq!(boots, [1, 1, 1, 2, 2, 2]);
}

/// A clock that was once ahead makes the right one look behind. Whoever sets it,
/// by so little as a person is off, confirms it.
#[test]
fn a_clock_that_is_set_is_believed_although_the_journal_was_once_ahead() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::new(folder.path(), SUMMER_NS + 400 * 24 * HOUR_NS);
    bench.readings(3);
    let Bench { house, pty, .. } = bench;
    house.close().unwrap();
    pty.unplug();
    let mut right = Bench::new(folder.path(), SUMMER_NS);
    right.readings(3);
    assert!(!right.house.shown().clock_sure);
    right.clock.set_wall(right.clock.now().wall_ns + 2_000_000_000);
    right.readings(3);
    assert!(right.house.shown().clock_sure);
    let now = right.clock.now().wall_ns;
    let Bench { house, pty, .. } = right;
    house.close().unwrap();
    pty.unplug();
    // And after the next start, with the lines of the future still in the look-back.
    let mut again = Bench::new(folder.path(), now + 60_000_000_000);
    again.readings(3);
    assert!(again.house.shown().clock_sure);
    again.house.close().unwrap();
}
