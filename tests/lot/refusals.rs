//! Promise: what a person says of a lot goes where it was meant to, or is
//! refused with a remedy; nothing said is lost in silence.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

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

/// The journal got a line that its own replay refuses.
#[test]
fn a_kettle_that_the_journal_cannot_carry_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    for kettle in ["k\\", "", "a/b", " k"] {
        for args in [&["mark", "rennet", "--kettle", kettle][..], &["open", "--kettle", kettle]] {
            refused(dir.path(), args, 64, &["kettle", "--kettle big"]);
        }
    }
    assert!(!dir.path().join("data").exists());
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
/// A mistyped data folder was made, and the lot was not in it.
#[test]
fn what_changes_a_lot_makes_no_data_folder() {
    let dir = tempfile::tempdir().unwrap();
    for args in [
        &["close", "x"][..],
        &["set", "x", "score=5"],
        &["wheel", "x", "1=5"],
        &["sign", "x"],
        &["open", "--id", "x"],
        &["mark", "cut"],
    ] {
        refused(dir.path(), &[args, &["--data", "typo"]].concat(), 66, &["no data folder", "typo", "--data"]);
    }
    assert!(!dir.path().join("typo").exists());
}

/// A product of two lines made two of its lot.
#[test]
fn words_that_stand_in_no_line_are_refused_and_shown_in_one() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    refused(place, &["open", "--id", "a-1", "--product", "Alp\nwheel"], 64, &["product", "without"]);
    refused(place, &["open", "--litres", "-5"], 64, &["milk.litres cannot be \"-5\": it lies between 0"]);
    well(place, &["open", "--id", "a-1", "--product", "Alp wheel"]);
    refused(place, &["correct", "a-1", "product=Alp\u{7}", "--by", "ada", "--reason", "x"], 64, &["without"]);
    // As a former version took it.
    let file = place.join("data/lots/a-1/lot.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, text.replace("\"Alp wheel\"", "\"Alp\\nwheel\"")).unwrap();
    let list = well(place, &["list"]);
    assert!(list.lines().count() == 1 && list.contains("Alp wheel"), "{list}");
}

/// An empty folder had nothing wrong in it.
#[test]
fn a_folder_that_is_no_data_folder_is_not_verified() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(dir.path().join("other/photos")).unwrap();
    refused(
        dir.path(),
        &["verify", "--data", "other"],
        66,
        &["other is no data folder", "chain.txt", "--data"],
    );
    // A dairy that has made nothing yet.
    std::fs::create_dir_all(dir.path().join("new/journal")).unwrap();
    let (code, out, err) = run(dir.path(), &["verify", "--data", "new"]);
    assert!((code, out.as_str()) == (0, "") && err.contains("there is no lot in new/lots"), "{code} {err}");
}

/// The page was praised before it could not be written.
#[test]
fn a_sheet_that_cannot_be_written_is_not_announced() {
    let dir = tempfile::tempdir().unwrap();
    well(dir.path(), &["open", "--past", "--id", "a-1"]);
    let (code, out, err) = run(dir.path(), &["sheet", "a-1", "--out", "nope/x.html"]);
    assert_eq!((code, out.as_str()), (74, ""));
    assert!(err.contains("nope/x.html") && err.contains("name a file") && !err.contains("A4"), "{err}");
}

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

/// A second weight took the place of the first, in a sealed lot too, and the
/// correction said that nothing had stood there.
#[test]
fn what_stands_is_corrected_and_never_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--past", "--id", "a-1", "--by", "ada"]);
    well(place, &["wheel", "a-1", "1=6", "2"]);
    well(place, &["milking", "a-1", "evening", "--litres", "90"]);
    well(place, &["ph", "a-1", "6.5", "--at", "yesterday 06:30"]);
    let weight = ["wheel", "a-1", "1=9", "--by", "bob"];
    let correction = &["wheel.1.kg of a-1 stands already as 6;", "lot correct a-1 wheel.1.kg=…"];
    for closed in [false, true] {
        if closed {
            well(place, &["close", "a-1", "--by", "ada"]);
        }
        refused(place, &weight, 64, correction);
        refused(
            place,
            &["milking", "a-1", "evening", "--litres", "80", "--by", "b"],
            64,
            &["lot correct a-1"],
        );
    }
    // What has none yet takes it.
    well(place, &["wheel", "a-1", "2=5.5", "3=6.1", "--by", "bob"]);
    let fields = ["wheel.1.kg=9", "milking.evening.litres=80", "ph.06:30=6,4"];
    well(place, &[&["correct", "a-1"], &fields[..], &["--by", "bob", "--reason", "misread"]].concat());
    let shown = well(place, &["show", "a-1"]);
    for says in [
        "wheel: 1, 9 kg",
        "wheel: 2, 5.5 kg",
        "wheel: 3, 6.1 kg",
        "milking: evening, 80 L",
        "pH 6.4 at ",
        "wheel.1.kg from 6.0 to 9.0 by bob: misread",
        "milking.evening.litres from 90.0 to 80.0 by bob",
        "ph.06:30 from 6.5 to 6.4 by bob",
    ] {
        assert!(shown.contains(says), "{says}: {shown}");
    }
    well(place, &["verify", "a-1"]);
}

