//! Promise: a day packed as the README says reads the same, the day that is
//! being written is left alone, and nothing goes before what is packed was
//! compared.

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
use made_day::{Day, MORNING_NS, segments};

/// The README's own line, with nothing changed.
fn packing() -> String {
    let readme = include_str!("../../README.md");
    let line = readme.lines().find(|l| l.trim_start().starts_with("$ find data/journal")).unwrap();
    line.trim_start().trim_start_matches("$ ").to_owned()
}

/// Three days of makes, the first two written long ago.
fn three_days(data: &Path) -> Vec<(At, At)> {
    let mut day = Day::new(Arc::new(Disk), data);
    let makes = (0..3).map(|n| day.make("big", "big", At(MORNING_NS).plus_s(n * 86_400))).collect::<Vec<_>>();
    let names = segments(data);
    assert_eq!(names.len(), 3, "{names:?}");
    for name in &names[..2] {
        let file = data.join("journal").join(name);
        let touched = Command::new("touch").args(["-d", "5 days ago"]).arg(file).status().unwrap();
        assert!(touched.success());
    }
    makes
}

fn pack(home: &Path) -> bool {
    Command::new("sh").args(["-c", &packing()]).current_dir(home).status().unwrap().success()
}

/// The first day's make attached to a lot: its trace and its events.
fn attached(data: &Path, id: &str, make: (At, At)) -> [String; 2] {
    let folder = made_day::attached(data, id, make).store().folder(id);
    ["trace.lp", "events.jsonl"].map(|f| std::fs::read_to_string(folder.join(f)).unwrap())
}

#[test]
fn a_make_of_a_packed_day_is_attached_as_if_it_were_plain() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = three_days(&data);
    let plain = attached(&data, "plain", makes[0]);
    assert!(pack(home.path()));
    let packed = segments(&data);
    assert!(packed[0].ends_with(".lp.gz") && packed[1].ends_with(".lp.gz"), "{packed:?}");
    assert!(packed[2].strip_suffix(".lp").is_some() && packed.len() == 3, "{packed:?}");
    assert!(plain[0].lines().count() > 1000);
    assert_eq!(attached(&data, "packed", makes[0]), plain);
    // Packing again does nothing, and the journal goes on.
    assert!(pack(home.path()));
    assert_eq!(segments(&data), packed);
    let mut day = Day::new(Arc::new(Disk), &data);
    day.make("big", "big", At(MORNING_NS).plus_s(3 * 86_400));
    assert_eq!(attached(&data, "later", makes[0]), plain);
}

#[test]
fn what_was_packed_wrongly_leaves_the_plain_day_which_counts() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = three_days(&data);
    let plain = attached(&data, "plain", makes[0]);
    let first = segments(&data)[0].clone();
    // The machine was switched off while it packed.
    std::fs::write(data.join("journal").join(format!("{first}.gz")), b"\x1f\x8b\x08").unwrap();
    pack(home.path());
    assert!(segments(&data).contains(&first), "{:?}", segments(&data));
    assert_eq!(attached(&data, "again", makes[0]), plain);
}

/// The newest day packed, with one bit of its middle turned.
fn damaged_newest(data: &Path) -> String {
    let journal = data.join("journal");
    let newest = segments(data).pop().unwrap();
    assert!(Command::new("gzip").arg(journal.join(&newest)).status().unwrap().success());
    let file = format!("{newest}.gz");
    let mut bytes = std::fs::read(journal.join(&file)).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 4;
    std::fs::write(journal.join(&file), bytes).unwrap();
    file
}

fn lines(data: &Path) -> usize {
    house::journal(data).len()
}

#[test]
fn a_damaged_packed_day_in_the_look_back_does_not_keep_the_daemon_from_starting() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    three_days(&data);
    let (two_days, whole) = (lines(&data) / 3 * 2, lines(&data));
    let file = damaged_newest(&data);
    let rest = lines(&data);
    assert!((two_days + 100..whole).contains(&rest), "{rest} of {whole}: the day's whole groups are read");
    let config = house::config(home.path(), "[dairy]\ndata = \"data\"\n");
    let clock = Clock::by_hand(MORNING_NS + 4 * 86_400_000_000_000);
    let house = house::House::open(config, clock);
    let knows = || house.shown().view.kettles.iter().any(|k| &*k.kettle == "big");
    assert!(house::wait_for(Duration::from_secs(10), knows), "the recent past is gone through");
    house.close().unwrap();
    let aside = Disk.list(&data.join("journal/quarantine")).unwrap();
    assert!(aside.iter().any(|n| n.starts_with(&file)), "{aside:?}");
    // Nothing was taken away, and a later day goes on from there.
    assert!(segments(&data).contains(&file));
    assert!(lines(&data) >= rest);
}

#[test]
fn a_damaged_packed_day_keeps_no_other_days_make_from_its_lot() {
    let home = tempfile::tempdir().unwrap();
    let data = home.path().join("data");
    let makes = three_days(&data);
    let plain = attached(&data, "plain", makes[0]);
    damaged_newest(&data);
    assert_eq!(attached(&data, "again", makes[0]), plain);
}
