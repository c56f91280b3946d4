//! Promise: what a person types of a lot is taken as it was meant, in the lot's own time;
//! what was typed by mistake can be taken out, and who typed it stands in the record.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use std::path::Path;

use curdtrace::lot::record::Record;
use lot_command::{record, refused, well};

fn correct(place: &Path, field: &str) -> String {
    well(place, &["correct", "a-1", field, "--by", "ada", "--reason", "mistyped"])
}

/// A moment so many minutes ago, as the command takes it.
fn ago(minutes: i64) -> String {
    let then = jiff::Timestamp::now() - jiff::Span::new().minutes(minutes);
    format!("{then:.0}")
}

/// Without a configuration in reach it was read as UTC, though the lot's zone is known.
#[test]
fn a_time_is_the_lots_own_wherever_it_is_typed() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    std::fs::write(place.join("far.toml"), "[dairy]\ntime-zone = \"Asia/Kolkata\"\n").unwrap();
    well(place, &["open", "--id", "a-1", "--config", "far.toml"]);
    let typed = "yesterday 12:07";
    let said = well(place, &["ph", "a-1", "6.4", "--at", typed]);
    well(place, &["mark", "rennet", "--lot", "a-1", "--at", typed]);
    let r = record(place, "a-1");
    let clock = |at: curdtrace::lot::at::At| at.clock(&r.zone());
    assert_eq!((r.time_zone.as_str(), clock(r.ph[0].at)), ("Asia/Kolkata", "12:07".into()));
    assert_eq!(r.ph[0].at, r.marks[0].at);
    assert!(said.contains("pH 6.4 at ") && said.contains("12:07"), "{said}");
    let none = ["attach", "a-1", "--probe", "p", "--since", typed, "--until", "yesterday 12:09"];
    refused(place, &none, 66, "T06:37:00Z to ");
}

/// Half an hour after midnight 23:50 was a pH of the coming night.
#[test]
fn a_ph_is_of_the_past_and_is_taken_once() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    refused(place, &["ph", "a-1", "6.4", "--at", &ago(-90)], 64, "still to come");
    let far =
        refused(place, &["mark", "cut", "--lot", "a-1", "--at", "2199-01-01 20:00"], 64, "still to come");
    assert!(!far.contains("yesterday"), "{far}");
    let at = ago(30);
    well(place, &["ph", "a-1", "6.4", "--at", &at, "--by", "ada"]);
    let again = well(place, &["ph", "a-1", "6.4", "--at", &at, "--by", "bruno"]);
    assert!(again.contains("says so already"), "{again}");
    assert_eq!(record(place, "a-1").ph.len(), 1);
    // Two instruments, one moment: told apart by their place.
    well(place, &["ph", "a-1", "6.3", "--at", &at, "--by", "ada"]);
    let twice = &["correct", "a-1", &format!("ph.{at}=6.2"), "--by", "ada", "--reason", "mistyped"];
    let both = refused(place, twice, 64, "could be several");
    assert!(both.contains("#1 (6.4)") && both.contains("#2 (6.3)"), "{both}");
    correct(place, &format!("ph.{at}#2=6.2"));
    assert_eq!(record(place, "a-1").ph.iter().map(|p| p.value).collect::<Vec<_>>(), [6.4, 6.2]);
}