#[test]
fn what_cannot_be_entered_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--past", "--id", "a-1"]);
    well(place, &["open", "--past", "--id", "b-1", "--mother", "a-1"]);
    let before = std::fs::read(place.join("data/lots/a-1/lot.toml")).unwrap();
    let why = ["--by", "ada", "--reason", "r"];
    for (args, code, says) in [
        (&["milking", "a-1", "m", "--litres=-5"][..], 64, "between 0 and 50000"),
        (&["milking", "a-1", "m", "--litres=nan"], 64, "a number is wanted"),
        (&["milking", "a-1", "m", "--celsius=inf"], 64, "a number is wanted"),
        (&["milking", "a-1", "m", "--celsius", "9000"], 64, "between -1 and 100"),
        (&["milking", "a-1", " "], 64, "it has no name"),
        (&["wheel", "a-1", "=3"], 64, "it has no name"),
        (&["wheel", "a-1", "1=-3"], 64, "between 0.001 and 500"),
        (&["ph", "a-1", "15"], 64, "between 0 and 14"),
        (&["set", "a-1", "mother=nope"], 66, "no lot nope"),
        (&["correct", "a-1", "mother=a-1", why[0], why[1], why[2], why[3]], 64, "its own whey"),
        (&["correct", "a-1", "mother=b-1", why[0], why[1], why[2], why[3]], 64, "its own whey"),
        (&["correct", "a-1", "kettle=", why[0], why[1], why[2], why[3]], 64, "is empty"),
        (&["correct", "a-1", "wheel.7.kg=3", why[0], why[1], why[2], why[3]], 64, "no such wheel"),
    ] {
        refused(place, args, code, &[says]);
    }
    assert_eq!(std::fs::read(place.join("data/lots/a-1/lot.toml")).unwrap(), before);
    well(place, &["ph", "a-1", "--", "-0"]);
    assert!(well(place, &["show", "a-1"]).contains("pH 0 at"));
}

/// A day of another year was taken, and then no sheet was right.
#[test]
fn a_moment_that_cannot_be_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    refused(place, &["open", "--past", "--made", "2136-07-14 06:03"], 64, &["still to come", "2136"]);
    well(place, &["open", "--past", "--id", "a-1", "--made", "2026-01-14 06:03"]);
    refused(place, &["ph", "a-1", "6.4", "--at", "2136-07-14 06:03"], 64, &["still to come", "--at"]);
    refused(place, &["ph", "a-1", "6.4", "--at", "2024-07-14 06:03"], 64, &["2026-01-14", "400 days"]);
    well(place, &["ph", "a-1", "6,45", "--at", "2026-01-14 08:30"]);
    well(place, &["ph", "a-1", "5,2", "--at", "2026-01-15 07:00"]);
    let shown = well(place, &["show", "a-1"]);
    assert!(shown.contains("pH 6.45 at 08:30") && shown.contains("pH 5.2 at 2026-01-15 07:00"), "{shown}");
}

/// "use letters, digits, - _ and . only" was said of letters.
#[test]
fn what_is_wrong_with_an_id_is_said() {
    let dir = tempfile::tempdir().unwrap();
    for (id, says) in
        [("x".repeat(121), "longer than 120"), (".a".into(), "begins or ends"), ("a/b".into(), "letters")]
    {
        refused(dir.path(), &["open", "--id", &id], 64, &["cannot be a lot's id", says]);
    }
}

/// What could be done about it was left to whoever read it.
#[test]
fn a_data_folder_that_cannot_be_used_is_named_with_a_remedy() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join("rod"), "").unwrap();
    let remedy = "look at the folder and its disk";
    refused(dir.path(), &["open", "--data", "rod"], 74, &["cannot use the data folder rod", remedy]);
}

/// An empty folder was a dairy without lots.
#[test]
fn a_folder_that_is_no_data_folder_is_not_listed() {
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(dir.path().join("other/photos")).unwrap();
    refused(dir.path(), &["list", "--data", "other"], 66, &["other is no data folder", "--data"]);
}

/// A file of signers that was named and is not there was passed over.
#[test]
fn signers_that_are_named_and_not_there_are_missed() {
    let dir = tempfile::tempdir().unwrap();
    well(dir.path(), &["open", "--past", "--id", "a-1"]);
    well(dir.path(), &["close", "a-1", "--by", "ada"]);
    refused(dir.path(), &["verify", "a-1", "--allowed-signers", "nope"], 66, &["signers nope is not there"]);
}

/// Which file of the disk it was, nobody said.
#[test]
fn a_chain_that_was_changed_is_named() {
    let dir = tempfile::tempdir().unwrap();
    well(dir.path(), &["open", "--past", "--id", "a-1"]);
    well(dir.path(), &["close", "a-1", "--by", "ada"]);
    let path = dir.path().join("data/chain.txt");
    let chain = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, chain.replace("sums=", "sums=0")).unwrap();
    let (code, _, err) = run(dir.path(), &["verify"]);
    assert!(code == 65 && err.contains("line 4 of data/chain.txt") && err.contains("from a copy"), "{err}");
}
