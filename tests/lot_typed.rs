//! Promise: what a person types of a lot is taken as it was meant, in the lot's own time;
//! what was typed by mistake can be taken out, and who typed it stands in the record.

#![allow(clippy::unwrap_used)] // a test may end here

use support::lot_command;

use std::path::Path;

use curdtrace::lot::record::Record;
use lot_command::{run, well};

fn record(place: &Path, lot: &str) -> Record {
    let json = well(place, &["show", lot, "--json"]);
    serde_json::from_str(&json).unwrap()
}

fn refused(place: &Path, args: &[&str], code: i32, says: &str) -> String {
    let (got, out, err) = run(place, args);
    assert_eq!((got, out.as_str()), (code, ""), "{args:?}: {err}");
    assert!(err.contains(says), "{args:?}: {err}");
    err
}

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