/// "A number is wanted", and nothing could be taken out.
#[test]
fn what_was_entered_by_mistake_is_struck_and_stays_to_be_read() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    well(place, &["set", "a-1", "milk.litres=180,5", "rennet.dose-ml=32", "rennet.name=calf"]);
    well(place, &["wheel", "a-1", "5=6.2", "3.1=7"]);
    well(place, &["milking", "a-1", "m1", "--litres", "80"]);
    let at = ago(30);
    well(place, &["ph", "a-1", "6.4", "--at", &at]);
    well(place, &["mark", "ph", "6.1", "--by", "ada"]);
    let marked = record(place, "a-1").ph.iter().map(|p| p.at).max().unwrap();
    for field in
        ["milk.litres=", "rennet.dose-ml=", "rennet.name=", "wheel.5.kg=", "wheel.3.1=", "milking.m1="]
    {
        correct(place, field);
    }
    correct(place, &format!("ph.{at}="));
    correct(place, &format!("ph.{marked}="));
    let struck = |r: &Record| {
        assert_eq!((r.milk.litres, r.rennet.dose_ml, r.rennet.name.as_deref()), (None, None, None));
        assert_eq!((r.wheels.len(), r.wheels[0].kg, r.milkings.len(), r.ph.len()), (1, None, 0, 0));
        let old: Vec<_> = r.corrections.iter().map(|c| (c.field.as_str(), c.old.as_str())).collect();
        assert_eq!(old[0], ("milk.litres", "180.5"));
        assert_eq!(old[4].0, "wheel.3.1");
        assert!(old[4].1.contains("kg = 7.0"), "{old:?}");
        assert_eq!((old[6].1, r.corrections.len()), ("6.4", 8));
        assert!(r.corrections.iter().all(|c| c.new.is_empty() && c.by == "ada" && c.reason == "mistyped"));
    };
    struck(&record(place, "a-1"));
    well(place, &["close", "a-1", "--by", "ada"]);
    struck(&record(place, "a-1"));
    for (field, says) in [
        ("wheel.5=7", "name a part of it, after another point: kg, note;"),
        ("wheel.9=", "no such wheel"),
        ("milking.m1=", "no such milking"),
        ("kettle=", "is empty"),
    ] {
        refused(place, &["correct", "a-1", field, "--by", "ada", "--reason", "r"], 64, says);
    }
    correct(place, "wheel.5=");
    assert_eq!(record(place, "a-1").wheels.len(), 0);
    well(place, &["verify", "a-1"]);
    let shown = well(place, &["show", "a-1"]);
    assert!(shown.contains("milk.litres from 180.5 to nothing (struck) by ada"), "{shown}");
}

/// `--by` was taken and kept nowhere while a lot was open.
#[test]
fn who_entered_a_figure_stands_in_the_record() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada", "--set", "milk.litres=100"]);
    well(place, &["set", "a-1", "rennet.dose-ml=32", "--by", "bruno"]);
    well(place, &["milking", "a-1", "m1", "--litres", "80", "--by", "carla"]);
    well(place, &["milking", "a-1", "m1", "--celsius", "12", "--by", "dora"]);
    well(place, &["wheel", "a-1", "1=6.2", "2", "--by", "elio"]);
    well(place, &["ph", "a-1", "6.4", "--by", "fritz"]);
    well(place, &["set", "a-1", "rennet.lot=R 7"]);
    well(place, &["close", "a-1", "--by", "ada"]);
    let r = serde_json::to_value(record(place, "a-1")).unwrap();
    let entries: Vec<String> = r["entry"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| {
            assert!(e["at"].as_str().unwrap().ends_with('Z'), "{e}");
            let text = |key: &str| e[key].as_str().unwrap_or("-").to_owned();
            format!("{} {} {}", text("field"), text("value"), text("by"))
        })
        .collect();
    let all = entries.join("\n");
    for says in [
        "milk.litres 100.0 ada",
        "rennet.dose-ml 32.0 bruno",
        "milking.m1.litres 80.0 carla",
        "milking.m1.celsius 12.0 dora",
        "wheel.1.kg 6.2 elio",
        "wheel.2  elio",
        " 6.4 fritz",
        "rennet.lot \"R 7\" -",
    ] {
        assert!(all.contains(says), "{says}: {all}");
    }
    let shown = well(place, &["show", "a-1"]);
    assert!(shown.contains("by bruno: rennet.dose-ml 32"), "{shown}");
    for args in [
        &["set", "a-1", "note=x", "--by", ""][..],
        &["wheel", "a-1", "3", "--by", " "],
        &["milking", "a-1", "m2", "--by", ""],
        &["ph", "a-1", "6.4", "--by", ""],
        &["mark", "cut", "--by", ""],
        &["open", "--id", "b-1", "--by", ""],
        &["close", "a-1", "--by", ""],
        &["attach", "a-1", "--make", "last", "--by", ""],
        &["correct", "a-1", "note=x", "--by", "", "--reason", "r"],
    ] {
        refused(place, args, 64, "--by");
    }
}

/// A note whose second line began as a table does hid its lot: the daemon, started again,
/// opened another beside it.
#[test]
fn a_note_may_have_any_lines() {
    let dir = tempfile::tempdir().unwrap();
    let place = dir.path();
    well(place, &["open", "--id", "a-1", "--by", "ada"]);
    let note = "milk late\n[from the lower alp]\n[[stage]]";
    well(place, &["set", "a-1", &format!("note={note}"), "--by", "ada"]);
    let listed = well(place, &["list"]);
    assert!(listed.starts_with("a-1"), "{listed}");
    assert_eq!(record(place, "a-1").note.as_deref(), Some(note));
}
