//! Promise: a reading that comes late is a record of then. What is older than
//! the machine's start or than a day is kept under its own time, and never shown
//! as a number of now; no clock has to be right for that. And readings of two
//! days that come together are all found again, each under its day.

#![allow(clippy::unwrap_used)] // a test may end here

use support::box_bench;
use support::house;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use box_bench::Bench;
use curdtrace::daemon::clock::Clock;
use curdtrace::journal::replay::{Replay, Span};
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use house::{House, config, journal, wait_for};

const SOON: Duration = Duration::from_secs(10);
const S: i64 = 1_000_000_000;
const DAY_S: i64 = 86_400;
/// Midnight at the beginning of 14 July 2025 UTC, ns.
const MIDNIGHT_NS: i64 = 1_752_451_200 * S;

/// The line of a reading in the journal, and its own time.
fn kept(data: &Path, celsius: &str) -> (String, i64) {
    let lines = journal(data);
    let line = lines.iter().find(|l| l.contains(celsius)).unwrap().clone();
    let own_ns = line.rsplit_once(' ').unwrap().1.parse().unwrap();
    (line, own_ns)
}

fn never_shown_as_now(wall_ns: i64) {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::new(folder.path(), wall_ns);
    for _ in 0..5 {
        bench.reading(30.5, 0);
    }
    let (before, at) = (bench.shown_celsius(), bench.clock.now().wall_ns);
    assert!(before.is_some_and(|c| (c - 30.5).abs() < 0.1), "{before:?}");
    // From before the machine's start; there are more of them than live ones.
    for n in 0..40 {
        for _ in 0..3 {
            bench.reading(20.5, 3600);
        }
        bench.reading(30.5, 0);
        let shown = bench.shown_celsius();
        assert!(shown.is_some_and(|c| c > 30.0), "{shown:?} is shown after {n}");
    }
    bench.house.close().unwrap();

    let data = folder.path().join("data");
    let (line, own_ns) = kept(&data, "celsius=20.5,");
    assert!(line.contains("health=\"check-function\",reason=\"came late: taken 60 min before\""), "{line}");
    assert!(line.contains(",late_s=3600u "), "{line}");
    assert!((own_ns - (at - 3599 * S)).abs() < 5 * S, "{own_ns} is no hour before {at}");
    let of_milk = |l: &String| l.contains("said-") && l.contains("kettle=milk");
    let said: Vec<String> = journal(&data).into_iter().filter(of_milk).collect();
    assert!(said.is_empty(), "nothing follows from them: {said:#?}");
    // A restart goes through them again, and shows none either.
    let again = House::open(config(folder.path(), "[dairy]\ndata = \"data\"\n"), Clock::by_hand(at + 90 * S));
    assert!(wait_for(SOON, || !again.shown().view.kettles.is_empty()));
    let shown = again.shown();
    let milk = shown.view.kettles.iter().find(|k| &*k.kettle == "milk").unwrap();
    assert!(milk.celsius.is_none_or(|c| c > 30.0), "{milk:?}");
    again.close().unwrap();
}

#[test]
fn a_reading_from_before_the_start_is_of_then() {
    never_shown_as_now(MIDNIGHT_NS + 6 * 3600 * S);
}

#[test]
fn a_reading_from_before_the_start_is_of_then_on_a_machine_in_1970() {
    never_shown_as_now(5 * S);
}

/// An age needs no clock: with one that was never set, a reading of a few
/// minutes ago stands a few minutes before, and not at its arrival.
#[test]
fn an_age_counts_while_the_clock_is_unsure() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = Bench::new(folder.path(), 5 * S);
    bench.clock.advance(Duration::from_secs(900));
    bench.reading(30.5, 0);
    let at = bench.clock.now().wall_ns;
    bench.reading(30.25, 600);
    assert!(!bench.house.shown().clock_sure);
    bench.house.close().unwrap();
    let (line, own_ns) = kept(&folder.path().join("data"), "celsius=30.25,");
    assert!(!line.contains("late_s"), "{line}");
    assert!((own_ns - (at - 599 * S)).abs() < 5 * S, "{own_ns} is no ten minutes before {at}");
}

