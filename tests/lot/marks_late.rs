//! Promise: a moment that was forgotten can be marked late, and a mark that was wrong
//! moved or struck; the record has what was meant, when it was said, by whom and why.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use curdtrace::lot::record::Record;
use lot_command::{record, refused, well};

/// A moment so many minutes ago, as the command takes it.
fn ago(minutes: i64) -> String {
    let then = jiff::Timestamp::now() - jiff::Span::new().minutes(minutes);
    format!("{then:.0}")
}

#[test]
fn a_mark_told_late_is_kept_with_both_moments() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    refused(place, &["mark", "rennet", "--at", &ago(20)], 65, "no lot is open on kettle");
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    let (poured, cut) = (ago(30), ago(5));
    let said = well(place, &["mark", "rennet", "--at", &poured, "--by", "ada"]);
    assert!(said.contains("lot a-1: rennet at") && said.contains("in the record"), "{said}");
    let open = record(place, "a-1");
    let told = |r: &Record| r.marks.iter().map(|m| (m.at.to_string(), m.told.is_some())).collect::<Vec<_>>();
    assert_eq!(told(&open), [(poured.clone(), true)]);
    assert!(well(place, &["show", "a-1"]).contains("by ada (told "), "both moments are shown");
    well(place, &["close", "a-1", "--by", "ada"]);
    assert_eq!(told(&record(place, "a-1")), told(&open), "closing keeps it");
    // A closed lot takes it from whoever says who he is, and is sealed again.
    refused(place, &["mark", "cut", "--lot", "a-1", "--at", &cut], 64, "--by NAME");
    well(place, &["mark", "cut", "--lot", "a-1", "--at", &cut, "--by", "bruno"]);
    well(place, &["verify", "a-1"]);
    let closed = record(place, "a-1");
    assert_eq!(told(&closed), [(poured, true), (cut, true)]);
    assert_eq!(
        (closed.corrections[0].by.as_str(), closed.corrections[0].field.as_str()),
        ("bruno", "mark.cut")
    );
    refused(place, &["mark", "cut", "--lot", "a-1", "--at", &ago(-90), "--by", "ada"], 64, "still to come");
    refused(
        place,
        &["mark", "ph", "6.4", "--lot", "a-1", "--at", &ago(9), "--by", "ada"],
        64,
        "lot ph a-1 6.4",
    );
    refused(place, &["mark", "cut", "--lot", "c-1", "--at", &ago(9)], 66, "there is no lot c-1");
}

#[test]
fn a_wrong_mark_is_moved_or_struck_and_the_old_one_stays_to_be_read() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    for name in ["rennet", "cut", "cut"] {
        well(place, &["mark", name, "--by", "ada"]);
    }
    let pressed = record(place, "a-1").marks;
    let meant = ago(10);
    let by = ["--by", "ada", "--reason", "pressed late"];
    let correct = |field: &str| [&["correct", "a-1", field][..], &by].concat().join("\t");
    let words = |line: String| line.split('\t').map(str::to_owned).collect::<Vec<_>>();
    let well_done = |field: &str| {
        let line = words(correct(field));
        well(place, &line.iter().map(String::as_str).collect::<Vec<_>>())
    };
    let refuse = |field: &str, says: &str| {
        let line = words(correct(field));
        refused(place, &line.iter().map(String::as_str).collect::<Vec<_>>(), 64, says);
    };
    refuse("mark.cut=", "could be several");
    refuse("mark.floc=06:00", "no such mark");
    refuse(&format!("mark.rennet={}", ago(-60)), "still to come");
    refused(place, &["set", "a-1", &format!("mark.rennet={meant}")], 64, "--reason");
    well_done(&format!("mark.rennet={meant}"));
    well_done(&format!("mark.cut.{}=", pressed[2].at));
    let check = |r: &Record| {
        let marks: Vec<_> = r.marks.iter().map(|m| (m.name.as_str(), m.at.to_string(), m.told)).collect();
        let cut = ("cut", pressed[1].at.to_string(), None);
        assert_eq!(marks, [("rennet", meant.clone(), Some(pressed[0].at)), cut]);
        assert_eq!(r.struck, [pressed[2].clone()]);
        assert_eq!(r.corrections.len(), 2);
        assert_eq!(r.corrections[0].old, format!("\"{}\"", pressed[0].at));
        assert_eq!((r.corrections[0].by.as_str(), r.corrections[0].reason.as_str()), ("ada", "pressed late"));
    };
    check(&record(place, "a-1"));
    well(place, &["close", "a-1", "--by", "ada"]);
    check(&record(place, "a-1"));
    let sheet = well(place, &["sheet", "a-1"]);
    assert!(sheet.contains("struck") && sheet.contains("told"), "the sheet shows both");
    // Also when it is closed; and the journal stays as it was.
    well_done("mark.cut=");
    assert_eq!(record(place, "a-1").struck.len(), 2);
    well(place, &["verify", "a-1"]);
    let events = std::fs::read_to_string(place.join("data/lots/a-1/events.jsonl")).unwrap();
    assert_eq!(events.matches("\"kind\":\"mark\"").count(), 3);
}

/// It said "stands already as 85.0".
#[test]
fn a_figure_that_stands_is_said_as_it_was_typed() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    well(place, &["set", "a-1", "rennet.dose-ml=85"]);
    refused(place, &["set", "a-1", "rennet.dose-ml=86"], 64, "stands already as 85; correct it");
}
