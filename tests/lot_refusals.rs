//! Promise: what a person says of a lot goes where it was meant to, or is
//! refused with a remedy; nothing said is lost in silence.

#![allow(clippy::unwrap_used)] // a test may end here

#[path = "support/lot_command.rs"]
mod lot_command;

use std::path::Path;

use lot_command::{run, well};

const CONFIG: &str = "[dairy]\ndata = \"data\"\n[[kettle]]\nname = \"big\"\n[[kettle]]\nname = \"small\"\n\
                      [[probe]]\nname = \"tank\"\n";

fn refused(place: &Path, args: &[&str], code: i32, says: &[&str]) {
    let (got, out, err) = run(place, args);
    assert_eq!((got, out.as_str()), (code, ""), "{args:?}: {err}");
    assert!(says.iter().all(|s| err.contains(s)), "{args:?}: {err}");
}

/// It was said to be marked, and went to no lot.
#[test]
fn a_mark_for_a_lot_that_takes_none_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--kettle", "big", "--id", "a-1", "--by", "ada"]);
    assert!(well(place, &["mark", "cut", "--lot", "a-1"]).contains("in lot a-1"));
    well(place, &["close", "a-1", "--by", "ada"]);
    refused(
        place,
        &["mark", "cut", "--lot", "a-1"],
        65,
        &["lot a-1 is closed", "lot set a-1 note=", "lot correct"],
    );
    well(place, &["open", "--past", "--kettle", "big", "--id", "b-1", "--by", "ada"]);
    refused(place, &["mark", "cut", "--lot", "b-1"], 65, &["of a make that is over"]);
    refused(place, &["mark", "cut", "--lot", "c-1"], 66, &["there is no lot c-1"]);
}

#[test]
fn a_value_that_a_mark_does_not_take_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    refused(dir.path(), &["mark", "rennet", "5"], 64, &["rennet takes no value", "lot mark note \"5\""]);
    refused(dir.path(), &["mark", "renet", "5"], 64, &["renet"]);
    assert!(!dir.path().join("data/journal").exists());
    well(dir.path(), &["mark", "ph", "6,45"]);
}

#[test]
fn a_kettle_that_the_configuration_does_not_name_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    // Nobody says which there are.
    well(place, &["open", "--kettle", "of-its-box", "--id", "a-1", "--by", "ada"]);
    std::fs::write(place.join("curdtrace.toml"), CONFIG).unwrap();
    for args in [&["mark", "cut", "--kettle", "bgi"][..], &["open", "--kettle", "bgi"]] {
        refused(place, args, 64, &["no kettle \"bgi\"", "big, small", "[[kettle]]"]);
    }
    for kettle in ["big", "small", "tank", "of-its-box"] {
        well(place, &["mark", "cut", "--kettle", kettle]);
    }
    assert_eq!(well(place, &["list"]).lines().count(), 1);
}

#[test]
fn a_mother_that_is_no_lot_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    refused(place, &["open", "--id", "b-1", "--mother", "a-1"], 66, &["there is no lot a-1"]);
    assert!(!place.join("data/lots/b-1").exists());
    well(place, &["open", "--past", "--id", "a-1"]);
    well(place, &["open", "--id", "b-1", "--mother", "a-1"]);
}

/// They were answered as if there were just no lot.
#[test]
fn what_is_not_there_and_what_is_no_day_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    for what in [&["list"][..], &["verify"]] {
        let args = [what, &["--data", "none"]].concat();
        refused(place, &args, 66, &["there is no data folder at none", "--data DIR"]);
    }
    refused(place, &["open", "--kettle", "big", "--plan", "none.toml"], 66, &["plan none.toml is not there"]);
    well(place, &["open", "--kettle", "big", "--id", "a-1", "--by", "ada"]);
    for what in [
        &["list", "--day", "garbage"][..],
        &["export", "--day", "garbage", "--to", "."],
        &["season", "garbage"],
    ] {
        refused(place, what, 64, &["\"garbage\" is no day, month or year", "2026-07"]);
    }
    refused(place, &["export", "--day", "1999", "--to", "."], 66, &["no closed lot is of 1999"]);
    assert!(well(place, &["list", "--day", "today"]).contains("a-1"));
}

/// With the journal gone too the dairy's own folder was taken for a stick, and a
/// lot that was deleted for one that is elsewhere.
#[test]
fn a_lot_that_is_gone_with_the_journal_is_a_fault() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--kettle", "big", "--id", "a-1", "--by", "ada"]);
    well(place, &["close", "a-1", "--by", "ada"]);
    assert!(well(place, &["verify"]).contains("as it was closed"));
    std::fs::remove_dir_all(place.join("data/lots/a-1")).unwrap();
    let _ = std::fs::remove_dir_all(place.join("data/journal"));
    let (code, out, err) = run(place, &["verify"]);
    assert_eq!(code, 65, "{out}{err}");
    assert!(out.contains("a-1: NOT AS IT WAS CLOSED"), "{out}");
}
