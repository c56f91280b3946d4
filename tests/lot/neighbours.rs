//! Promise: what was marked and read belongs to its own lot, and a closed lot grows only
//! where the record says so: neither a silent probe, nor a corrected kettle, nor readings
//! that come late change that.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use made_day::{Day, MORNING_NS, dairy};

fn minute(m: i64) -> At {
    At(MORNING_NS).plus_s(60 * m)
}

fn asked(lots: &mut Lots, at: At, ask: Ask) -> String {
    lots.apply(&Request { at, by: Some("Ada".into()), ask }).unwrap().text
}

fn open(lots: &mut Lots, at: At, id: &str) {
    let opening = Opening { kettle: "big".into(), id: Some(id.into()), ..Opening::default() };
    asked(lots, at, Ask::Open(opening));
}

fn close(lots: &mut Lots, at: At, id: &str) {
    asked(lots, at, Ask::Close { lot: id.into() });
}

fn readings(day: &mut Day, seconds: std::ops::Range<i64>) {
    for s in seconds {
        day.push(At(MORNING_NS).plus_s(s), "temperature,probe=big celsius=31.5");
    }
    day.journal.commit().unwrap();
}

fn marked(day: &mut Day, at: At, words: &str) {
    day.push(at, &format!("mark,kettle=big name=\"note\",text=\"{words}\",by=\"Ada\""));
    day.journal.commit().unwrap();
}

fn begun() -> (tempfile::TempDir, Day, Lots) {
    let dir = tempfile::tempdir().unwrap();
    let day = Day::new(Arc::new(Disk), dir.path());
    let lots = Lots::open(Arc::new(Disk), dir.path(), dairy()).unwrap().0;
    (dir, day, lots)
}

fn notes(lots: &Lots, id: &str) -> Vec<String> {
    lots.store().load(id).unwrap().marks.into_iter().filter_map(|m| m.text).collect()
}

/// The next lot of the kettle had the marks of one that was closed without a reading.
#[test]
fn the_marks_of_a_lot_whose_probe_was_silent_stay_in_it() {
    let (_dir, mut day, mut lots) = begun();
    open(&mut lots, minute(0), "a");
    marked(&mut day, minute(1), "of a");
    close(&mut lots, minute(2), "a");
    open(&mut lots, minute(3), "b");
    readings(&mut day, 200..260);
    marked(&mut day, minute(5), "of b");
    close(&mut lots, minute(6), "b");
    assert_eq!((notes(&lots, "a"), notes(&lots, "b")), (vec!["of a".into()], vec!["of b".into()]));
}

/// Corrected to another kettle after it was closed, a lot lost its time to the next one.
#[test]
fn a_corrected_kettle_gives_no_other_lot_what_was_drawn() {
    let (_dir, mut day, mut lots) = begun();
    open(&mut lots, minute(0), "x");
    readings(&mut day, 10..130);
    marked(&mut day, minute(1), "of x");
    close(&mut lots, minute(3), "x");
    let fields = vec![("kettle".into(), "small".into())];
    asked(&mut lots, minute(4), Ask::Set { lot: "x".into(), fields, reason: Some("wrong".into()) });
    open(&mut lots, minute(5), "y");
    readings(&mut day, 310..400);
    marked(&mut day, minute(6), "of y");
    close(&mut lots, minute(7), "y");
    assert_eq!((notes(&lots, "x"), notes(&lots, "y")), (vec!["of x".into()], vec!["of y".into()]));
    let first = lots.store().load("y").unwrap().stretches[0].from;
    assert!(first >= minute(3), "{first}");
}

fn attached(lots: &mut Lots, probe: &str, (from, to): (At, At)) -> String {
    let ask = AttachAsk { lot: "a".into(), probe: probe.into(), from, to };
    asked(lots, minute(60), Ask::Attach(ask))
}

fn corrections(data: &Path, lots: &Lots) -> Vec<String> {
    let chain = lots.store().chain().unwrap();
    assert!(lots.store().verify("a", &chain).unwrap().is_empty(), "{}", data.display());
    lots.store().load("a").unwrap().corrections.into_iter().map(|c| c.new).collect()
}

/// A box keeps readings until its line is up again. Those of a closed lot's time could
/// not be given to it, and came into it unsaid with any other stretch.
#[test]
fn readings_that_come_late_are_given_to_a_closed_lot_and_said() {
    let (dir, mut day, mut lots) = begun();
    open(&mut lots, minute(0), "a");
    readings(&mut day, 0..60);
    readings(&mut day, 120..180);
    close(&mut lots, minute(4), "a");
    readings(&mut day, 70..80);
    day.push(minute(2), "temperature,probe=small celsius=20.0");
    day.journal.commit().unwrap();
    let text = attached(&mut lots, "big", (minute(1), minute(2)));
    assert!(text.contains("has 10 readings of probe big more"), "{text}");
    let first = corrections(dir.path(), &lots);
    assert!(first.len() == 1 && first[0].contains("10 readings that came late"), "{first:?}");
    let again = attached(&mut lots, "big", (minute(1), minute(2)));
    assert!(again.contains("already"), "{again}");
    readings(&mut day, 90..95);
    attached(&mut lots, "small", (minute(1), minute(3)));
    let both = corrections(dir.path(), &lots);
    assert!(both.len() == 3 && both.iter().any(|c| c.contains("5 readings that came late")), "{both:?}");
}
