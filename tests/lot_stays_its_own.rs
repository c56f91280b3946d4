//! Promise: a closed lot stays what it was: it is held against the limits that it was
//! judged by.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{LimitDone, Record, Wheel};
use made_day::{Day, MORNING_NS, PLAN, dairy};

const START: At = At(MORNING_NS);

fn lots(data: &Path) -> Lots {
    Lots::open(Arc::new(Disk), data, dairy()).unwrap().0
}

fn day(data: &Path) -> Day {
    let mut day = Day::new(Arc::new(Disk), data);
    day.every_s = 20.0;
    day
}

fn apply(lots: &mut Lots, at: At, ask: Ask) -> String {
    lots.apply(&Request { at, by: Some("Ada".into()), ask }).unwrap().text
}

fn open(lots: &mut Lots, at: At, id: &str, past: bool) {
    let opening = Opening {
        kettle: "big".into(),
        id: Some(id.into()),
        plan: Some(PLAN.into()),
        past,
        ..Opening::default()
    };
    apply(lots, at, Ask::Open(opening));
}

fn attach(lots: &mut Lots, at: At, lot: &str, probe: &str, (from, to): (At, At)) -> String {
    apply(lots, at, Ask::Attach(AttachAsk { lot: lot.into(), probe: probe.into(), from, to }))
}

fn close(lots: &mut Lots, at: At, lot: &str) {
    apply(lots, at, Ask::Close { lot: lot.into() });
}

/// The limits of a closed lot were those of whatever day it was entered into: what it
/// had not kept could vanish from its record without a word.
#[test]
fn a_closed_lot_is_judged_by_the_limits_it_was_closed_under() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("limits.toml");
    let limit = |name: &str, most: f64| {
        format!("[[limit]]\nname = \"{name}\"\nsource = \"own plan\"\nat-most-celsius = {most:?}\n")
    };
    std::fs::write(&file, limit("Plan 4.2", 40.5)).unwrap();
    let mut day = day(dir.path());
    let mut lots = lots(dir.path());
    open(&mut lots, START, "a-1", false);
    let (_, end) = day.make("big", "big", START);
    close(&mut lots, end.plus_s(1200), "a-1");
    let closed = lots.store().load("a-1").unwrap();
    let verdicts = |r: &Record| -> Vec<String> {
        let of = |l: &LimitDone| format!("{} {} {}", l.name, l.limit, l.verdict);
        r.limits.iter().map(of).collect()
    };
    assert_eq!(verdicts(&closed), ["Plan 4.2 at most 40.5 °C fail"]);
    // Laxer, with another beside it; faulty; gone.
    let changed = [Some(limit("Plan 4.2", 45.0) + &limit("New", 30.0)), Some("[[limit".into()), None];
    for (n, text) in changed.into_iter().enumerate() {
        match text {
            Some(text) => std::fs::write(&file, text).unwrap(),
            None => std::fs::remove_file(&file).unwrap(),
        }
        let wheels = vec![Wheel { wheel: n.to_string(), kg: Some(6.0), note: None }];
        apply(&mut lots, end.plus_s(86_400), Ask::Wheels { lot: "a-1".into(), wheels });
        let now = lots.store().load("a-1").unwrap();
        assert_eq!((&now.limits, &now.deviations), (&closed.limits, &closed.deviations));
    }
    // Judged again all the same: what comes late may be hotter still.
    day.push(end.plus_s(60), "temperature,kettle=big,probe=big celsius=44.0");
    day.push(end.plus_s(70), "temperature,kettle=big,probe=big celsius=44.0");
    day.journal.commit().unwrap();
    attach(&mut lots, end.plus_s(90_000), "a-1", "big", (START, end.plus_s(100)));
    let now = lots.store().load("a-1").unwrap();
    assert_eq!(verdicts(&now), verdicts(&closed));
    assert!(now.limits[0].found.contains("highest 44.0 °C"), "{:?}", now.limits);
    // One that had no limit gets none afterwards.
    open(&mut lots, end.plus_s(90_100), "a-2", true);
    attach(&mut lots, end.plus_s(90_100), "a-2", "big", (START, end));
    close(&mut lots, end.plus_s(90_100), "a-2");
    std::fs::write(&file, limit("New", 30.0)).unwrap();
    let wheels = vec![Wheel { wheel: "1".into(), kg: Some(6.0), note: None }];
    apply(&mut lots, end.plus_s(90_200), Ask::Wheels { lot: "a-2".into(), wheels });
    assert_eq!(lots.store().load("a-2").unwrap().limits, []);
}
