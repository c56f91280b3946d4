//! A lot opened before the clock was set is dated once it is: its trace is the
//! make's and holds nothing of an earlier day, and the make's end closes it.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::engine::effect::{Conclusion, Effect, Make, MakeStage};
use curdtrace::engine::event::Name;
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::journal::storage::{Disk, Storage};
use curdtrace::journal::{Journal, Moment, Settings};
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::Record;
use made_day::{MORNING_NS, dairy};

const S: i64 = 1_000_000_000;
const DAY_S: i64 = 86_400;

fn disk() -> Arc<dyn Storage> {
    Arc::new(Disk)
}

/// Readings of the kettle `p`, one every ten seconds of a boot's monotonic time.
fn read(data: &Path, boot: &str, clock: (i64, bool), mono_s: std::ops::Range<i64>, celsius: f64) {
    let settings = Settings { group_ns: u64::MAX, ..Settings::default() };
    let (mut journal, _) = Journal::open(disk(), &data.join("journal"), settings, boot).unwrap();
    let (offset_ns, clock_sure) = clock;
    for mono_s in mono_s.step_by(10) {
        let at = Moment { mono_ns: (mono_s * S).unsigned_abs(), offset_ns, clock_sure };
        journal.push(&format!("temperature,probe=p celsius={celsius} {}", at.wall_ns()), at).unwrap();
    }
    journal.commit().unwrap();
}

/// An earlier day of the same kettle, and a machine that then wakes in 1970.
fn hut() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    read(dir.path(), "a", (MORNING_NS - 3 * DAY_S * S, true), 0..600, 8.5);
    read(dir.path(), "b", (0, false), 100..700, 31.5);
    dir
}

fn open(data: &Path, at: At) -> String {
    let opening = Opening { kettle: "p".into(), ..Opening::default() };
    let request = Request { at, by: Some("ada".into()), ask: Ask::Open(opening) };
    Lots::open(disk(), data, dairy()).unwrap().0.apply(&request).unwrap().lot
}

/// The make ends; the lot as it was closed, and its trace.
fn close(data: &Path, lot: &str, at: At) -> (Record, String) {
    let mut lots = Lots::open(disk(), data, dairy()).unwrap().0;
    let stage = Stage::Drawing;
    let stages = vec![MakeStage { stage, began: None, ended: None, confidence: 1.0, basis: Basis::Trace }];
    let what = Conclusion::Make(Make { stages, cooks: vec![] });
    let ended = Effect { time: Some(at.0), probe: Name::from("p"), kettle: Name::from("p"), what };
    let done = lots.take(&ended, None, None, at).unwrap();
    assert_eq!(done.map(|d| (d.lot, d.closed)), Some((lot.to_string(), true)), "the make's end closes it");
    let trace = std::fs::read_to_string(lots.store().folder(lot).join("trace.lp")).unwrap();
    (lots.store().load(lot).unwrap(), trace)
}

fn readings(trace: &str, celsius: &str) -> usize {
    trace.lines().filter(|l| l.contains(&format!("celsius={celsius}"))).count()
}

#[test]
fn it_is_dated_as_its_readings_are() {
    let hut = hut();
    let lot = open(hut.path(), At(130 * S));
    // The clock is set at second 700 of the boot: MORNING.
    let offset_ns = MORNING_NS - 700 * S;
    read(hut.path(), "b", (offset_ns, true), 700..1300, 34.5);
    let (record, trace) = close(hut.path(), &lot, At(offset_ns + 1300 * S));
    assert_eq!(record.opened, At(offset_ns + 130 * S));
    assert_eq!(
        record.opened_unsure.map(|u| u.clock_was),
        Some(At(130 * S)),
        "and what the clock said is kept"
    );
    assert_eq!(readings(&trace, "8.5"), 0, "of three days before");
    assert_eq!((readings(&trace, "31.5"), readings(&trace, "34.5")), (57, 60), "{:?}", record.stretches);
    // Whoever reads the sheet is told.
    assert_eq!((record.readings_redated, record.readings_undated), (Some(57), None));
    let found = record.deviations.join("\n");
    assert!(found.contains("The clock was wrong while 57 readings were written"), "{found}");
}

/// Milk was found, and the engine went by what the record knew: three days ago. It was
/// sealed as of the year 2083, without a reading.
#[test]
fn a_lot_that_milk_opened_is_dated_by_the_machines_own_clock() {
    let hut = hut();
    let mut lots = Lots::open(disk(), hut.path(), dairy()).unwrap().0;
    let known = MORNING_NS - 3 * DAY_S * S + 730 * S;
    let what = Conclusion::MakeBegan;
    let began = Effect { time: Some(known), probe: Name::from("p"), kettle: Name::from("p"), what };
    let lot = lots.take(&began, None, None, At(130 * S)).unwrap().unwrap().lot;
    drop(lots);
    let offset_ns = MORNING_NS - 700 * S;
    read(hut.path(), "b", (offset_ns, true), 700..1300, 34.5);
    let (record, trace) = close(hut.path(), &lot, At(offset_ns + 1300 * S));
    assert_eq!(record.opened, At(offset_ns + 130 * S));
    assert_eq!((readings(&trace, "8.5"), readings(&trace, "31.5"), readings(&trace, "34.5")), (0, 57, 60));
}

#[test]
fn where_its_boot_never_knew_the_time_it_counts_from_when_that_was_known() {
    let hut = hut();
    let lot = open(hut.path(), At(130 * S));
    // The power goes, and the next boot has the time.
    read(hut.path(), "c", (MORNING_NS, true), 20..620, 34.5);
    let (record, trace) = close(hut.path(), &lot, At(MORNING_NS + 620 * S));
    assert_eq!(record.opened, At(MORNING_NS + 20 * S));
    assert_eq!(readings(&trace, "8.5"), 0, "of three days before");
    assert_eq!(readings(&trace, "34.5"), 60, "{:?}", record.stretches);
}