/// The filter takes the day's journal as the daemon took the day.
#[test]
fn the_filter_leaves_a_reading_of_then_alone_too() {
    let folder = tempfile::tempdir().unwrap();
    let live = |s: i64| format!("temperature,probe=milk celsius=30.5 {}\n", MIDNIGHT_NS + s * S);
    let late = |s: i64| {
        let own_ns = MIDNIGHT_NS + (s - 2 * DAY_S) * S;
        format!("temperature,probe=milk celsius=20.5,health=\"check-function\",late_s=172800u {own_ns}\n")
    };
    let lines: String = (0..20).map(live).chain((20..30).map(late)).chain((30..40).map(live)).collect();
    std::fs::write(folder.path().join("day.lp"), lines).unwrap();
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_curdtrace"))
        .args(["replay", "--readings", "day.lp"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(out.status.success(), "{out:?}");
    let said = String::from_utf8(out.stdout).unwrap();
    let readings: Vec<&str> = said.lines().filter(|l| l.starts_with("{\"kind\":\"reading\"")).collect();
    assert_eq!(readings.len(), 40, "one for every line");
    assert!(readings.iter().all(|l| l.contains("\"celsius\":30.5")), "{readings:#?}");
    assert!(!said.contains("the clock was set"), "{said}");
}

/// A reading that was taken and came so many seconds after midnight.
fn push(journal: &mut Journal, celsius: &str, taken_s: i64, came_s: i64) {
    let mono_ns = ((came_s + 50 * DAY_S) * S).unsigned_abs();
    let at = Moment { mono_ns, offset_ns: MIDNIGHT_NS - 50 * DAY_S * S, clock_sure: true };
    if journal.is_due(mono_ns) {
        journal.commit().unwrap();
    }
    let own_ns = MIDNIGHT_NS + taken_s * S;
    journal.push(&format!("temperature,probe=milk celsius={celsius} {own_ns}"), at).unwrap();
}

/// How many lines with that number a reader of a stretch finds.
fn found(dir: &Path, celsius: &str, from_s: i64, to_s: i64) -> usize {
    let at = |s: i64| Some(MIDNIGHT_NS + s * S);
    let span = Span { from_ns: at(from_s), to_ns: at(to_s) };
    let mut replay = Replay::open(Arc::new(Disk), dir, span).unwrap();
    let mut found = 0;
    while let Some((_, line)) = replay.next_line().unwrap() {
        found += usize::from(line.contains(&format!("celsius={celsius} ")));
    }
    found
}

fn open(dir: &Path) -> Journal {
    Journal::open(Arc::new(Disk), dir, Settings::default(), "a").unwrap().0
}

/// Half a minute of a box that came back: four readings of two hours ago, which
/// was yesterday, then a live one.
#[test]
fn readings_of_two_days_that_come_together_are_all_found() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = open(dir.path());
    for n in 0..150 {
        let came_s = 300 + n;
        for _ in 0..4 {
            push(&mut journal, "20.5", came_s - 7200, came_s);
        }
        push(&mut journal, "31.5", came_s, came_s);
    }
    // A month later one of before.
    push(&mut journal, "8.5", -100, 30 * DAY_S);
    journal.commit().unwrap();
    assert_eq!(Disk.list(dir.path()).unwrap().len(), 2, "a segment for each day on which something came");
    assert_eq!(found(dir.path(), "31.5", 0, 3600), 150);
    assert_eq!(found(dir.path(), "20.5", -7200, 0), 600);
    assert_eq!(found(dir.path(), "8.5", -7200, 0), 1);
}

/// Version 0.1.0 gave a segment the day of the late reading that came first.
#[test]
fn live_readings_in_a_segment_named_yesterday_are_found() {
    let dir = tempfile::tempdir().unwrap();
    let mut journal = open(dir.path());
    push(&mut journal, "20.5", -7200, -7200);
    let offset_ns = MIDNIGHT_NS - 50 * DAY_S * S;
    for n in 0..50 {
        // Of one group with it: nothing is due yet by the time of the late one.
        let own_ns = MIDNIGHT_NS + (4 * 3600 + n) * S;
        let at = Moment { mono_ns: 0, offset_ns, clock_sure: true };
        journal.push(&format!("temperature,probe=milk celsius=31.5 {own_ns}"), at).unwrap();
    }
    journal.commit().unwrap();
    assert!(Disk.list(dir.path()).unwrap()[0].contains("2025-07-13"));
    assert_eq!(found(dir.path(), "31.5", 4 * 3600, 5 * 3600), 50);
}
