//! Promise: damage is never passed over in silence, and a season is not read for one
//! lot of it.

#![allow(clippy::unwrap_used)] // a test may end here

use support::house;
use support::made_day;

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::record::Record;
use house::House;
use made_day::{Day, MORNING_NS, segments};

/// Five days with a make each.
fn five_days(data: &Path) -> Vec<(At, At)> {
    let mut day = Day::new(Arc::new(Disk), data);
    (0..5).map(|n| day.make("big", "big", At(MORNING_NS).plus_s(n * 86_400))).collect()
}

/// A make attached to a lot of its own, closed.
fn attached(data: &Path, id: &str, make: (At, At)) -> Record {
    made_day::attached(data, id, make).store().load(id).unwrap()
}

/// A digit of a reading within the make of day `n` is another now.
fn rot(data: &Path, n: usize) {
    let path = data.join("journal").join(&segments(data)[n]);
    let mut bytes = std::fs::read(&path).unwrap();
    let at =
        bytes.len() / 2 + bytes[bytes.len() / 2..].windows(8).position(|w| w == b"celsius=").unwrap() + 8;
    bytes[at] ^= 1;
    std::fs::write(path, bytes).unwrap();
}

/// A lot was sealed over a hole in the journal, and nobody was told.
#[test]
fn a_lot_over_a_hole_in_the_journal_says_so() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = five_days(&data);
    let whole = attached(&data, "whole", makes[1]);
    assert!(whole.journal_damage.is_empty() && !whole.deviations.iter().any(|d| d.contains("not whole")));
    rot(&data, 1);
    let found = attached(&data, "holed", makes[1]);
    assert_eq!(found.journal_damage, [segments(&data)[1].clone()]);
    assert!(found.deviations.iter().any(|d| d.contains("journal is not whole")), "{:?}", found.deviations);
    let sheet = std::fs::read_to_string(data.join("lots/holed/sheet.html")).unwrap();
    assert!(sheet.contains("journal is not whole"));
    // Another day's lot has nothing to do with it.
    assert!(attached(&data, "other", makes[2]).journal_damage.is_empty());
    // A day that was taken away is missing between its neighbours.
    std::fs::remove_file(data.join("journal").join(&segments(&data)[2])).unwrap();
    let both = (makes[1].0, makes[3].1);
    assert_eq!(attached(&data, "gone", both).journal_damage.len(), 2);
}

/// What has rotted outside the recent past was never looked at.
#[test]
fn a_daemon_looks_through_the_older_days() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    five_days(&data);
    rot(&data, 1);
    let config = house::config(home.path(), "[dairy]\ndata = \"data\"\n");
    let daemon = House::open(config, Clock::by_hand(MORNING_NS + 6 * 86_400_000_000_000));
    let rotten = segments(&data)[1].clone();
    let aside = || Disk.list(&data.join("journal/quarantine")).unwrap();
    let seen = || aside().iter().any(|n| n.starts_with(&rotten));
    assert!(house::wait_for(Duration::from_secs(30), seen), "nobody saw it: {:?}", aside());
    daemon.close().unwrap();
}

/// Each lot's closing unpacked the whole season, which took minutes of a small board.
#[test]
fn a_lot_reads_no_other_day_than_its_own() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = five_days(&data);
    for name in &segments(&data)[..4] {
        assert!(Command::new("gzip").arg(data.join("journal").join(name)).status().unwrap().success());
    }
    let first = attached(&data, "first", makes[3]);
    // What is left of the other packed days is their last bytes: whoever read them would
    // find no group there, and say so.
    for n in [0, 1, 2] {
        let path = data.join("journal").join(&segments(&data)[n]);
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[bytes.len() - 4..]).unwrap();
    }
    let again = attached(&data, "again", makes[3]);
    assert!(again.journal_damage.is_empty(), "{:?}", again.journal_damage);
    assert_eq!(
        (again.stretches[0].readings, again.stages.len()),
        (first.stretches[0].readings, first.stages.len())
    );
}
