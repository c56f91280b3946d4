//! Promise: damage is never passed over in silence, and a season is not read for one
//! lot of it.

#![allow(clippy::unwrap_used)] // a test may end here

use support::house;
use support::made_day;
use support::moody_disk::MoodyDisk;

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use curdtrace::daemon::clock::Clock;
use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::segment::scan;
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::Record;
use house::House;
use made_day::{Day, MORNING_NS, dairy, segments};

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

/// What was lost at a day's end was told to whoever read the next day too; the first who
/// did left an index, and those after him read neither.
#[test]
fn what_is_lost_at_a_days_end_is_told_each_time() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = five_days(&data);
    let path = data.join("journal").join(&segments(&data)[1]);
    let bytes = std::fs::read(&path).unwrap();
    // A whole group is the last, and the others are nowhere.
    std::fs::write(&path, &bytes[..scan(&bytes).groups[20].end]).unwrap();
    for id in ["first", "second", "third"] {
        let found = attached(&data, id, makes[1]);
        assert_eq!(found.journal_damage, [segments(&data)[2].clone()], "{id}");
    }
    // The day before has lost nothing, nor that after next.
    for n in [0, 3] {
        let found = attached(&data, &format!("beside-{n}"), makes[n]);
        assert!(found.journal_damage.is_empty(), "{n}: {:?}", found.journal_damage);
    }
    // No reading is left of that hour; that there were some is told.
    let (from, to) = (makes[1].1.plus_s(-3600), makes[1].1);
    let span = Span { from_ns: Some(from.0), to_ns: Some(to.0) };
    let mut replay = Replay::open(Arc::new(Disk), &data.join("journal"), span).unwrap();
    assert!(replay.next_line().unwrap().is_none());
    assert_eq!(replay.damage().len(), 1, "{:?}", replay.damage());
    // Bytes that are no group any more are told with it.
    std::fs::write(&path, [&bytes[..scan(&bytes).groups[20].end], b"temperature,pro"].concat()).unwrap();
    let found = attached(&data, "torn", makes[1]);
    assert_eq!(found.journal_damage, [segments(&data)[2].clone(), segments(&data)[1].clone()]);
}

/// With nothing before it nobody missed it.
#[test]
fn what_is_lost_at_the_journals_beginning_is_told() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = five_days(&data);
    let path = data.join("journal").join(&segments(&data)[0]);
    let mut bytes = std::fs::read(&path).unwrap();
    let at = bytes.windows(8).position(|w| w == b"celsius=").unwrap() + 8;
    bytes[at] ^= 1;
    std::fs::write(&path, &bytes).unwrap();
    assert_eq!(attached(&data, "holed", makes[0]).journal_damage, [segments(&data)[0].clone()]);
    assert!(attached(&data, "other", makes[1]).journal_damage.is_empty());
}

/// A day with a bad sector could be attached to no lot.
#[test]
fn a_day_that_the_disk_does_not_give_whole_is_attached_as_far_as_it_does() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = five_days(&data);
    let path = data.join("journal").join(&segments(&data)[1]);
    let disk = MoodyDisk::default();
    *disk.0.bad_sectors.lock().unwrap() = Some((path, 50_000..50_001));
    let (mut lots, _) = Lots::open(Arc::new(disk), &data, dairy()).unwrap();
    let by = |ask| Request { at: makes[4].1, by: Some("Ada".into()), ask };
    let open = Opening { kettle: "big".into(), id: Some("a-1".into()), past: true, ..Opening::default() };
    lots.apply(&by(Ask::Open(open))).unwrap();
    let (from, to) = makes[1];
    let attach = AttachAsk { lot: "a-1".into(), probe: "big".into(), from, to };
    lots.apply(&by(Ask::Attach(attach))).unwrap();
    lots.apply(&by(Ask::Close { lot: "a-1".into() })).unwrap();
    let found = lots.store().load("a-1").unwrap();
    assert_eq!(found.journal_damage, [segments(&data)[1].clone()]);
    let whole = attached(&data, "whole", makes[1]);
    let lost = whole.stretches[0].readings - found.stretches[0].readings;
    assert!((1..=200).contains(&lost), "{lost} of {}", whole.stretches[0].readings);
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
