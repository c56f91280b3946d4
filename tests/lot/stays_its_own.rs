//! Promise: a lot tells of its own make. What another kettle's probe read stands in it
//! beside that, and a closed one is held against the limits that it was judged by.

#![allow(clippy::unwrap_used)] // a test may end here

use support::made_day;

use std::path::Path;
use std::sync::Arc;

use curdtrace::journal::storage::Disk;
use curdtrace::lot::at::At;
use curdtrace::lot::inbox::{Ask, AttachAsk, Opening, Request};
use curdtrace::lot::life::Lots;
use curdtrace::lot::record::{LimitDone, Record, Wheel};
use made_day::{Day, MORNING_NS, PLAN, STAGES, dairy};

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

/// The probe of the stored milk, read more often than the kettle's.
fn stored_milk(day: &mut Day, (from, to): (At, At)) {
    let mut at = from;
    while at < to {
        day.push(at, "temperature,kettle=tank,probe=tank celsius=6.31");
        at = at.plus_s(10);
    }
    let alarm = |at: At, alarm: &str| {
        format!(
            r#"{{"kind":"alarm","time":"{at}","probe":"tank","alarm":"{alarm}","state":"unacknowledged","priority":"low","text":"milk"}}"#
        )
    };
    for (s, name) in [(60, "milk-warm"), (90, "stirring-stopped")] {
        day.said(from.plus_s(s), "tank", "alarm", &alarm(from.plus_s(s), name));
    }
    day.journal.commit().unwrap();
}

fn names(record: &Record) -> Vec<&str> {
    record.stages.iter().map(|s| s.stage.as_str()).collect()
}

/// What the sheet has of the make.
fn told(record: &Record) -> String {
    let Record { stages, cooks, marks, made, plan, ph, .. } = record;
    format!("{stages:?}{cooks:?}{marks:?}{made:?}{plan:?}{ph:?}")
}

fn sheet(lots: &Lots, lot: &str) -> String {
    std::fs::read_to_string(lots.store().folder(lot).join("sheet.html")).unwrap()
}

/// "Warming, target 32 °C, reached 6.3 °C" was the stored milk's tank; all of another
/// kettle's make doubled every stage and cook, a part of it made them shorter.
#[test]
fn what_another_kettles_probe_read_moves_no_stage() {
    let dir = tempfile::tempdir().unwrap();
    let mut day = day(dir.path());
    let mut lots = lots(dir.path());
    open(&mut lots, START, "a-1", false);
    let (_, end) = day.make("big", "big", START);
    let other = day.make("small", "small", START.plus_s(1800));
    stored_milk(&mut day, (START.plus_s(-7200), end));
    let at = end.plus_s(10_000);
    close(&mut lots, at, "a-1");
    let own = lots.store().load("a-1").unwrap();
    assert_eq!(names(&own), STAGES.map(|s| s.0));
    for (probe, stretch) in [
        ("tank", (START.plus_s(-7200), end)),
        ("small", (other.0, other.0.plus_s(2400))),
        ("small", (other.0.plus_s(-600), other.1.plus_s(600))),
    ] {
        let text = attach(&mut lots, at, "a-1", probe, stretch);
        let now = lots.store().load("a-1").unwrap();
        assert_eq!(told(&now), told(&own), "{probe}");
        let sheet = sheet(&lots, "a-1");
        assert!(sheet.contains("32.1 °C") && !sheet.contains("6.3 °C"), "{sheet}");
        assert!(text.contains(&format!("it hung in {probe}")), "{text}");
    }
    let now = lots.store().load("a-1").unwrap();
    let alarms: Vec<&str> = now.alarms.iter().map(|a| a.alarm.as_str()).collect();
    let of_own = own.alarms.iter().map(|a| a.alarm.as_str());
    assert_eq!(alarms, of_own.chain(["milk-warm"]).collect::<Vec<_>>(), "the stored milk's alarm counts");
    // An open lot takes them as little.
    open(&mut lots, START, "a-2", false);
    attach(&mut lots, at, "a-2", "small", other);
    let (open, _) = lots.store().as_it_stands("a-2", at).unwrap();
    assert!(open.stages.len() <= STAGES.len(), "{:?}", names(&open));
}

/// A probe that hung in the tank for the night tells of the milk then, and of the make when
/// it hangs in the kettle.
#[test]
fn a_probe_that_hung_elsewhere_before_tells_of_the_make_all_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let mut day = day(dir.path());
    let mut lots = lots(dir.path());
    let night = (START.plus_s(-7200), START.plus_s(-3600));
    for s in 0..300 {
        day.push(night.0.plus_s(s * 10), "temperature,kettle=tank,probe=p celsius=6.31");
    }
    open(&mut lots, START, "a-1", false);
    let (_, end) = day.make("big", "p", START);
    close(&mut lots, end.plus_s(1200), "a-1");
    let own = lots.store().load("a-1").unwrap();
    let text = attach(&mut lots, end.plus_s(1300), "a-1", "p", night);
    assert!(text.contains("it hung in tank"), "{text}");
    assert_eq!(told(&lots.store().load("a-1").unwrap()), told(&own));
    assert_eq!(names(&own), STAGES.map(|s| s.0));
}

/// What a lot without readings of its own is given is its trace, whatever probe it was.
#[test]
fn a_lot_without_readings_of_its_own_has_the_make_it_is_given() {
    let dir = tempfile::tempdir().unwrap();
    let mut day = day(dir.path());
    let mut lots = lots(dir.path());
    let made = day.make("small", "spare", START);
    stored_milk(&mut day, (START.plus_s(-7200), made.1));
    let at = made.1.plus_s(10_000);
    for (lot, past) in [("p-1", true), ("l-1", false)] {
        open(&mut lots, at, lot, past);
        attach(&mut lots, at, lot, "tank", (START.plus_s(-7200), made.1));
        attach(&mut lots, at, lot, "spare", made);
        close(&mut lots, at, lot);
        let record = lots.store().load(lot).unwrap();
        assert_eq!(names(&record), STAGES.map(|s| s.0), "{lot}");
        assert_eq!(record.made, Some(made.0), "{lot}");
        let sheet = sheet(&lots, lot);
        assert!(sheet.contains("32.1 °C") && !sheet.contains("6.3 °C"), "{sheet}");
    }
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
